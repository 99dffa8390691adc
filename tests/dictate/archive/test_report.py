"""The report holds what was counted by hand, and escapes what comes from notes."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from dictate.archive.folder import TABLES, ArchiveFolder, Marker, write_file
from dictate.archive.parts import Part
from dictate.archive.reader import PartResult
from dictate.archive.report import named, write_report
from dictate.archive.rows import COLUMNS
from dictate.archive.tables_out import SCHEMAS, parquet_bytes
from dictate.errors import InputError

DEFAULTS: dict[str, Any] = {
    **{
        "side": "none",
        "status": "normal",
        "text": "x",
        "start_char": 0,
        "end_char": 1,
        "row": 0,
        "kind": "text",
    },
    **{"state": "recorded", "required_by": "core_screen", "message": "?", "item": "gait", "reason": "empty"},
    "detail": "",
}


def build(folder: Path, tables: dict[str, list[dict[str, Any]]]) -> Path:
    """An archive of one part with these rows; what a row leaves out gets a default or nothing."""
    archive = ArchiveFolder(folder)
    archive.prepare()
    rows = {
        table: [
            tuple({**DEFAULTS, "grammar_version": "g1", **row}.get(name) for name in SCHEMAS[table].names)
            for row in tables.get(table, [])
        ]
        for table in COLUMNS
    }
    files = {table: parquet_bytes(table, rows[table]) for table in TABLES}
    archive.save(PartResult(0, "f", files, {table: len(rows[table]) for table in TABLES}, 1.0, 1.0), "g1")
    archive.write_record({"input": "/clinic/notes.jsonl", "grammar_version": "g1", "state": "complete"})
    archive.release()
    return folder


def note(position: int, day: str | None, clinician: str | None, **facts: Any) -> dict[str, Any]:
    """A row of `notes`."""
    import datetime

    date = datetime.date.fromisoformat(day) if day else None
    return {"note_id": f"n{position}", "position": position, "date": date, "clinician": clinician, **facts}


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Three notes by two clinicians, with known omissions; one clinician's name is hostile."""
    first = {"note_id": "n0", "position": 0}
    hostile = "<script>alert(1)</script>"
    return build(
        tmp_path / "archive",
        {
            "notes": [
                note(0, "2024-01-10", "Dr A", findings=2, words=10, unread_words=1),
                note(1, "2024-01-20", "Dr A", findings=1, words=30, unread_words=9),
                note(2, None, hostile, findings=0, words=0, unread_words=0),
            ],
            "findings": [
                {**first, "item": "reflex", "site": "knee", "side": "right", "status": "abnormal"},
                {**first, "item": "reflex", "site": "knee", "side": "both"},
                {"note_id": "n1", "position": 1, "item": "gait", "status": "not_examined"},
            ],
            "slots": [
                {"note_id": f"n{p}", "position": p, "item": "plantar", "side": side, "state": state}
                for p, side, state in (
                    (0, "right", "recorded"), (0, "left", "missing"), (1, "right", "asked_no_result"),
                    (1, "left", "missing"), (2, "right", "not_examined"), (2, "left", "side_unstated"),
                )
            ],
            "unread": [
                {"note_id": "n0", "position": 0, "text": "Hoover sign "},
                {"note_id": "n1", "position": 1, "text": "hoover sign"},
                {"note_id": "n1", "position": 1, "text": "once only"},
            ],
            "queries": [{"note_id": "n0", "position": 0, "kind": "conflict"}],
            "rejects": [{"note_id": "n9", "position": 3, "reason": "binary"}],
        },
    )  # fmt: skip


def test_the_tables_hold_the_counts(archive: Path) -> None:
    tables = write_report(archive, archive / "report").tables
    assert tables["notes_over_time"] == [
        {"month": "2024-01", "notes": 2, "findings": 3, "findings_a_note": 1.5},
        {"month": "no date", "notes": 1, "findings": 0, "findings_a_note": 0.0},
    ]
    knee, gait = tables["findings_by_item"]
    assert (knee["item"], knee["findings"], knee["right"], knee["both"], knee["abnormal"]) == (
        "reflex",
        2,
        1,
        1,
        1,
    )
    assert (gait["item"], gait["none"], gait["not_examined"]) == ("gait", 1, 1)
    left, right = tables["omissions_by_slot"]
    assert (left["item"] + " " + left["side"], left["notes"], left["missing"], left["side_unstated"]) == (
        "plantar left",
        3,
        2,
        1,
    )
    assert left["omission_rate"] == pytest.approx(2 / 3)
    assert (right["item"] + " " + right["side"], right["asked_no_result"], right["not_examined"]) == (
        "plantar right",
        1,
        1,
    )
    assert right["omission_rate"] == pytest.approx(1 / 3)
    first, second = tables["omissions_by_clinician"]
    assert (first["clinician"], first["notes"], first["required"]) == ("Dr A", 2, 4)
    assert first["omission_rate"] == pytest.approx(0.75)  # the mean of one half and one
    assert (first["low"], first["high"]) == (pytest.approx(0.75 - 1.96 * 0.25), 1.0)
    assert (second["notes"], second["omission_rate"], second["low"], second["high"]) == (1, 0.0, 0.0, 0.0)
    assert tables["unread_by_month"][0] == {
        "month": "2024-01",
        "words": 40,
        "unread_words": 10,
        "unread_rate": 0.25,
    }
    assert tables["unread_phrases"] == [{"phrase": "hoover sign", "times": 2, "notes": 2}]
    assert tables["queries_by_kind"] == [{"kind": "conflict", "queries": 1, "notes": 1}]
    assert tables["rejects_by_reason"] == [{"reason": "binary", "notes": 1}]


def test_the_page_is_whole_and_escapes_what_comes_from_notes(archive: Path) -> None:
    report = write_report(archive, archive / "report")
    page = report.page.read_text(encoding="utf-8")
    assert "<script>" not in page
    assert "<td>Plantar response, left</td>" in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "Draft for a licensed clinician to verify" in page
    assert page.count("data:image/png;base64,") == 5
    assert "http" not in page.split("</style>")[1].replace("data:image", "")
    for name in (
        "notes_over_time",
        "findings_by_item",
        "omissions_by_slot",
        "omissions_by_clinician",
        "unread_by_month",
    ):
        assert (archive / "report" / f"{name}.png").read_bytes().startswith(b"\x89PNG")
    with (archive / "report" / "unread_phrases.csv").open(encoding="utf-8", newline="") as file:
        assert list(csv.DictReader(file)) == [{"phrase": "hoover sign", "times": "2", "notes": "2"}]


def test_only_complete_parts_are_counted(archive: Path) -> None:
    folder = ArchiveFolder(archive)
    (archive / "notes" / "part-000001.parquet").write_bytes((archive / "notes" / "part-000000.parquet").read_bytes())
    damaged = Marker(2, "f", "g1", {}, dict.fromkeys(TABLES, 10))
    write_file(folder.marker_file(2), json.dumps({"number": damaged.number, "sizes": damaged.sizes}).encode())
    assert sum(row["notes"] for row in write_report(archive, archive / "report").tables["notes_over_time"]) == 3


def test_an_archive_without_findings_is_reported_too(tmp_path: Path) -> None:
    folder = build(tmp_path / "archive", {"rejects": [{"note_id": "n", "position": 0}]})
    report = write_report(folder, tmp_path / "report")
    assert "Nothing to show." in report.page.read_text(encoding="utf-8")


def test_what_is_no_archive_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"is not an archive\. Make one with: dictate archive INPUT --out"):
        write_report(tmp_path, tmp_path / "report")
    folder = ArchiveFolder(tmp_path / "begun")
    folder.prepare()
    folder.write_record({"input": "x", "grammar_version": "g1", "state": "running"})
    with pytest.raises(InputError, match="has no complete part yet"):
        write_report(tmp_path / "begun", tmp_path / "report")
    assert not folder.holds(Part(0, (), ""), "g1", retry=False)


def test_items_are_named_for_people_and_unknown_ones_kept() -> None:
    assert named({"item": "reflex", "site": "knee", "side": "right", "notes": 1}) == {
        "item": "Tendon reflex, knee, right",
        "notes": 1,
    }
    assert named({"item": "hoover", "site": "leg", "side": "none"}) == {"item": "hoover:leg"}
    assert named({"month": "2024-01"}) == {"month": "2024-01"}
