"""Scores the grammar on the golden dictations: what was missed, invented, or put on the wrong side.

    python -m tests.bench.golden [FILES.jsonl] [--all] [--id ty-004] [--json]

Without files it reads tests/cases/golden/*.jsonl. A slot is item, site and one side; "both" counts as its
two sides. A slot is right when status and grade are as labelled. What came out and was not labelled is
*wrong side* when the same item and site is missing on another side in that dictation, else *invented*.
Descriptors are compared apart (without "normal" and "none", which only repeat the status). `--all` prints
every dictation that is not right.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from pathlib import Path
from typing import Any

import grammar

GOLDEN = Path(__file__).resolve().parents[1] / "cases" / "golden"
Row = tuple[str, str, str, str, str]  # item, site, side, status, grade


def rows_of(findings: list[dict[str, Any]]) -> Counter[Row]:
    """Findings as slots with status and grade, "both" taken apart."""
    rows: Counter[Row] = Counter()
    for found in findings:
        sides = ("right", "left") if found["side"] == "both" else (found["side"],)
        for side in sides:
            rows[found["item"], found["site"] or "", side, found["status"], found["grade"] or ""] += 1
    return Counter(dict.fromkeys(rows, 1))  # saying the same again adds nothing


def words_of(findings: list[dict[str, Any]]) -> set[tuple[str, str]]:
    """The descriptors that say more than the status, by item."""
    return {(f["item"], word) for f in findings for word in f["descriptors"]} - {
        (f["item"], word) for f in findings for word in ("normal", "none")
    }


def judge(case: dict[str, Any]) -> dict[str, Any]:
    """What is right, missed, invented, on the wrong side or of another value in one dictation."""
    note = grammar.parse(case["text"]).note
    got_findings = [found.model_dump() for found in note.findings]
    want, got = rows_of(case["gold"]), rows_of(got_findings)
    missed, extra = list(want - got), list(got - want)
    value = [row for row in extra if any(row[:3] == other[:3] for other in missed)]
    side = [row for row in extra if row not in value and any(row[:2] == other[:2] for other in missed)]
    return {
        "id": case["id"],
        "wanted": sum(want.values()),
        "right": sum((want & got).values()),
        "missed": missed,
        "wrong_value": value,
        "wrong_side": side,
        "invented": [row for row in extra if row not in value and row not in side],
        "queries": sorted(set(case["queries"]) - {query.kind for query in note.queries}),
        "asked": sorted(set(case["asked_no_result"]) - set(note.asked)),
        "complaint": sorted(set(case["complaint"]) ^ set(note.complaint)),
        "words": sorted(words_of(case["gold"]) ^ words_of(got_findings)),
    }


def report(path: Path, results: list[dict[str, Any]]) -> dict[str, Any]:
    """The totals of one file."""
    totals = {
        "file": path.name,
        "dictations": len(results),
        "all_right": sum(not (r["missed"] or r["wrong_value"] or r["wrong_side"] or r["invented"]) for r in results),
    }
    for name in ("wanted", "right"):
        totals[name] = sum(r[name] for r in results)
    for name in ("missed", "wrong_value", "wrong_side", "invented", "queries", "asked", "complaint", "words"):
        totals[name] = sum(len(r[name]) for r in results)
    return totals


def show(case: dict[str, Any], result: dict[str, Any]) -> None:
    """Prints one dictation that is not right, with its differences."""
    print(f"\n[{case['id']}] {case['text']}")
    for name in ("missed", "wrong_value", "wrong_side", "invented"):
        for item, site, side, status, grade in sorted(result[name]):
            print(f"   {name:12} {item}{':' + site if site else ''} {side} {status} {grade}")
    for name in ("queries", "asked", "complaint", "words"):
        if result[name]:
            print(f"   {name:12} {result[name]}")


def main() -> None:
    """Reads the options, judges the files, prints the totals."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("files", nargs="*", type=Path, default=sorted(GOLDEN.glob("*.jsonl")))
    parser.add_argument("--all", action="store_true", help="print every dictation that is not right")
    parser.add_argument("--id", help="print this dictation, right or not")
    parser.add_argument("--json", action="store_true", help="totals as one JSON object a line")
    options = parser.parse_args()
    for path in options.files:
        cases = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line]
        results = [judge(case) for case in cases]
        for case, result in zip(cases, results, strict=True):
            wrong = any(result[name] for name in ("missed", "wrong_value", "wrong_side", "invented"))
            if case["id"] == options.id or (options.all and wrong):
                show(case, result)
        totals = report(path, results)
        print(json.dumps(totals) if options.json else "  ".join(f"{k} {v}" for k, v in totals.items()))


if __name__ == "__main__":
    main()
