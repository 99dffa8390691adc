"""A clinic's own items and words are the same on the terminal, at the desk, in every export and in an archive."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest
from typer.testing import CliRunner

import grammar
from dictate import clinic
from dictate.cli import build
from dictate.desk import checking, view, words
from dictate.exports.formats import NAMES, TABLES, render
from dictate.exports.sources import read_examinations
from dictate.storage import Document
from grammar import pipeline
from tests.dictate.archive.helpers import rows, write_jsonl
from tests.grammar.test_checks import clinic as own_folder

SAID = "complaint hand therapy. pinch meter reduced on the right. right knee jerk two plus"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    made = own_folder(tmp_path / "own")
    monkeypatch.setenv(clinic.FOLDER_VARIABLE, str(made))
    return made


def test_without_a_folder_it_is_the_built_in_grammar() -> None:
    assert clinic.folders() == ()
    assert grammar.GRAMMAR_VERSION == clinic.GRAMMAR_VERSION
    assert clinic.parse(SAID).note == grammar.parse(SAID).note


def test_the_version_tells_the_clinics_data_apart(folder: Path) -> None:
    assert grammar.GRAMMAR_VERSION != clinic.GRAMMAR_VERSION
    assert "pinch_meter" in clinic.catalogue().items


def test_the_desk_shows_and_edits_a_clinics_item(folder: Path) -> None:
    note = clinic.parse(SAID).note
    finding = note.findings[0]
    assert words.item_words(finding.item, None) == "Pinch strength by meter"
    arms = next(station for station in view.stations(Document.from_note(note)) if station.label == "Arms")
    assert "Pinch strength by meter" in [row.label for row in arms.rows]
    assert checking.read_phrase("left pinch meter normal", note).findings[0].item == "pinch_meter"
    assert checking.rechecked(note).slots == note.slots
    assert checking.choices("pinch_meter").sides


def test_every_export_writes_a_clinics_item(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "note.json"
    file.write_text(clinic.parse(SAID).note.model_dump_json(by_alias=True), encoding="utf-8")
    (subject,) = read_examinations(str(file))
    for name in NAMES:
        if name not in (TABLES, "letter-pdf", "letter-docx", "figure"):
            made = render(subject, name)
            text = made if isinstance(made, str) else made.decode()
            assert "pinch_meter" in text or "inch strength by meter" in text, name


def test_an_archive_reads_a_clinics_item(folder: Path, tmp_path: Path) -> None:
    source = write_jsonl(tmp_path / "notes.jsonl", [{"id": "one", "text": SAID}])
    out = tmp_path / "out"
    found = CliRunner().invoke(build(), ["archive", str(source), "--out", str(out), "-j", "1", "--json"])
    assert found.exit_code == 0, found.output
    assert json.loads(found.stdout)["grammar_version"] == clinic.GRAMMAR_VERSION
    assert {row["item"] for row in rows(out, "findings")} == {"pinch_meter", "reflex"}


def test_many_who_ask_at_once_load_the_grammar_once(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[tuple[Path, ...]] = []
    first = pipeline.Pipeline

    class Counted(first):  # type: ignore[misc, valid-type]
        def __init__(self, extra: tuple[Path, ...] = ()) -> None:
            made.append(extra)
            super().__init__(extra)

    monkeypatch.setattr(pipeline, "Pipeline", Counted)
    pipeline.built.cache_clear()
    askers = [threading.Thread(target=clinic.get_ready) for _ in range(8)]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join()
    assert made == [(folder,)]
    pipeline.built.cache_clear()
