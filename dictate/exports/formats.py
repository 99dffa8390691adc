"""The list of export formats, and writing examinations in them; the command and the desk both use it.

render(subject, "fhir")                      bytes of one format of one examination
write_all(subjects, ["fhir", "tables"], folder)   files of many, streamed
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from dictate.errors import InputError, SettingsError
from dictate.exports.subject import ExportInput

TABLES = "tables"


@dataclass(frozen=True)
class Options:
    """Choices of letters. `template`: a clinic's own; `as_table`: rows instead of sentences."""

    template: Path | None = None
    as_table: bool = False


@dataclass(frozen=True)
class Format:
    """One format: name on the command line, file ending, media type, what it is, and its writer."""

    name: str
    suffix: str
    media_type: str
    about: str
    write: Callable[[ExportInput, Options], bytes]


def _json(subject: ExportInput, _: Options) -> bytes:
    from dictate.exports.json_note import write_json

    return write_json(subject).encode()


def _fhir(subject: ExportInput, _: Options) -> bytes:
    from dictate.exports.fhir import write_fhir

    return write_fhir(subject).encode()


def _phenopacket(subject: ExportInput, _: Options) -> bytes:
    from dictate.exports.phenopacket import write_phenopacket

    return write_phenopacket(subject).encode()


def _hl7(subject: ExportInput, _: Options) -> bytes:
    from dictate.exports.hl7v2 import write_hl7

    return write_hl7(subject).encode()


def _figure(subject: ExportInput, _: Options) -> bytes:
    from dictate.figure import figure

    return figure(subject.note, draft=subject.is_draft).encode()


def _letter(kind: str) -> Callable[[ExportInput, Options], bytes]:
    def write(subject: ExportInput, options: Options) -> bytes:
        from dictate.exports import letter_docx, letter_render
        from dictate.exports.letter import letter

        contents = letter(subject, as_table=options.as_table)
        if kind == "docx":
            return letter_docx.docx(contents, template=options.template)
        if kind == "pdf":
            return letter_render.pdf(contents, template=options.template)
        page = letter_render.render(contents, letter_render.SUFFIXES[f".{kind}"], template=options.template)
        return page.encode()

    return write


_WORD = "application/vnd.openxmlformats-officedocument.wordprocessingml.document"
FORMATS: dict[str, Format] = {
    entry.name: entry
    for entry in (
        Format("json", ".json", "application/json", "the note, whole; `dictate import` reads it back", _json),
        Format("fhir", ".fhir.json", "application/fhir+json", "HL7 FHIR R4 document", _fhir),
        Format("phenopacket", ".phenopacket.json", "application/json", "GA4GH Phenopacket v2", _phenopacket),
        Format("hl7", ".hl7", "x-application/hl7-v2+er7", "HL7 v2.5.1 ORU^R01", _hl7),
        Format("letter-docx", ".docx", _WORD, "letter for Word", _letter("docx")),
        Format("letter-pdf", ".pdf", "application/pdf", "letter as PDF", _letter("pdf")),
        Format("letter-html", ".html", "text/html; charset=utf-8", "letter as HTML", _letter("html")),
        Format("letter-text", ".txt", "text/plain; charset=utf-8", "letter as plain text", _letter("txt")),
        Format("letter-markdown", ".md", "text/markdown; charset=utf-8", "letter as Markdown", _letter("md")),
        Format("figure", ".svg", "image/svg+xml", "reflex figure", _figure),
    )
}
NAMES = (*FORMATS, TABLES)


def check_names(names: Sequence[str]) -> None:
    """SettingsError when a format is not known."""
    for name in names:
        if name not in NAMES:
            raise SettingsError(f"There is no format '{name}'; known are {', '.join(NAMES)}.")


def render(subject: ExportInput, name: str, options: Options | None = None) -> bytes:
    """One examination in one format (not for tables, which are several files).

    Raises:
        SettingsError: the format is not known, or its library is not installed.
        InputError: the format cannot hold this examination, or a template is faulty.
    """
    if name not in FORMATS:
        raise SettingsError(f"There is no format '{name}' for one examination; known are {', '.join(FORMATS)}.")
    return FORMATS[name].write(subject, options or Options())


def write_all(
    subjects: Iterable[ExportInput],
    names: Sequence[str],
    folder: Path,
    *,
    options: Options | None = None,
    replace: bool = False,
    progress: Callable[[ExportInput], None] = lambda subject: None,
) -> list[Path]:
    """Write every examination in every format into a folder; the paths in the order of writing.

    Examinations are taken one by one, so memory does not grow with their number.

    Raises:
        InputError: a file is there already and `replace` is false; it is not overwritten.
    """
    check_names(names)
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    used: set[str] = set()

    def each() -> Iterator[ExportInput]:
        for subject in subjects:
            stem = _stem(subject.examination_id, used)
            for name in names:
                if name != TABLES:
                    path = folder / (stem + FORMATS[name].suffix)
                    data = render(subject, name, options)
                    _write(path, data, replace=replace)
                    written.append(path)
            progress(subject)
            yield subject

    if TABLES in names:
        from dictate.exports.tables import FILES, write_tables

        for name in FILES:
            _free(folder / name, replace=replace)
        written += write_tables(each(), folder)
    else:
        for _ in each():
            pass
    return written


def _stem(examination_id: str, used: set[str]) -> str:
    """A file name for the examination: safe on every system, and no other examination's."""
    safe = re.sub(r"[^A-Za-z0-9._-]+", "_", examination_id).strip("._")[:80] or "examination"
    if safe.isdecimal():
        safe = f"examination-{safe}"
    stem, number = safe, 2
    while stem.lower() in used:
        stem, number = f"{safe}-{number}", number + 1
    used.add(stem.lower())
    return stem


def _free(path: Path, *, replace: bool) -> None:
    if path.exists() and not replace:
        raise InputError(f"'{path}' is there already. Choose another folder with --out, or add --replace.")


def _write(path: Path, data: bytes, *, replace: bool) -> None:
    """Write whole or not at all: a broken-off export leaves no half file."""
    _free(path, replace=replace)
    part = path.with_name(path.name + ".part")
    part.write_bytes(data)
    part.replace(path)
