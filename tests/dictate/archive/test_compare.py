"""Two runs set side by side: every change has its kind, and only the kinds that were named fail."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from dictate.archive.compare import Comparison, compare_runs, failing_kinds, to_text
from dictate.errors import InputError, SettingsError
from tests.dictate.archive.helpers import records, run, write_jsonl

GOLDEN = Path(__file__).resolve().parents[2] / "cases" / "golden"


def finding(said: str) -> dict[str, Any]:
    """`reflex:knee right abnormal 3+ brisk` as a finding; a dot is nothing."""
    name, side, status, grade, details = [*said.split(), ".", "."][:5]
    item, _, site = name.partition(":")
    return {
        "item": item,
        "site": site or None,
        "side": side,
        "status": status,
        "grade": None if grade == "." else grade,
        "descriptors": [] if details == "." else details.split(","),
        "text": said,
    }


def compared(tmp_path: Path, before: list[str], after: list[str]) -> Comparison:
    """A comparison of two runs of one note each."""
    paths = [
        write_jsonl(tmp_path / f"{name}.jsonl", [{"id": "n", "findings": [finding(said) for said in run]}])
        for name, run in (("before", before), ("after", after))
    ]
    return compare_runs(*paths)


CHANGES = (
    (["gait none normal"], ["gait none normal"], {}),
    (["plantar both normal"], ["plantar left normal", "plantar right normal"], {}),
    (["gait none abnormal . slow,normal"], ["gait none abnormal . slow"], {}),
    (["plantar right abnormal"], ["plantar left abnormal"], {"side": 1}),
    (["plantar right abnormal"], ["plantar left normal"], {"side": 1}),
    (["plantar both normal"], ["plantar right normal"], {"vanished": 1}),
    (["plantar both normal"], ["plantar unstated normal"], {"side": 1, "vanished": 1}),
    (["plantar right abnormal"], ["plantar right normal"], {"status": 1}),
    (["reflex:knee right normal 2+"], ["reflex:knee right normal 3+"], {"grade": 1}),
    (["reflex:knee right normal 2+"], ["reflex:ankle right normal 2+"], {"vanished": 1, "appeared": 1}),
    (["gait none abnormal . slow"], ["gait none abnormal . ataxic"], {"descriptors": 1}),
    (["gait none normal"], [], {"vanished": 1}),
    ([], ["gait none normal", "gait none normal"], {"appeared": 2}),
    (
        ["plantar right normal", "plantar right abnormal"],
        ["plantar right abnormal", "plantar left normal"],
        {"side": 1},
    ),
)


@pytest.mark.parametrize(("before", "after", "expected"), CHANGES)
def test_every_change_has_its_kind(
    tmp_path: Path, before: list[str], after: list[str], expected: dict[str, int]
) -> None:
    found = compared(tmp_path, before, after)
    assert {kind: count for kind, count in found.counts.items() if count} == expected


def test_examples_say_where_and_what(tmp_path: Path) -> None:
    found = compared(tmp_path, ["reflex:knee right abnormal 4+ brisk"], ["reflex:knee left abnormal 4+ brisk"])
    assert found.examples["side"] == [
        {
            "note_id": "n",
            "item": "reflex:knee",
            "before": "right abnormal 4+ brisk",
            "after": "left abnormal 4+ brisk",
            "text": "reflex:knee right abnormal 4+ brisk",
        }
    ]
    assert '  n reflex:knee: right abnormal 4+ brisk -> left abnormal 4+ brisk  "reflex:knee right' in to_text(found)
    assert "slots are not compared" in to_text(found)


def test_notes_that_only_one_run_has_are_no_vanished_findings(tmp_path: Path) -> None:
    one = {"id": "1", "findings": [finding("gait none normal")]}
    two = {"id": "2", "gold": [finding("gait none normal")]}
    before = write_jsonl(tmp_path / "a.jsonl", [one, two])
    after = write_jsonl(tmp_path / "b.jsonl", [one, {**two, "id": "3"}])
    found = compare_runs(before, after)
    assert {kind: count for kind, count in found.counts.items() if count} == {"notes": 2}
    assert found.examples["notes"] == [
        {"note_id": "2", "change": "only before"},
        {"note_id": "3", "change": "only after"},
    ]


def test_slots_are_compared_by_state(tmp_path: Path) -> None:
    def slots(*states: str) -> list[dict[str, Any]]:
        sides = ("right", "left", "none")
        return [
            {"item": "plantar", "site": None, "side": side, "state": state}
            for side, state in zip(sides, states, strict=False)
        ]

    before = write_jsonl(tmp_path / "a.jsonl", [{"id": "n", "findings": [], "slots": slots("missing", "missing")}])
    after = write_jsonl(
        tmp_path / "b.jsonl", [{"id": "n", "findings": [], "slots": slots("recorded", "missing", "missing")}]
    )
    found = compare_runs(before, after)
    assert found.counts["slots"] == 2
    assert found.slot_changes == [
        {"before": "missing", "after": "recorded", "count": 1},
        {"before": "not required", "after": "missing", "count": 1},
    ]


def test_archives_and_notes_can_be_compared(tmp_path: Path) -> None:
    notes = records(20)
    run(write_jsonl(tmp_path / "notes.jsonl", notes), tmp_path / "one")
    notes[4]["text"] = notes[4]["text"].replace("left knee", "right knee").replace("right ankle", "left ankle")
    notes[11]["text"] = ""
    run(write_jsonl(tmp_path / "changed.jsonl", notes), tmp_path / "two")
    same = compare_runs(tmp_path / "one", tmp_path / "one")
    assert not any(same.counts.values())
    assert same.slots_compared
    found = compare_runs(tmp_path / "one", tmp_path / "two")
    assert (found.counts["side"], found.counts["notes"], found.counts["appeared"]) == (1, 1, 0)
    assert found.examples["side"][0]["note_id"] == "note-0004"
    assert found.counts["slots"] == 2


def test_golden_files_are_runs(tmp_path: Path) -> None:
    (path, *_) = sorted(GOLDEN.glob("*.jsonl"))
    found = compare_runs(path, path)
    assert found.same == found.findings_before > 0
    assert not any(found.counts.values())


FAIL_ON = (
    ("any", ("side", "status", "grade", "descriptors", "vanished", "appeared", "slots", "notes")),
    ("none", ()),
    ("side, status", ("side", "status")),
)


@pytest.mark.parametrize(("text", "kinds"), FAIL_ON)
def test_the_kinds_that_fail_are_chosen(text: str, kinds: tuple[str, ...]) -> None:
    assert failing_kinds(text) == kinds


def test_wrong_runs_and_kinds_are_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"--fail-on sides is not known\. Choose of any, none, side"):
        failing_kinds("sides,status")
    with pytest.raises(InputError, match=r"does not exist\. Give an archive folder or a JSONL file"):
        compare_runs(tmp_path / "absent", tmp_path)
    with pytest.raises(InputError, match="is not an archive with complete parts"):
        compare_runs(tmp_path, tmp_path)
    broken = tmp_path / "broken.jsonl"
    broken.write_text(json.dumps({"id": "a", "findings": []}) + "\n{}\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"broken\.jsonl, line 2 is not a note"):
        compare_runs(broken, broken)
