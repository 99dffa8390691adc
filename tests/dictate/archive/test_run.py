"""Runs on small inputs: tables, repetition, changed input, changed grammar, locks and wrong options."""

from __future__ import annotations

import csv
import datetime
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from dictate.archive.folder import ArchiveFolder
from dictate.archive.inputs import InputOptions
from dictate.errors import ClusterError, InputError, SettingsError, StoreError
from tests.dictate.archive import stand_in
from tests.dictate.archive.helpers import (
    ROOT,
    digests,
    options,
    records,
    result,
    rows,
    run,
    shared_cluster,
    start,
    write_jsonl,
)


@pytest.fixture(scope="module", autouse=True)
def one_cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """One worker for all runs of this file."""
    yield from shared_cluster(tmp_path_factory.mktemp("cluster"))


@pytest.fixture
def source(tmp_path: Path) -> Path:
    """25 notes, two of which cannot be read."""
    bad = [{"id": "empty", "text": ""}, {"id": "=cmd()", "text": "POISON-RAISE"}]
    return write_jsonl(tmp_path / "notes.jsonl", [*records(23), *bad])


def stamps(out: Path) -> dict[str, int]:
    """Times of change of everything in an archive."""
    return {str(path): path.stat().st_mtime_ns for path in out.rglob("*") if path.is_file() and path.name != ".lock"}


def test_a_run_fills_all_tables_and_counts_everything(source: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    summary = run(source, out)
    assert (summary.notes_in, summary.notes, summary.rejects, summary.parts) == (25, 23, 2, 3)
    assert (summary.parts_read, summary.parts_kept, summary.workers) == (3, 0, 1)
    assert summary.peak_mb > 20
    note = rows(out, "notes")[1]
    assert (note["note_id"], note["position"], note["kind"], note["clinician"]) == (
        "note-0001",
        1,
        "text",
        "Dr B",
    )
    assert note["date"] == datetime.date(2023, 2, 15)
    assert (note["findings"], note["slots"], note["queries"], note["unread"], note["unread_words"]) == (
        2,
        4,
        1,
        1,
        3,
    )
    finding = rows(out, "findings")[2]
    assert {name: finding[name] for name in ("note_id", "row", "item", "site", "side", "status", "descriptors")} == {
        "note_id": "note-0001",
        "row": 0,
        "item": "reflex",
        "site": "knee",
        "side": "left",
        "status": "normal",
        "descriptors": ["normal"],
    }
    code = {
        "system": "demo",
        "code": "knee",
        "display": "left knee normal",
        "excluded": True,
        "modifier": False,
    }
    assert finding["codes"] == [code]
    for table in ("findings", "slots", "queries", "unread", "notes", "rejects"):
        found = rows(out, table)
        assert len(found) == getattr(summary, table), table
        assert {row["grammar_version"] for row in found} == {stand_in.GRAMMAR_VERSION}
    with (out / "rejects.csv").open(encoding="utf-8", newline="") as file:
        listed = list(csv.DictReader(file))
    assert [(row["note_id"], row["reason"]) for row in listed] == [
        ("empty", "empty"),
        ("'=cmd()", "parser_fault"),
    ]


def test_a_finished_run_repeated_changes_no_file_and_starts_no_worker(source: Path, tmp_path: Path) -> None:
    first = run(source, tmp_path / "out")
    before = stamps(tmp_path / "out")
    again = run(source, tmp_path / "out", cluster="tcp://127.0.0.1:1")
    assert stamps(tmp_path / "out") == before
    assert (again.parts_read, again.parts_kept, again.notes, again.rejects) == (
        0,
        3,
        first.notes,
        first.rejects,
    )


def test_new_and_changed_notes_are_read_and_the_rest_is_kept(tmp_path: Path) -> None:
    out, source = tmp_path / "out", tmp_path / "notes.jsonl"
    run(write_jsonl(source, records(20)), out)
    changed = records(35)
    changed[12]["text"] = "both ankle normal"
    summary = run(write_jsonl(source, changed), out)
    assert (summary.parts, summary.parts_read, summary.parts_kept, summary.notes) == (4, 3, 1, 35)
    fresh = write_jsonl(tmp_path / "fresh.jsonl", changed)
    run(fresh, tmp_path / "other")
    assert digests(out) == digests(tmp_path / "other")
    summary = run(write_jsonl(source, changed[:15]), out)
    assert (summary.parts, summary.notes, summary.state) == (2, 15, "complete")
    assert len(rows(out, "notes")) == 15


def test_a_damaged_part_is_read_again(source: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(source, out)
    before = digests(out)
    with (out / "findings" / "part-000001.parquet").open("ab") as file:
        file.truncate(100)
    (out / "parts" / "part-000002.json").write_text('{"number": 2', encoding="utf-8")
    (out / "slots" / "part-000000.parquet.tmp").write_bytes(b"half")
    summary = run(source, out)
    assert summary.parts_read == 2
    assert digests(out) == before
    assert not list(out.rglob("*.tmp"))


def test_another_grammar_reads_again_only_when_asked(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    run(source, out)
    before = stamps(out)
    monkeypatch.setattr(stand_in, "GRAMMAR_VERSION", "stand-in 2")
    monkeypatch.setenv("STAND_IN_VERSION", "stand-in 2")
    idle = run(source, out)
    assert (idle.grammar_version, idle.parts_read) == ("stand-in 1", 0)
    assert idle.remark == (
        "Complete with grammar stand-in 1; the installed one is stand-in 2. Nothing was done; --reread reads "
        "everything again."
    )
    assert stamps(out) == before
    summary = run(source, out, reread=True, own_workers=True)
    assert (summary.grammar_version, summary.parts_read, summary.notes) == ("stand-in 2", 3, 23)
    assert {row["grammar_version"] for row in rows(out, "slots")} == {"stand-in 2"}
    assert run(source, out, reread=True).parts_read == 0


def test_an_unfinished_archive_is_not_continued_with_another_grammar(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    run(source, out)
    record = ArchiveFolder(out).record()
    assert record is not None
    record.pop("format")
    ArchiveFolder(out).write_record({**record, "state": "running"})
    monkeypatch.setattr(stand_in, "GRAMMAR_VERSION", "stand-in 2")
    with pytest.raises(
        SettingsError, match=r"was begun with grammar stand-in 1; this one is stand-in 2\. Give --reread"
    ):
        run(source, out)


def test_a_worker_with_another_grammar_is_refused(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stand_in, "GRAMMAR_VERSION", "stand-in 3")
    with pytest.raises(ClusterError, match="A worker has grammar stand-in 1, this machine stand-in 3"):
        run(source, tmp_path / "out")


def test_notes_that_failed_are_tried_again_when_asked(source: Path, tmp_path: Path) -> None:
    run(source, tmp_path / "out")
    assert run(source, tmp_path / "out", retry_rejects=True).parts_read == 1


def test_ids_used_twice_are_counted_and_both_notes_kept(tmp_path: Path) -> None:
    notes = [*records(3), *records(2)]
    summary = run(write_jsonl(tmp_path / "notes.jsonl", notes), tmp_path / "out")
    assert (summary.notes, summary.duplicate_ids) == (5, 2)
    assert [row["position"] for row in rows(tmp_path / "out", "notes")] == [0, 1, 2, 3, 4]


def test_two_runs_on_one_folder_are_refused(source: Path, tmp_path: Path) -> None:
    holder = ArchiveFolder(tmp_path / "out")
    holder.prepare()
    with pytest.raises(StoreError, match="Another run is writing"):
        run(source, tmp_path / "out")
    holder.release()
    assert run(source, tmp_path / "out").state == "complete"


def test_wrong_places_are_named(source: Path, tmp_path: Path) -> None:
    folder = tmp_path / "texts"
    folder.mkdir()
    with pytest.raises(InputError, match="holds no notes"):
        run(folder, tmp_path / "out")
    (folder / "a.txt").write_text("right knee brisk", encoding="utf-8")
    with pytest.raises(SettingsError, match="lies inside the input"):
        run(folder, folder / "out")
    run(folder, tmp_path / "texts-archive")
    with pytest.raises(SettingsError, match=r"holds the archive of .*texts, not of"):
        run(source, tmp_path / "texts-archive")
    with pytest.raises(ClusterError, match=r"No Dask scheduler answers at tcp://127\.0\.0\.1:1 .*run the same command"):
        run(source, tmp_path / "out", cluster="tcp://127.0.0.1:1")


def test_progress_and_summary_when_piped(source: Path, tmp_path: Path) -> None:
    process = start(source, tmp_path / "out")
    code, errors = result(process)
    assert (code, errors) == (0, "")


def test_clinicians_from_folders(tmp_path: Path) -> None:
    for name in ("Dr X", "Dr Y"):
        (tmp_path / "in" / name).mkdir(parents=True)
        (tmp_path / "in" / name / "2024-01-02.txt").write_text("left knee normal", encoding="utf-8")
    run(tmp_path / "in", tmp_path / "out", inputs=InputOptions(clinician_folder=True))
    assert [(row["clinician"], str(row["date"])) for row in rows(tmp_path / "out", "notes")] == [
        ("Dr X", "2024-01-02"),
        ("Dr Y", "2024-01-02"),
    ]


def test_help_does_not_load_the_heavy_libraries() -> None:
    code = (
        "import sys, dictate.cli.archive; "
        "print([name for name in ('distributed', 'pyarrow', 'duckdb', 'matplotlib') if name in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert json.loads(found.stdout.replace("'", '"')) == []


def test_options_refuse_nonsense() -> None:
    with pytest.raises(ValueError, match="part_notes"):
        options(part_notes=0)


def test_the_tables_have_a_column_for_every_field_of_a_finding_that_is_stored() -> None:
    """A field added to the model must be stored or left out on purpose."""
    from dictate.archive.rows import COLUMNS
    from dictate.archive.tables_out import SCHEMAS
    from grammar.models import Code, Finding, Query, Slot, TextSpan

    left_out = {"spans", "repaired", "steps"}  # how the words were read: `dictate read --explain` shows it
    assert set(Finding.model_fields) - left_out == set(COLUMNS["findings"]) - {"row"}
    assert set(Slot.model_fields) == set(COLUMNS["slots"])
    assert set(Query.model_fields) == set(COLUMNS["queries"])
    assert set(TextSpan.model_fields) == set(COLUMNS["unread"])
    codes = SCHEMAS["findings"].field("codes").type.value_type
    assert {codes.field(n).name for n in range(codes.num_fields)} == set(Code.model_fields)
