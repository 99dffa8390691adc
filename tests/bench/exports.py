"""Exports of 1,000 notes: notes a second and memory for each format.

    python tests/bench/exports.py [--notes 1000] [--slow-notes 50] [--formats json,fhir,...]

Notes are the sample examination with other numbers; PDF and DOCX letters are measured on fewer
(--slow-notes). Memory is the peak of the process after a warm-up of 20 notes and at the end: flat means that
they agree. Beside it a peer: the same FHIR bundle built and written by the fhir.resources models instead of
plain dictionaries.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from dictate.exports.fhir import fhir_bundle
from dictate.exports.formats import NAMES, TABLES, render, write_all
from dictate.exports.json_note import read_json
from dictate.exports.subject import ExportInput

SAMPLE = Path(__file__).parents[2] / "samples" / "exports" / "foot-drop.json"
SLOW = ("letter-pdf", "letter-docx")


def subjects(count: int) -> Iterator[ExportInput]:
    """The sample under `count` numbers."""
    sample = read_json(SAMPLE.read_text(encoding="utf-8"), name="sample")
    for number in range(count):
        yield sample.model_copy(update={"examination_id": f"exam-{number}", "patient_ref": f"P-{number % 300}"})


def peak_mb() -> float:
    """Peak memory of this process, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def measure(name: str, count: int) -> tuple[float, float, float]:
    """(notes a second, MB after the warm-up, MB at the end) of one format."""
    with tempfile.TemporaryDirectory() as folder:
        write_all(subjects(20), [name], Path(folder) / "warm")
        before = peak_mb()
        start = time.perf_counter()
        if name == TABLES:
            write_all(subjects(count), [name], Path(folder) / "all")
        else:
            for subject in subjects(count):
                render(subject, name)
        seconds = time.perf_counter() - start
    return count / seconds, before, peak_mb()


def peer(count: int) -> float:
    """Notes a second when the bundle goes through the fhir.resources models."""
    from fhir.resources.R4B.bundle import Bundle

    start = time.perf_counter()
    for subject in subjects(count):
        Bundle.model_validate(fhir_bundle(subject)).model_dump_json()
    return count / (time.perf_counter() - start)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--notes", type=int, default=1000)
    parser.add_argument("--slow-notes", type=int, default=50)
    parser.add_argument("--formats", default=",".join(NAMES))
    wanted = parser.parse_args()
    sample = next(subjects(1)).note
    print(f"one note: {len(sample.findings)} findings, {len(sample.slots)} slots, "
          f"{len(json.dumps(sample.model_dump(mode='json'))) // 1024} kB as JSON")  # fmt: skip
    print(f"{'format':16} {'notes':>6} {'notes/s':>9} {'MB warm':>8} {'MB end':>8}")
    for name in wanted.formats.split(","):
        count = wanted.slow_notes if name in SLOW else wanted.notes
        speed, before, after = measure(name, count)
        print(f"{name:16} {count:6} {speed:9.1f} {before:8.0f} {after:8.0f}", flush=True)
    if "fhir" in wanted.formats:
        count = max(1, wanted.notes // 20)
        print(f"{'peer: fhir.resources':16} {count:2} {peer(count):9.1f}")


if __name__ == "__main__":
    main()
