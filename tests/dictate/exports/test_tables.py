"""Tables: every finding and slot is a row, exact in Parquet, harmless in a spreadsheet."""

from __future__ import annotations

import csv
import io
import tempfile
from pathlib import Path

import polars
import pytest
from hypothesis import given, settings

from dictate.exports.subject import ExportInput, from_note
from dictate.exports.tables import FINDING_COLUMNS, SLOT_COLUMNS, csv_bytes, write_tables
from grammar.models import Finding, Note
from tests.strategies import subjects

FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def table_files(subjects: list[ExportInput]) -> dict[str, bytes]:
    """Every file of the export by name."""
    with tempfile.TemporaryDirectory() as folder:
        return {path.name: path.read_bytes() for path in write_tables(subjects, Path(folder))}


def _csv(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline="")))


@settings(max_examples=25, deadline=None)
@given(subjects())
def test_tables_hold_every_finding_and_slot_exactly(subject: ExportInput) -> None:
    files = table_files([subject])
    findings = polars.read_parquet(io.BytesIO(files["findings.parquet"]))
    said = [(f.item, f.site, f.side, f.status, f.grade, f.text, f.reason) for f in subject.note.findings]
    columns = ["item", "site", "side", "status", "grade", "words", "reason"]
    assert [tuple(row[c] for c in columns) for row in findings.to_dicts()] == said
    assert [(r["item"], r["side"], r["status"]) for r in _csv(files["findings.csv"])] == [
        (item, side, status) for item, _, side, status, *_ in said
    ]
    slots = polars.read_parquet(io.BytesIO(files["slots.parquet"]))
    assert [(r["item"], r["site"], r["side"], r["state"]) for r in slots.to_dicts()] == [
        (s.item, s.site, s.side, s.state) for s in subject.note.slots
    ]
    assert len(_csv(files["slots.csv"])) == len(subject.note.slots)


@settings(max_examples=25, deadline=None)
@given(subjects())
def test_no_cell_starts_a_formula_and_the_draft_is_marked_in_every_row(subject: ExportInput) -> None:
    files = table_files([subject])
    for name in ("findings.csv", "slots.csv"):
        for row in _csv(files[name]):
            assert not any(value.lstrip(" ").startswith(FORMULA) for value in row.values()), row
            assert ("DRAFT" in row["marking"]) == subject.is_draft


@settings(max_examples=20, deadline=None)
@given(subjects())
def test_polars_opens_the_csv(subject: ExportInput) -> None:
    for name, data in table_files([subject]).items():
        if name.endswith(".csv"):
            frame = polars.read_csv(io.BytesIO(data), infer_schema=False)
            assert frame.height == len(_csv(data))


def test_not_examined_is_never_normal() -> None:
    finding = Finding(item="fundi", side="both", status="not_examined", text="x", start_char=0, end_char=1)
    (row,) = _csv(table_files([from_note(Note(findings=(finding,)), examination_id="e")])["findings.csv"])
    assert row["status"] == "not_examined"
    assert "normal" not in " ".join(row.values())
    assert row["hpo"] == row["hpo_excluded"] == ""


CELLS = [
    ("=1+1", '"\'=1+1"'),
    (" +4", '"\' +4"'),
    ("-4", '"\'-4"'),
    ("4-", '"4-"'),
    ("＝1", '"\'＝1"'),
    ('say "ah"', '"say ""ah"""'),
    ("a,b\nc", '"a,b\nc"'),
    (-1.5, '"-1.5"'),
    (None, '""'),
    ("مرحبا é", '"مرحبا é"'),
]


@pytest.mark.parametrize(("value", "expected"), CELLS)
def test_cells(value: object, expected: str) -> None:
    assert csv_bytes(["c"], [{"c": value}]).decode("utf-8-sig") == f'"c"\r\n{expected}\r\n'


def test_the_dictionary_explains_every_column() -> None:
    rows = _csv(table_files([])["data_dictionary.csv"])
    named = [(row["table"], row["column"]) for row in rows]
    assert named == [("findings", c) for c in FINDING_COLUMNS] + [("slots", c) for c in SLOT_COLUMNS]
    assert all(row["meaning"] and row["type"] for row in rows)


def test_an_empty_export_has_headers_and_types() -> None:
    files = table_files([])
    assert polars.read_parquet(io.BytesIO(files["findings.parquet"])).columns == list(FINDING_COLUMNS)
    assert _csv(files["slots.csv"]) == []


def test_many_examinations_are_written_in_batches() -> None:
    finding = Finding(item="fundi", side="both", status="normal", text="fundi normal", start_char=0, end_char=1)
    subject = from_note(Note(findings=(finding,) * 700), examination_id="e")
    files = table_files([subject] * 20)
    assert polars.read_parquet(io.BytesIO(files["findings.parquet"])).height == 14_000
    assert len(_csv(files["findings.csv"])) == 14_000
