"""The letter: what stands in it, a clinic's own template, page numbers, and what a template may not do."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from datetime import UTC, date, datetime
from pathlib import Path

import docx
import pytest

from dictate.errors import InputError
from dictate.exports.letter import letter
from dictate.exports.letter_docx import docx as write_docx
from dictate.exports.letter_render import Kind, css_safe, markdown_safe, pdf, render
from dictate.exports.subject import ExportInput, Signature, fingerprint
from grammar import parse

TEXT = (
    "tone in the arms is normal, there is a supinator catch on the left. plantar flexor on the right, "
    "extensor on the left. fundi not seen"
)
AT = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)


def _subject(*, signed: bool = False) -> ExportInput:
    note = parse(TEXT).note
    return ExportInput(
        examination_id="2031",
        patient_ref="P-17",
        patient_name="Zoë Ünal",
        birth_date=date(1961, 4, 2),
        clinician="Dr Ada Quill",
        started_at=AT,
        status="signed" if signed else "draft",
        signature=Signature(signed_by="Dr Ada Quill", signed_at=AT, fingerprint=fingerprint(note)) if signed else None,
        note=note,
    )


NEEDS_PDFTOTEXT = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")
KINDS: tuple[Kind, ...] = ("txt", "md", "html")


@pytest.mark.parametrize("kind", KINDS)
def test_what_stands_in_a_letter(kind: Kind) -> None:
    page = re.sub(r"\s+", " ", render(letter(_subject()), kind))
    for words in (
        "DRAFT, not signed",
        "There was a supinator catch on the left.",
        "The plantar response was flexor on the right and extensor on the left.",
        "Fundi, both sides: no reason said",
        "Hopping, right and left: nothing said",
        "excluded: Babinski sign",
        "This tool does not diagnose",
        "02 April 1961",
        "Signature:",
    ):
        assert words.replace("_", "\\_") in page or words in page, words


@pytest.mark.parametrize("kind", KINDS)
def test_a_signed_letter_has_no_marking_and_the_facts_of_signing(kind: Kind) -> None:
    page = render(letter(_subject(signed=True)), kind)
    assert "DRAFT" not in page
    assert "Signed by Dr Ada Quill, 01 March 2026, 09:30 UTC" in page
    assert fingerprint(_subject().note) in page


@pytest.mark.parametrize("kind", KINDS)
def test_the_table_form_has_the_words_of_the_clinician(kind: Kind) -> None:
    page = render(letter(_subject(), as_table=True), kind)
    assert "There was a supinator catch" not in page
    assert "Supinator catch" in page
    if kind != "txt":
        assert "supinator catch on the left" in page


@NEEDS_PDFTOTEXT
def test_the_pdf_has_pages_with_numbers_and_the_marking() -> None:
    made = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=pdf(letter(_subject())), capture_output=True, check=True
    )
    pages = made.stdout.decode("utf-8").split("\f")[:-1]
    for number, page in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in page
        assert "DRAFT, not signed" in page
    assert "supinator catch on the left" in " ".join(pages[0].split())


def test_the_word_document_has_a_footer_with_fields_and_a_described_picture() -> None:
    document = docx.Document(io.BytesIO(write_docx(letter(_subject()))))
    footer = document.sections[0].footer._element.xml
    assert "DRAFT, not signed" in footer
    assert footer.count("instrText") == 4
    assert "NUMPAGES" in footer
    assert "plantar response, left: abnormal" in document.inline_shapes[0]._inline.docPr.get("descr")
    assert document.tables[0].cell(0, 1).text == "Zoë Ünal"


def test_without_fonts_the_figure_is_given_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dictate.exports.letter_docx._can_write", lambda: False)
    document = docx.Document(io.BytesIO(write_docx(letter(_subject()))))
    assert len(document.inline_shapes) == 0
    assert "plantar response, left: abnormal" in "\n".join(p.text for p in document.paragraphs)


def test_a_word_letterhead_is_kept(tmp_path: Path) -> None:
    head = docx.Document()
    head.sections[0].header.paragraphs[0].text = "CLINIC FOR INVENTED PATIENTS"
    head.save(tmp_path / "head.docx")
    document = docx.Document(io.BytesIO(write_docx(letter(_subject()), template=tmp_path / "head.docx")))
    assert document.sections[0].header.paragraphs[0].text == "CLINIC FOR INVENTED PATIENTS"


def test_a_clinics_own_text_template(tmp_path: Path) -> None:
    path = tmp_path / "ours.txt"
    path.write_text("OUR CLINIC {{ letter.marking }}\n{{ letter.sections[0].sentences[0] }}", encoding="utf-8")
    page = render(letter(_subject()), "txt", template=path)
    assert page == "OUR CLINIC DRAFT, not signed\nTone in the arms was normal on both sides."


REFUSED = [
    ("{{ letter.title ", "is faulty"),
    ("{{ letter.marking }} {{ letter.colour }}", "cannot be filled in"),
    ("{{ letter.title }}", "does not print {{ letter.marking }}"),
    ("{{ letter.marking }} {{ letter.__class__.__mro__ }}", "cannot be filled in"),
    ("{{ letter.marking }} {% include '/etc/passwd' %}", "cannot be filled in"),
    ("{{ letter.marking }} {{ 1 / 0 }}", "cannot be filled in"),
]


@pytest.mark.parametrize(("source", "message"), REFUSED)
def test_a_template_that_is_faulty_or_reaches_out_is_refused(tmp_path: Path, source: str, message: str) -> None:
    path = tmp_path / "ours.html"
    path.write_text(source, encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(message)):
        render(letter(_subject()), "html", template=path)


def test_a_pdf_template_that_points_outside_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "ours.html"
    path.write_text("<p>{{ letter.marking }}</p><img src='file:///etc/hostname'>", encoding="utf-8")
    with pytest.raises(InputError, match="points to something outside itself"):
        pdf(letter(_subject()), template=path)


def test_templates_that_are_not_there_or_not_word(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        render(letter(_subject()), "txt", template=tmp_path / "gone.txt")
    (tmp_path / "no.docx").write_text("no", encoding="utf-8")
    with pytest.raises(InputError, match="is no Word document"):
        write_docx(letter(_subject()), template=tmp_path / "no.docx")


def test_spoken_markup_stays_words() -> None:
    subject = _subject()
    note = subject.note.model_copy(update={"unread": (), "caution": "<script>alert(1)</script> *bold* {{ 7*7 }}"})
    made = letter(subject.model_copy(update={"note": note}))
    assert "<script>alert" not in render(made, "html")
    assert "&lt;script&gt;" in render(made, "html")
    assert "\\*bold\\*" in render(made, "md")
    assert "{{ 7*7 }}" in render(made, "txt")


MARKDOWN = [
    ("1. one", "1\\. one"),
    ("- x", "\\- x"),
    ("a*b_c|d", "a\\*b\\_c\\|d"),
    ("two\nlines", "two lines"),
    ("4-/5", "4-/5"),
]


@pytest.mark.parametrize(("text", "expected"), MARKDOWN)
def test_markdown_safe(text: str, expected: str) -> None:
    assert markdown_safe(text) == expected


def test_css_safe() -> None:
    assert css_safe('DRAFT, not signed"; } body { x') == "DRAFT, not signed  body  x"
