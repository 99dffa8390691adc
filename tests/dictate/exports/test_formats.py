"""Files of an export: names that are safe and never collide, whole files, nothing overwritten."""

from __future__ import annotations

from pathlib import Path

import pytest

from dictate.errors import InputError, SettingsError
from dictate.exports.formats import FORMATS, NAMES, render, write_all
from dictate.exports.subject import ExportInput, from_note
from grammar.models import Note


def _subject(examination_id: str) -> ExportInput:
    return from_note(Note(), examination_id=examination_id)


FILES = [
    (["12"], ["examination-12.json"]),
    (["visit 1", "visit/1", "VISIT_1"], ["visit_1.json", "visit_1-2.json", "VISIT_1-3.json"]),
    (["../../etc/passwd"], ["etc_passwd.json"]),
    (["مرحبا", "..."], ["examination.json", "examination-2.json"]),
    (["x" * 200], ["x" * 80 + ".json"]),
]


@pytest.mark.parametrize(("ids", "expected"), FILES)
def test_file_names(tmp_path: Path, ids: list[str], expected: list[str]) -> None:
    written = write_all(map(_subject, ids), ["json"], tmp_path)
    assert written == [tmp_path / name for name in expected]
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(expected)


def test_a_file_that_is_there_is_kept(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text("precious", encoding="utf-8")
    with pytest.raises(InputError, match="is there already"):
        write_all([_subject("a")], ["json"], tmp_path)
    assert (tmp_path / "a.json").read_text(encoding="utf-8") == "precious"
    write_all([_subject("a")], ["json"], tmp_path, replace=True)
    assert "spoken-exam-examination" in (tmp_path / "a.json").read_text(encoding="utf-8")


def test_unknown_formats_are_named_with_the_known_ones(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="There is no format 'xml'; known are json, fhir"):
        write_all([], ["xml"], tmp_path)
    with pytest.raises(SettingsError, match="no format 'tables' for one examination"):
        render(_subject("a"), "tables")


def test_examinations_are_taken_one_by_one(tmp_path: Path) -> None:
    """The second is asked for only after the first is on disk, so memory does not grow with their number."""

    def each() -> object:
        yield _subject("a")
        assert (tmp_path / "a.hl7").exists()
        yield _subject("b")

    assert len(write_all(each(), ["hl7"], tmp_path)) == 2  # type: ignore[arg-type]


def test_every_format_says_what_it_is() -> None:
    assert (*FORMATS, "tables") == NAMES
    assert all(entry.about and "/" in entry.media_type for entry in FORMATS.values())
    assert len({entry.suffix for entry in FORMATS.values()}) == len(FORMATS)
