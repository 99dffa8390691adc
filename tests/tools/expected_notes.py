"""The expected notes of the samples: samples/expected/NAME.json, from the samples' own text.

`python -m tests.tools.expected_notes` prints what differs from the stored ones; `--write` stores anew
(then read the difference before committing it: a clinician's eye is the judge).
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from grammar import parse
from grammar.models import Note

SAMPLES = Path(__file__).parents[2] / "samples"
NAMES = tuple(sorted(path.stem for path in SAMPLES.glob("*.txt")))


def essence(note: Note) -> dict[str, Any]:
    """What must be right: complaint, findings (identity, status, grade, reason), open slots."""
    return {
        "complaint": list(note.complaint),
        "findings": [
            {
                "item": finding.item,
                "site": finding.site,
                "side": finding.side,
                "status": finding.status,
                "grade": finding.grade,
                "reason": finding.reason,
            }
            for finding in note.findings
        ],
        "missing": sorted(
            f"{slot.item}{':' + slot.site if slot.site else ''} {slot.side}"
            for slot in note.slots
            if slot.state == "missing"
        ),
        "withdrawn": [finding.text for finding in note.withdrawn],
    }


def expected(name: str) -> dict[str, Any]:
    """The stored note of a sample."""
    stored: dict[str, Any] = json.loads((SAMPLES / "expected" / f"{name}.json").read_text(encoding="utf-8"))
    return stored


def from_text(name: str) -> dict[str, Any]:
    """The note of a sample's text as the grammar reads it now."""
    return essence(parse((SAMPLES / f"{name}.txt").read_text(encoding="utf-8")).note)


def main() -> None:
    """Compare, or with --write store."""
    (SAMPLES / "expected").mkdir(exist_ok=True)
    for name in NAMES:
        path = SAMPLES / "expected" / f"{name}.json"
        if "--write" in sys.argv:
            path.write_text(json.dumps(from_text(name), indent=1) + "\n", encoding="utf-8")
        print(f"{name}: {'as stored' if path.exists() and expected(name) == from_text(name) else 'differs'}")


if __name__ == "__main__":
    main()
