"""The gate for changes of rules, on our own golden dictations: what was read right stays right.

The labels stand for the run before, today's grammar for the run after; `dictate archive compare` decides. Dictations
that the grammar is known to read differently are in tests/cases/golden/baseline.json and left out here.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import grammar
from dictate.cli import build
from tests.dictate.archive.helpers import write_jsonl

GOLDEN = Path(__file__).resolve().parents[2] / "cases" / "golden"
PLACE = ("item", "site", "side", "status", "grade")
GATE = "side,status,grade,vanished,appeared"


def cases() -> list[dict[str, Any]]:
    known = json.loads((GOLDEN / "baseline.json").read_text(encoding="utf-8"))["failing"]
    files = sorted(GOLDEN.glob("*.jsonl"))
    found = [json.loads(line) for path in files for line in path.read_text(encoding="utf-8").splitlines()]
    return [{**case, "gold": one_a_place(case["gold"])} for case in found if case["id"] not in known]


def one_a_place(labels: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """A label for what was said of each place: some dictations name two details of one finding in two labels."""
    return list({tuple(label[name] for name in PLACE): label for label in reversed(labels)}.values())


def read(case: dict[str, Any]) -> dict[str, Any]:
    note = grammar.parse(case["text"], complaint=tuple(case["complaint"])).note
    return {"id": case["id"], **note.model_dump(mode="json", by_alias=True)}


@pytest.fixture(scope="module")
def today() -> list[dict[str, Any]]:
    return [read(case) for case in cases()]


def compared(folder: Path, now: list[dict[str, Any]]) -> tuple[int, dict[str, int]]:
    """Exit code and counts of the command on the labels and a reading of them."""
    labels, read_now = write_jsonl(folder / "labels.jsonl", cases()), write_jsonl(folder / "now.jsonl", now)
    words = ["archive", "compare", str(labels), str(read_now), "--fail-on", GATE, "--json"]
    found = CliRunner().invoke(build(), words)
    return found.exit_code, json.loads(found.stdout)["counts"]


def test_what_was_read_right_stays_right(today: list[dict[str, Any]], tmp_path: Path) -> None:
    assert len(today) > 300
    code, counts = compared(tmp_path, today)
    assert {kind: counts[kind] for kind in GATE.split(",")} == dict.fromkeys(GATE.split(","), 0)
    assert code == 0


def test_one_turned_side_closes_the_gate(today: list[dict[str, Any]], tmp_path: Path) -> None:
    turned = json.loads(json.dumps(today))
    finding = next(finding for note in turned for finding in note["findings"] if finding["side"] == "left")
    finding["side"] = "right"
    code, counts = compared(tmp_path, turned)
    assert (code, counts["side"]) == (3, 1)
