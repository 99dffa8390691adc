"""Keeps tests/cases/golden/baseline.json: which golden dictations are known to be read wrongly, and how.

    python -m tests.tools.golden_baseline            say what differs from the baseline
    python -m tests.tools.golden_baseline --shrink   drop what is right by now, raise the floors
    python -m tests.tools.golden_baseline --accept   also write down what is newly wrong (never a wrong side)

`failing` names, for each dictation that is not right, the kinds of difference; `wrong_sides` the very
rows. `marks` names the spoken dictations whose findings change when commas, or all marks, are taken
out: a recogniser writes none, and a full stop alone may end what is carried on (a side, a list).
`floors` is the least F1 of slots (item, site, side, status, grade) of each file. The baseline is a
debt that may only shrink: a new difference, or a repaired one that is still listed, fails
tests/grammar/test_golden.py.
"""

from __future__ import annotations

import argparse
import json
import re
from functools import cache
from math import floor
from typing import Any

import grammar
from tests.bench.golden import GOLDEN, judge, rows_of

BASELINE = GOLDEN / "baseline.json"
KINDS = ("missed", "wrong_value", "wrong_side", "invented", "queries", "asked", "complaint", "words")
DROP = 0.002
"""A floor is the F1 of the day less this, so that one slot in a large file does not fail twice."""


@cache
def results(file: str) -> list[dict[str, Any]]:
    """The judgement of every dictation of a golden file, made once a run."""
    lines = (GOLDEN / file).read_text(encoding="utf-8").splitlines()
    return [judge(json.loads(line)) for line in lines if line]


def files() -> list[str]:
    """Names of the golden files."""
    return sorted(path.name for path in GOLDEN.glob("*.jsonl"))


def failing(judged: list[dict[str, Any]]) -> dict[str, list[str]]:
    """id -> the kinds of difference, for every dictation that is not right."""
    return {r["id"]: kinds for r in judged if (kinds := [kind for kind in KINDS if r[kind]])}


def wrong_sides(judged: list[dict[str, Any]]) -> dict[str, list[str]]:
    """id -> the rows that came out on a wrong side; `unstated` is a question, not a wrong side."""
    found = {}
    for result in judged:
        rows = sorted(":".join(row) for row in result["wrong_side"] if row[2] != "unstated")
        if rows:
            found[result["id"]] = rows
    return found


def f1(judged: list[dict[str, Any]]) -> float:
    """F1 over the slots of a file."""
    right = sum(r["right"] for r in judged)
    wanted = sum(r["wanted"] for r in judged)
    came = right + sum(len(r[kind]) for r in judged for kind in ("wrong_value", "wrong_side", "invented"))
    return 2 * right / (wanted + came) if wanted + came else 1.0


@cache
def changed_by_marks(file: str) -> dict[str, list[str]]:
    """id -> "commas", "all": the findings change when these marks are left out of a spoken dictation."""
    changed: dict[str, list[str]] = {}
    if not file.startswith("spoken"):
        return changed
    for line in (GOLDEN / file).read_text(encoding="utf-8").splitlines():
        case = json.loads(line)
        plain = slots_of(case["text"])
        without = {
            "commas": case["text"].replace(",", ""),
            "all": re.sub(r"[.,;:](?=\s|$)", "", case["text"]),
        }
        kinds = [kind for kind, text in without.items() if slots_of(text) != plain]
        if kinds:
            changed[case["id"]] = kinds
    return changed


def slots_of(text: str) -> set[tuple[str, ...]]:
    """The slots of a text with status and grade."""
    return set(rows_of([found.model_dump() for found in grammar.parse(text).note.findings]))


def load() -> dict[str, Any]:
    """The baseline as stored."""
    if not BASELINE.exists():
        return {"floors": {}, "failing": {}, "wrong_sides": {}, "marks": {}}
    stored: dict[str, Any] = json.loads(BASELINE.read_text(encoding="utf-8"))
    return stored


def differences(file: str, stored: dict[str, Any]) -> list[str]:
    """What a file's judgement and the baseline do not agree on, one line each."""
    judged = results(file)
    now, sides = failing(judged), wrong_sides(judged)
    lines = []
    for result in judged:
        name = result["id"]
        was, new = set(stored["failing"].get(name, ())), set(now.get(name, ()))
        lines += [f"{name}: newly wrong: {kind} {result[kind]}" for kind in KINDS if kind in new - was]
        lines += [f"{name}: right by now, no longer a known failure: {kind}" for kind in KINDS if kind in was - new]
        for row in set(sides.get(name, ())) - set(stored["wrong_sides"].get(name, ())):
            lines.append(f"{name}: NEW WRONG SIDE {row}")
    marks = changed_by_marks(file)
    for name in {result["id"] for result in judged}:
        was, new = set(stored["marks"].get(name, ())), set(marks.get(name, ()))
        lines += [f"{name}: newly changed without marks: {kind}" for kind in new - was]
        lines += [f"{name}: no longer changed without marks: {kind}" for kind in was - new]
    low = stored["floors"].get(file, 1.0)
    if f1(judged) < low:
        lines.append(f"{file}: F1 {f1(judged):.4f} is below its floor {low}")
    return lines


def renewed(stored: dict[str, Any], *, accept: bool) -> dict[str, Any]:
    """The baseline without what is right by now; with `accept` also with what is newly wrong."""
    fresh: dict[str, Any] = {"floors": {}, "failing": {}, "wrong_sides": {}, "marks": {}}
    for file in files():
        judged = results(file)
        measured = floor((f1(judged) - DROP) * 1000) / 1000
        held = stored["floors"].get(file, 0.0)
        fresh["floors"][file] = measured if accept else max(held, measured)
        for name, kinds in failing(judged).items():
            kept = [kind for kind in kinds if accept or kind in stored["failing"].get(name, ())]
            if kept:
                fresh["failing"][name] = kept
        for name, kinds in changed_by_marks(file).items():
            kept = [kind for kind in kinds if accept or kind in stored["marks"].get(name, ())]
            if kept:
                fresh["marks"][name] = kept
        for name, rows in wrong_sides(judged).items():
            held_rows = stored["wrong_sides"].get(name, ())
            known = [row for row in rows if not stored["failing"] or row in held_rows]
            if known:
                fresh["wrong_sides"][name] = known
    return fresh


def main() -> None:
    """Show, shrink or accept."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--shrink", action="store_true", help="drop what is right by now")
    parser.add_argument("--accept", action="store_true", help="also write down what is newly wrong")
    options = parser.parse_args()
    stored = load()
    for file in files():
        print(f"{file}: F1 {f1(results(file)):.4f}, floor {stored['floors'].get(file, '-')}")
        for line in differences(file, stored):
            print(f"   {line}")
    if options.shrink or options.accept:
        text = json.dumps(renewed(stored, accept=options.accept), indent=1, sort_keys=True)
        BASELINE.write_text(text + "\n", encoding="utf-8")
        print(f"written: {BASELINE.name}")


if __name__ == "__main__":
    main()
