"""Folders, JSONL, CSV and Parquet give the same notes; what cannot be a note comes out with a reason."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from dictate.archive import tables_in
from dictate.archive.inputs import InputNote, InputOptions, date_in, input_size, open_input, text_fault
from dictate.archive.parts import cut, fingerprint
from dictate.errors import InputError

ROWS = (
    {
        "id": "a",
        "text": "right knee brisk\nleft normal",
        "date": "2024-03-05",
        "clinician": "Dr A",
        "complaint": "foot_drop",
    },
    {"id": "b", "text": 'said "no drift", both sides', "date": None, "clinician": None, "complaint": None},
)


def notes(path: Path, **options: object) -> list[InputNote]:
    """Everything that an input holds."""
    return list(open_input(path, InputOptions(**options)))  # type: ignore[arg-type]


def write_rows(folder: Path, kind: str) -> Path:
    """ROWS as a file of one kind."""
    path = folder / f"notes.{kind}"
    if kind == "jsonl":
        path.write_text("\n".join(json.dumps(row) for row in ROWS) + "\n\n", encoding="utf-8")
    elif kind == "parquet":
        pq.write_table(pa.Table.from_pylist(list(ROWS)), path)
    else:
        separator = {"csv": ",", "tsv": "\t", "semicolon.csv": ";"}[kind]
        lines = [separator.join(ROWS[0])]
        for row in ROWS:
            lines.append(separator.join('"' + (value or "").replace('"', '""') + '"' for value in row.values()))
        path.write_text("\r\n".join(lines) + "\r\n", encoding="utf-8-sig", newline="")
    return path


@pytest.mark.parametrize("kind", ["jsonl", "csv", "tsv", "semicolon.csv", "parquet"])
def test_every_kind_of_table_gives_the_same_notes(tmp_path: Path, kind: str) -> None:
    found = notes(write_rows(tmp_path, kind))
    assert [(n.note_id, n.text, n.date, n.clinician, n.complaint, n.position, n.fault) for n in found] == [
        ("a", "right knee brisk\nleft normal", "2024-03-05", "Dr A", ("foot_drop",), 0, None),
        ("b", 'said "no drift", both sides', None, None, (), 1, None),
    ]


def test_a_folder_gives_one_note_a_file_in_the_order_of_names(tmp_path: Path) -> None:
    (tmp_path / "Dr B").mkdir()
    (tmp_path / "Dr B" / "2024-05-06 visit.TXT").write_text("\ufeffleft ankle absent", encoding="utf-8")
    (tmp_path / "Dr A").mkdir()
    (tmp_path / "Dr A" / "20230102.wav").write_bytes(b"RIFF")
    (tmp_path / "letter.docx").write_bytes(b"PK")
    found = notes(tmp_path, clinician_folder=True)
    assert [(n.note_id, n.kind, n.text, n.date, n.clinician, n.fault and n.fault.reason) for n in found] == [
        ("Dr A/20230102.wav", "recording", None, "2023-01-02", "Dr A", None),
        ("Dr B/2024-05-06 visit.TXT", "text", "left ankle absent", "2024-05-06", "Dr B", None),
        ("letter.docx", "text", None, None, None, "unknown_kind"),
    ]
    assert input_size(tmp_path) == 3


def test_what_is_no_file_is_rejected_and_never_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.txt")  # opening it would wait for ever
    (tmp_path / "gone.txt").symlink_to(tmp_path / "nowhere")
    (tmp_path / "link.txt").symlink_to(tmp_path.parent)
    assert [(note.note_id, note.fault and note.fault.reason) for note in notes(tmp_path)] == [
        ("gone.txt", "unreadable_file"),
        ("link.txt", "unreadable_file"),
        ("pipe.txt", "unreadable_file"),
    ]


def test_a_changed_recording_has_another_fingerprint(tmp_path: Path) -> None:
    sound = tmp_path / "a.flac"
    sound.write_bytes(b"one")
    first = fingerprint(notes(tmp_path))
    sound.write_bytes(b"longer")
    assert fingerprint(notes(tmp_path)) != first


BAD_LINES = (
    (b"{not json}", "line 1", "bad_record"),
    (b"[1, 2]", "line 1", "bad_record"),
    (b'"text"', "line 1", "bad_record"),
    (b"[" * 100_000, "line 1", "bad_record"),
    (b'{"id": "a", "text": "caf\xe9"}', "line 1", "not_utf8"),
    (b'{"text": "knee"}', "line 1", "bad_record"),
    (b'{"id": "  ", "text": "knee"}', "line 1", "bad_record"),
    (b'{"id": "a"}', "a", "no_text"),
    (b'{"id": "a", "text": null}', "a", "no_text"),
    (b'{"id": 7, "text": 5}', "7", "no_text"),
    (b'{"id": "a", "text": "\\ud800"}', "a", "not_utf8"),
    (b'{"id": "a", "text": "' + b"x" * 51 + b'"}', "a", "too_long"),
)


@pytest.mark.parametrize(("line", "note_id", "reason"), BAD_LINES)
def test_a_bad_line_is_a_reject_and_the_next_one_is_read(
    tmp_path: Path, line: bytes, note_id: str, reason: str
) -> None:
    path = tmp_path / "notes.jsonl"
    path.write_bytes(line + b'\n{"id": "good", "text": "left knee normal"}')
    bad, good = notes(path, max_chars=50)
    assert (bad.note_id, bad.fault and bad.fault.reason, bad.text) == (note_id, reason, None)
    assert (good.note_id, good.text, good.fault, good.position) == ("good", "left knee normal", None, 1)


def test_a_line_without_end_is_never_held_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables_in, "MAX_LINE_BYTES", 100)
    path = tmp_path / "notes.jsonl"
    path.write_bytes(b'{"id": "a", "text": "' + b"y" * 5000 + b'"}\n{"id": "b", "text": "knee"}\n')
    bad, good = notes(path)
    assert bad.fault is not None
    assert bad.fault.detail == "The line has 5024 bytes; the limit is 100."
    assert (good.note_id, good.units) == ("b", 28)


TEXTS = (
    (None, "no_text"),
    ("", "empty"),
    (" \t\n", "empty"),
    ("knee\0", "binary"),
    ("\x01\x02ab", "binary"),
    ("x" * 101, "too_long"),
    ("right knee\tbrisk\r\n", None),
    ("Knie rechts gesteigert – ↑", None),
)


@pytest.mark.parametrize(("text", "reason"), TEXTS)
def test_what_keeps_a_text_from_being_read(text: str | None, reason: str | None) -> None:
    fault = text_fault(text, 100)
    assert (fault and fault.reason) == reason


def test_a_row_with_too_many_fields_is_rejected_and_a_wrong_encoding_too(tmp_path: Path) -> None:
    path = tmp_path / "notes.csv"
    path.write_bytes(b"id,text\n1,knee brisk, left normal\n2,caf\xe9\n3,knee normal\n")
    many, encoded, good = notes(path)
    assert (many.note_id, many.fault and many.fault.reason) == ("1", "bad_record")
    assert (encoded.note_id, encoded.fault and encoded.fault.reason) == ("2", "not_utf8")
    assert (good.note_id, good.text) == ("3", "knee normal")
    assert notes(path, encoding="cp1252")[1].text == "café"


@pytest.mark.parametrize("rest", ['"knee\n2,ankle\n3,toe\n', '"knee\n2,"ankle"\n'])
def test_a_quote_that_is_never_closed_stops_the_run_instead_of_joining_notes(tmp_path: Path, rest: str) -> None:
    path = tmp_path / "notes.csv"
    path.write_text("id,text\n1," + rest, encoding="utf-8")
    with pytest.raises(InputError, match=r"row at line 2.*a quote is opened and not closed"):
        notes(path)


WRONG_INPUTS = (
    ("absent.jsonl", None, "does not exist. Give a folder or a .jsonl"),
    ("notes.xlsx", b"PK", "is of an unknown kind"),
    ("notes.csv", b"number,note\n1,knee\n", "has no column 'id'; it has number, note"),
    ("notes.csv", b"", "has no column 'id'; it has none"),
    ("notes.parquet", b"no parquet", "is not a readable Parquet file"),
)


@pytest.mark.parametrize(("name", "content", "sentence"), WRONG_INPUTS)
def test_wrong_inputs_are_named(tmp_path: Path, name: str, content: bytes | None, sentence: str) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError) as caught:
        notes(tmp_path / name)
    assert sentence in str(caught.value)


def test_columns_can_have_other_names(tmp_path: Path) -> None:
    path = tmp_path / "notes.csv"
    path.write_text("number,note\n1,knee normal\n", encoding="utf-8")
    (found,) = notes(path, id_column="number", text_column="note")
    assert (found.note_id, found.text) == ("1", "knee normal")


DATES = (
    ("2024-03-05 gait.txt", "2024-03-05"),
    ("scan_20240305.wav", "2024-03-05"),
    ("2024_03_05.txt", "2024-03-05"),
    ("2024-0305.txt", None),
    ("120240305.txt", None),
    ("2024-13-05.txt", None),
    ("visit.txt", None),
)


@pytest.mark.parametrize(("name", "date"), DATES)
def test_dates_in_file_names(name: str, date: str | None) -> None:
    assert date_in(name) == date


def test_parts_depend_on_the_notes_alone_and_hold_fewer_recordings() -> None:
    texts = [InputNote(position=number, note_id=str(number), text="knee") for number in range(7)]
    sounds = [InputNote(position=7 + n, note_id=f"s{n}", kind="recording", path=f"/x/{n}.wav") for n in range(5)]
    parts = list(cut(texts + sounds, part_notes=50))
    assert [[note.position for note in part.notes] for part in parts] == [[*range(10)], [10, 11]]
    again = list(cut(iter(texts + sounds), part_notes=50))
    assert [part.fingerprint for part in parts] == [part.fingerprint for part in again]
    assert len({part.fingerprint for part in parts}) == 2
    (with_engine,) = cut(texts, part_notes=50, extra="vosk")
    assert with_engine.fingerprint != fingerprint(texts)


def test_long_notes_make_small_parts() -> None:
    long = [InputNote(position=number, note_id=str(number), text="x" * 900_000) for number in range(6)]
    assert [len(part.notes) for part in cut(long, part_notes=500)] == [4, 2]
