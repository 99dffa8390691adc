"""Random valid examinations through every format and every outside validator at once."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import tempfile
import zipfile
from concurrent.futures import ProcessPoolExecutor
from html.parser import HTMLParser
from multiprocessing import get_context
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import docx
import polars
import pytest
from fhir.resources.R4B.bundle import Bundle
from hypothesis import HealthCheck, given, settings

from dictate.exports.fhir import fhir_bundle, write_fhir
from dictate.exports.fhir_reader import read_fhir
from dictate.exports.formats import FORMATS, render
from dictate.exports.hl7v2 import write_hl7
from dictate.exports.json_note import read_json, write_json
from dictate.exports.letter import letter
from dictate.exports.phenopacket import write_phenopacket
from dictate.exports.subject import ExportInput, from_note
from dictate.exports.tables import write_tables
from grammar.models import Code, Finding, Note, Slot
from tests.dictate.exports.fhir_validators import node_faults
from tests.dictate.exports.test_hl7v2 import findings_in, strictly
from tests.dictate.exports.test_phenopacket import expected_features, features_in, parsed
from tests.strategies import subjects

RANDOM_EXAMINATIONS = 220
_EXCLUDED = Code(system="HPO", code="HP:0001098", display="Abnormal fundus morphology", excluded=True)
seen: list[ExportInput] = []
bundles: list[dict[str, Any]] = []


def test_each_validator_accepts_and_each_round_trip_keeps_side_and_status() -> None:
    seen.clear()
    bundles.clear()
    _every_one_by_one()
    assert len(seen) >= 200
    _tables_together()
    with ProcessPoolExecutor(2, mp_context=get_context("fork")) as pool:
        assert [lost for lost in pool.map(_lost_in_letters, seen, chunksize=10) if lost] == []
    faults = node_faults(bundles)
    assert [fault for fault in faults if fault["schema"] or fault["profile"]] == []


@settings(max_examples=RANDOM_EXAMINATIONS, deadline=None, database=None, suppress_health_check=list(HealthCheck))
@given(subjects(max_findings=4))
def _every_one_by_one(subject: ExportInput) -> None:
    said = [(f.item, f.site, f.side, f.status) for f in subject.note.findings]
    assert read_json(write_json(subject), name="x") == subject
    bundle = fhir_bundle(subject)
    Bundle.model_validate(bundle)
    assert read_fhir(json.loads(write_fhir(subject)), name="x") == subject
    assert features_in(parsed(write_phenopacket(subject))) == expected_features(subject)
    message = write_hl7(subject)
    strictly(message)
    assert findings_in(message) == said
    for name in ("letter-text", "letter-markdown", "letter-html", "figure"):
        page = render(subject, name).decode("utf-8")
        assert ("DRAFT" in page) or not subject.is_draft
    HTMLParser().feed(render(subject, "letter-html").decode("utf-8"))
    seen.append(subject)
    bundles.append(bundle)


def _lost_in_letters(subject: ExportInput) -> list[str]:
    """Sentences about the findings that python-docx and Poppler do not read back from the DOCX and PDF letters."""
    said = [_squeezed(sentence) for section in letter(subject).sections for sentence in section.sentences]
    if subject.is_draft:
        said.append("DRAFT")
    document = docx.Document(io.BytesIO(render(subject, "letter-docx")))
    read_back = ["".join(paragraph.text for paragraph in document.paragraphs)]
    page = render(subject, "letter-pdf")
    assert page.startswith(b"%PDF-")
    if shutil.which("pdftotext") is not None:
        done = subprocess.run(["pdftotext", "-", "-"], input=page, capture_output=True, check=True)
        read_back.append(done.stdout.decode())
    return [sentence for text in map(_squeezed, read_back) for sentence in said if sentence not in text]


def _squeezed(text: str) -> str:
    """Without white space: lines and pages break where they like."""
    return "".join(text.split())


def _tables_together() -> None:
    with tempfile.TemporaryDirectory() as folder:
        write_tables(seen, Path(folder))
        frame = polars.read_parquet(Path(folder) / "findings.parquet")
        rows = polars.read_csv(Path(folder) / "findings.csv", infer_schema=False)
    expected = [(f.item, f.side, f.status) for subject in seen for f in subject.note.findings]
    for table in (frame, rows):
        assert list(table.select("item", "side", "status").iter_rows()) == expected


# What breaks formats: names and words in any script and full of separators, nothing at all, very much.
_SAID = Finding(
    item="reflex", site="knee", side="left", status="abnormal", grade="4+", text="x", start_char=0, end_char=1
)
HARD = {
    "empty note": from_note(Note(), examination_id="e"),
    "accents": from_note(Note(findings=(_SAID,)), examination_id="é ñ ø", patient_ref="Zoë Ünal"),
    "right to left": from_note(Note(findings=(_SAID,)), examination_id="مرحبا", patient_ref="שלום עולם"),
    "separators": from_note(Note(findings=(_SAID,)), examination_id="a|b^c&d~e\\f", patient_ref="<b>&amp;\"'</b>"),
    "long words": from_note(Note(findings=(_SAID.model_copy(update={"text": "word " * 2000}),)), examination_id="long"),
    "one long word": from_note(
        Note(findings=(_SAID.model_copy(update={"text": "w" * 10_000}),)), examination_id="long"
    ),
    "500 findings": from_note(Note(findings=(_SAID,) * 500), examination_id="many"),
    "control characters": from_note(
        Note(findings=(_SAID.model_copy(update={"text": "a\x00b\x1bc\x85d"}),)), examination_id="odd"
    ),
}


@pytest.mark.parametrize("what", HARD)
def test_hard_examinations_in_every_format(what: str) -> None:
    subject = HARD[what]
    for name in FORMATS:
        assert render(subject, name), name
    Bundle.model_validate(fhir_bundle(subject))
    assert read_fhir(json.loads(write_fhir(subject)), name="x") == subject
    strictly(write_hl7(subject))
    parsed(write_phenopacket(subject))
    ElementTree.fromstring(render(subject, "figure"))
    with zipfile.ZipFile(io.BytesIO(render(subject, "letter-docx"))) as file:
        ElementTree.fromstring(file.read("word/document.xml"))


def test_hard_examinations_are_valid_fhir() -> None:
    faults = node_faults([fhir_bundle(subject) for subject in HARD.values()])
    assert faults == [{"schema": [], "profile": []}] * len(HARD)


SILENT = from_note(
    Note(
        findings=(
            Finding(
                item="fundi",
                side="both",
                status="not_examined",
                text="fundi not seen",
                start_char=0,
                end_char=14,
                reason="small pupils",
            ),
            Finding(
                item="reflex",
                site="ankle",
                side="left",
                status="not_examined",
                text="left ankle not tested",
                start_char=16,
                end_char=37,
            ),
        ),
        slots=(
            Slot(item="plantar", side="left", state="missing", required_by="core_screen"),
            Slot(item="plantar", side="right", state="asked_no_result", required_by="core_screen"),
            Slot(item="reflex", site="knee", side="left", state="side_unstated", required_by="core_screen"),
            Slot(
                item="fundi",
                side="left",
                state="not_examined",
                reason="small pupils",
                required_by="core_screen",
            ),
        ),
    ),
    examination_id="silent",
)
# Where a format may print the word: the page style, the figure's legend, names of the JSON schema.
LOOKS_NORMAL = {
    "json": '"status": "normal"',
    "fhir": '"code": "N"',
    "phenopacket": 'phenotypicFeatures": [\n  {',
    "hl7": "|N|",
    "letter-text": "normal",
    "letter-markdown": "normal",
    "letter-html": "was normal",
    "figure": 'class="shape"',
}


@pytest.mark.parametrize("name", LOOKS_NORMAL)
def test_what_was_not_examined_never_looks_normal(name: str) -> None:
    page = render(SILENT, name).decode("utf-8")
    assert LOOKS_NORMAL[name] not in page
    assert "small pupils" in page or name == "figure"


def test_what_was_not_examined_never_looks_normal_in_word_and_tables(tmp_path: Path) -> None:
    document = docx.Document(io.BytesIO(render(SILENT, "letter-docx")))
    words = "\n".join(paragraph.text for paragraph in document.paragraphs)
    assert "normal" not in words
    assert "small pupils" in words
    write_tables([SILENT], tmp_path)
    for path in tmp_path.glob("*s.csv"):
        assert "normal" not in path.read_text(encoding="utf-8-sig")


@pytest.mark.parametrize("name", LOOKS_NORMAL)
def test_the_same_looks_normal_when_it_was(name: str) -> None:
    """So that the test above cannot pass by looking for the wrong thing."""
    normal = tuple(
        finding.model_copy(update={"status": "normal", "reason": None, "codes": (_EXCLUDED,)})
        for finding in SILENT.note.findings
    )
    subject = from_note(Note(findings=normal), examination_id="e")
    assert LOOKS_NORMAL[name] in render(subject, name).decode("utf-8")
