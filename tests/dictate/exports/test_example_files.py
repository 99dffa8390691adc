"""The example files in samples/exports: what the exports write today for the invented examination there.

`foot-drop.json` is the scenario; everything beside it is made from it. After a wanted change of a format,
refresh them with SPOKEN_EXAM_REFRESH_SAMPLES=1 and look at the difference before committing it.
"""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import docx
import polars
import pytest

from dictate.exports.formats import FORMATS, Options, render
from dictate.exports.json_note import json_schema, read_json
from dictate.exports.subject import ExportInput, require_signed
from dictate.exports.tables import FILES, write_tables
from tests.dictate.exports.fhir_validators import node_faults

FOLDER = Path(__file__).parents[3] / "samples" / "exports"
REFRESH = "SPOKEN_EXAM_REFRESH_SAMPLES" in os.environ
TEXTS = [name for name in FORMATS if name not in ("letter-pdf", "letter-docx")]


@pytest.fixture(scope="module")
def subject() -> ExportInput:
    return read_json((FOLDER / "foot-drop.json").read_text(encoding="utf-8"), name="foot-drop")


def _same(path: Path, made: bytes) -> None:
    if REFRESH:
        path.write_bytes(made)
    assert path.read_bytes() == made, f"{path.name} is not what the export writes; see the top of this file"


def test_the_scenario_is_a_signed_examination_with_gaps(subject: ExportInput) -> None:
    require_signed(subject, allow_draft=False)
    assert {f.status for f in subject.note.findings} == {"normal", "abnormal", "equivocal", "not_examined"}
    assert any(slot.state == "missing" for slot in subject.note.slots)


@pytest.mark.parametrize("name", TEXTS)
def test_text_formats(subject: ExportInput, name: str) -> None:
    _same(FOLDER / f"foot-drop{FORMATS[name].suffix}", render(subject, name))


def test_the_letter_in_table_form(subject: ExportInput) -> None:
    _same(FOLDER / "foot-drop-table.md", render(subject, "letter-markdown", Options(as_table=True)))


@pytest.mark.parametrize("what", ["note", "examination"])
def test_the_published_schemas(what: str) -> None:
    text = json.dumps(json_schema("note" if what == "note" else "examination"), indent=1) + "\n"
    _same(FOLDER / f"{what}-1.schema.json", text.encode())


def test_tables(subject: ExportInput, tmp_path: Path) -> None:
    write_tables([subject], tmp_path)
    for name in FILES:
        if name.endswith(".csv"):
            _same(FOLDER / name, (tmp_path / name).read_bytes())
        else:
            if REFRESH:
                (FOLDER / name).write_bytes((tmp_path / name).read_bytes())
            assert polars.read_parquet(FOLDER / name).equals(polars.read_parquet(tmp_path / name))


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")
def test_pdf_and_word_letters_say_the_same(subject: ExportInput) -> None:
    """Their bytes depend on fonts and library versions, so their words are compared."""
    for name, words in (("letter-pdf", _pdf_words), ("letter-docx", _docx_words)):
        path = FOLDER / f"foot-drop{FORMATS[name].suffix}"
        made = render(subject, name)
        if REFRESH:
            path.write_bytes(made)
        assert words(path.read_bytes()) == words(made)


def _pdf_words(data: bytes) -> list[str]:
    done = subprocess.run(["pdftotext", "-", "-"], input=data, capture_output=True, check=True)
    # Sorted: where a page breaks depends on the fonts of the machine. Page numbers go for the same reason.
    return sorted(word for word in done.stdout.decode("utf-8").split() if not word.isdigit())


def _docx_words(data: bytes) -> list[str]:
    document = docx.Document(io.BytesIO(data))
    cells = [cell.text for table in document.tables for row in table.rows for cell in row.cells]
    return [paragraph.text for paragraph in document.paragraphs] + cells


def test_the_fhir_sample_is_valid() -> None:
    bundle = json.loads((FOLDER / "foot-drop.fhir.json").read_text(encoding="utf-8"))
    assert node_faults([bundle]) == [{"schema": [], "profile": []}]


def _blocks() -> list[tuple[str, str]]:
    """(file, excerpt) of every code block of the page that names a file."""
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    return re.findall(r"```\w+ (\S+)\n(.*?)```", page, re.DOTALL)


def test_every_sample_has_an_excerpt_on_the_page() -> None:
    shown = {name for name, _ in _blocks()}
    assert len(shown) >= 8
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    for path in FOLDER.iterdir():
        assert path.name == "README.md" or f"`{path.name}`" in page, path.name


@pytest.mark.parametrize(("name", "excerpt"), _blocks())
def test_excerpts_on_the_page_are_real(name: str, excerpt: str) -> None:
    text = (FOLDER / name).read_text(encoding="utf-8-sig")
    if name.endswith(".json"):
        assert _holds(json.loads(text), json.loads(excerpt)), excerpt
        return
    lines = {line.strip() for line in text.splitlines()}
    for line in excerpt.strip().splitlines():
        assert line.strip() in lines, line


def _holds(whole: object, part: dict[str, object]) -> bool:
    """True when some object inside `whole` has all entries of `part`."""
    if isinstance(whole, dict):
        if all(whole.get(key) == value for key, value in part.items()):
            return True
        return any(_holds(value, part) for value in whole.values())
    return isinstance(whole, list) and any(_holds(value, part) for value in whole)
