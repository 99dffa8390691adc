"""Where examinations to export come from: note files, earlier exports (JSON, FHIR), and the store."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from dictate.errors import InputError
from dictate.exports.json_note import read_json
from dictate.exports.subject import ExportInput, require_signed
from dictate.reading import read_text

if TYPE_CHECKING:
    from dictate.storage import Store


def read_examinations(name: str) -> list[ExportInput]:
    """The examinations of a file ("-" is standard input): JSON lines of notes, one export in JSON, or FHIR.

    Raises:
        InputError: the file holds none of these.
    """
    text = read_text(name)
    stem = Path(name).stem if name != "-" else "standard input"
    try:
        data: Any = json.loads(text)
    except json.JSONDecodeError:
        lines = [line for line in text.split("\n") if line.strip()]  # splitlines() would cut inside a transcript
        if len(lines) < 2:
            return [read_json(text, name=stem)]
        return [read_json(line, name=f"{stem}-{number}") for number, line in enumerate(lines, 1)]
    if isinstance(data, dict) and data.get("resourceType") == "Bundle":
        from dictate.exports.fhir_reader import read_fhir

        return [read_fhir(data, name=name)]
    return [read_json(text, name=stem)]


def wanted(
    names: Iterable[str],
    *,
    all_signed: bool = False,
    draft: bool = False,
    patient_ref: str | None = None,
    clinician: str | None = None,
) -> Iterator[ExportInput]:
    """The examinations a user asked for: files by name, examinations of the store by number.

    Args:
        names: file names, "-", or numbers of the store.
        all_signed: every signed examination of the store as well.
        draft: allow drafts; without it a draft is refused.
        patient_ref: patient of bare notes, which do not say it.
        clinician: clinician of bare notes.

    Raises:
        InputError: nothing was asked for, a file is unusable, or a draft was not allowed.
        StoreError: there is no such examination, or no store.
    """
    names = list(names)
    if not names and not all_signed:
        raise InputError("Nothing to export: name note files or numbers of examinations, or add --all-signed.")
    said = {"patient_ref": patient_ref, "clinician": clinician}
    numbers = [name for name in names if name.isdecimal() and not Path(name).exists()]
    opened: Any = _store() if numbers or all_signed else nullcontext()
    with opened as store:
        for name in names:
            if name in numbers:
                subjects = [_from_store(store, int(name), draft)]
            else:
                subjects = [_with(subject, said) for subject in read_examinations(name)]
            for subject in subjects:
                require_signed(subject, allow_draft=draft)
                yield subject
        if all_signed:
            from dictate.storage.exporting import all_signed as every_signed

            with _clear_sentence("--all-signed"):
                for subject in every_signed(store):
                    require_signed(subject, allow_draft=False)
                    yield subject


def _with(subject: ExportInput, said: dict[str, str | None]) -> ExportInput:
    """What the command line says of a bare note; an export keeps what it says itself."""
    if not subject.is_draft:
        return subject
    facts = {key: value for key, value in said.items() if value is not None}
    with _clear_sentence(subject.examination_id):
        return ExportInput(**{**subject.model_dump(exclude={"note"}), **facts, "note": subject.note})


@contextmanager
def _clear_sentence(number: int | str) -> Iterator[None]:
    """Turn a fact that cannot be exported (a patient reference of two lines, say) into one sentence."""
    try:
        yield
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(map(str, first["loc"])) or "examination"
        raise InputError(
            f"Examination '{number}' cannot be exported: {field} "
            f"{first['msg'].removeprefix('Value error, ')}. Correct it and export again."
        ) from None


def _store() -> Store:
    from dictate.settings import load_settings
    from dictate.storage import open_store

    return open_store(load_settings(), create=False)


def _from_store(store: Store, number: int, draft: bool) -> ExportInput:
    from dictate.storage.exporting import export_input

    with _clear_sentence(number):
        return export_input(store, number, draft=draft and not store.head(number).signed_version)
