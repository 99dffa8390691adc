"""What `dictate export` does: choose examinations, change them as asked, write them, say what was written."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from dictate.errors import SettingsError
from dictate.exports.deidentify import Deidentifier
from dictate.exports.formats import FORMATS, NAMES, TABLES, Options, check_names, render, write_all
from dictate.exports.json_note import json_schema
from dictate.exports.sources import wanted
from dictate.exports.subject import ExportInput, fingerprint
from grammar.codes import CodeTable, load_table, with_codes
from grammar.errors import DataError

REPORT = "deidentification_report.json"


@dataclass(frozen=True)
class Wish:
    """The options of the command, as they were given."""

    what: tuple[str, ...] = ()
    formats: tuple[str, ...] = ()
    out: str = "."
    all_signed: bool = False
    draft: bool = False
    replace: bool = False
    template: Path | None = None
    table: bool = False
    codes: tuple[Path, ...] = ()
    deidentify: bool = False
    key_file: Path | None = None
    patient_ref: str | None = None
    clinician: str | None = None
    as_json: bool = False


def run(wish: Wish) -> None:
    """Export what was wished for.

    Raises:
        DictateError: an option makes no sense, or an examination cannot be exported as asked.
    """
    if not wish.formats:
        raise SettingsError(f"Name a format with --format: {', '.join(NAMES)}.")
    check_names(wish.formats)
    tables = _tables(wish.codes)
    deidentifier = _deidentifier(wish)
    options = Options(template=wish.template, as_table=wish.table)
    subjects = _prepared(wish, tables, deidentifier)
    if wish.out == "-":
        _to_standard_output(subjects, wish.formats, options)
        return
    folder = Path(wish.out)
    with Progress(console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as progress:
        task = progress.add_task("Exporting", total=None)
        paths = write_all(
            subjects,
            list(dict.fromkeys(wish.formats)),
            folder,
            options=options,
            replace=wish.replace,
            progress=lambda subject: progress.advance(task),
        )
    removed = deidentifier.report().model_dump() if deidentifier else None
    if removed is not None:
        report = folder / REPORT
        report.write_text(json.dumps(removed, indent=1) + "\n", encoding="utf-8")
        paths.append(report)
    _say(paths, removed, as_json=wish.as_json)


def print_formats(*, as_json: bool) -> None:
    """List the formats."""
    about = {name: entry.about for name, entry in FORMATS.items()}
    about[TABLES] = "findings and slots as CSV and Parquet, with a data dictionary"
    if as_json:
        print(json.dumps(about))
        return
    width = max(map(len, about))
    for name, words in about.items():
        print(f"{name:{width}}  {words}")


def print_schema(what: str) -> None:
    """Print the JSON Schema of "note" or "examination"."""
    if what == "note":
        print(json.dumps(json_schema("note"), indent=1))
    elif what == "examination":
        print(json.dumps(json_schema("examination"), indent=1))
    else:
        raise SettingsError(f"There is no schema '{what}'; known are note and examination.")


def _prepared(wish: Wish, tables: tuple[CodeTable, ...], deidentifier: Deidentifier | None) -> Iterator[ExportInput]:
    changes: list[Callable[[ExportInput], ExportInput]] = []
    if tables:
        changes.append(lambda subject: _with_codes(subject, tables))
    if deidentifier is not None:
        changes.append(deidentifier)
    for subject in wanted(
        wish.what,
        all_signed=wish.all_signed,
        draft=wish.draft,
        patient_ref=wish.patient_ref,
        clinician=wish.clinician,
    ):
        for change in changes:
            subject = change(subject)
        yield subject


def _with_codes(subject: ExportInput, tables: tuple[CodeTable, ...]) -> ExportInput:
    """The examination with a clinic's codes; the fingerprint is that of the note as exported."""
    note = with_codes(subject.note, tables)
    signature = subject.signature
    if signature is not None and note != subject.note:
        signature = signature.model_copy(update={"fingerprint": fingerprint(note)})
    return subject.model_copy(update={"note": note, "signature": signature})


def _tables(paths: tuple[Path, ...]) -> tuple[CodeTable, ...]:
    try:
        return tuple(load_table(path) for path in paths)
    except DataError as error:
        raise SettingsError(str(error)) from None


def _deidentifier(wish: Wish) -> Deidentifier | None:
    if not wish.deidentify:
        if wish.key_file is not None:
            raise SettingsError("--key-file is for --deidentify; add that, or leave the key out.")
        return None
    if wish.key_file is None:
        raise SettingsError("--deidentify needs --key-file FILE with a secret key of 16 bytes or more.")
    try:
        return Deidentifier(wish.key_file.read_bytes())
    except OSError as error:
        raise SettingsError(
            f"The key file '{wish.key_file}' cannot be read ({error.strerror or error}); check the name."
        ) from None


def _to_standard_output(subjects: Iterator[ExportInput], formats: tuple[str, ...], options: Options) -> None:
    if len(formats) != 1 or formats[0] == TABLES:
        raise SettingsError("--out - prints exactly one format of one file each; name a folder for the others.")
    for subject in subjects:
        sys.stdout.buffer.write(render(subject, formats[0], options))
    sys.stdout.buffer.flush()


def _say(paths: list[Path], removed: dict[str, object] | None, *, as_json: bool) -> None:
    if as_json:
        print(json.dumps({"files": [str(path) for path in paths], "removed": removed}))
        return
    for path in paths:
        print(path)
    if removed is not None:
        print(f"Removed or replaced: {json.dumps(removed)}. Rare findings can still single a person out.")
