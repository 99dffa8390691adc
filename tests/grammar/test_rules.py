"""Each numbered rule with its own cases: what was said, the findings that must come out, and nothing else.

A case with `known_failure = true` is wrong today; once it is right the mark must go (strict).
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

import grammar

FOLDER = Path(__file__).resolve().parents[1] / "cases" / "rules"


def cases() -> list[Any]:
    """Every case of every file."""
    found = []
    for path in sorted(FOLDER.glob("*.toml")):
        for case in tomllib.loads(path.read_text(encoding="utf-8"))["case"]:
            marks = [pytest.mark.xfail(strict=True)] if case.get("known_failure") else []
            found.append(pytest.param(case, marks=marks, id=f"{path.stem}: {case['rule']}"))
    return found


@pytest.mark.parametrize("case", cases())
def test_a_rule_reads_its_case(case: dict[str, Any]) -> None:
    """Findings, and where the case names them: queries, asked items, the reason."""
    assert set(case) <= {"rule", "said", "want", "queries", "asked", "reason", "known_failure"}
    note = grammar.parse(case["said"]).note
    rows = [
        " ".join(part for part in (f.item + (f":{f.site}" if f.site else ""), f.side, f.status, f.grade) if part)
        for f in note.findings
    ]
    assert sorted(rows) == sorted(case["want"])
    assert set(case.get("queries", ())) <= {query.kind for query in note.queries}
    assert set(case.get("asked", ())) <= set(note.asked)
    if "reason" in case:
        assert [f.reason for f in note.findings] == [case["reason"]]
