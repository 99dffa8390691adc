"""JSON: the examination with its note, whole and lossless, and the JSON Schema of what is written.

The file says what it is (`format`, `format_version`) and whether it is a draft, and holds `ExportInput`.
`read_json` takes it back, and also the bare note that `dictate read --json` prints.
"""

from __future__ import annotations

import json
from typing import Any, Literal

from pydantic import Field, ValidationError

from dictate.errors import InputError
from dictate.exports.subject import STATUS_WORDS, ExportInput, from_note
from grammar.models import CAUTION, Frozen, Note

FORMAT = "spoken-exam-examination"


class ExaminationFile(Frozen):
    """The JSON file of one examination."""

    format: Literal["spoken-exam-examination"] = "spoken-exam-examination"
    format_version: Literal["1"] = "1"
    marking: str = Field(description="DRAFT, Signed or Amended in words; the binding value is examination.status")
    caution: str = CAUTION
    examination: ExportInput


def write_json(subject: ExportInput) -> str:
    """One examination as JSON text, keys in a fixed order."""
    file = ExaminationFile(marking=STATUS_WORDS[subject.status], examination=subject)
    return file.model_dump_json(by_alias=True, indent=1) + "\n"


def read_json(text: str, *, name: str) -> ExportInput:
    """An examination from our JSON file, or a draft from a bare note.

    Args:
        text: the file's text.
        name: what to call it in errors, and the examination's id when the text has none.

    Raises:
        InputError: the text is neither, with the first fault and its place.
    """
    try:
        data = json.loads(text)
    except json.JSONDecodeError as error:
        raise InputError(f"'{name}' is not JSON (line {error.lineno}: {error.msg}). Export it again.") from None
    if not isinstance(data, dict):
        raise InputError(f"'{name}' holds no note. Give a note as `dictate read --json` prints it, or an export.")
    try:
        if data.get("format") == FORMAT:
            return ExaminationFile.model_validate_json(text).examination
        return from_note(Note.model_validate_json(text), examination_id=name)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(map(str, first["loc"])) or "top level"
        raise InputError(
            f"'{name}' is not a note of schema 1: {place}: {first['msg']} "
            f"({error.error_count()} faults in all). Export it again with this version."
        ) from None


def json_schema(what: Literal["note", "examination"] = "examination") -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the note, or of the examination file, versioned by its `$id`."""
    model: type[Note] | type[ExaminationFile] = Note if what == "note" else ExaminationFile
    schema = model.model_json_schema(by_alias=True)
    version = Note().schema_ if what == "note" else "1"
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"http://spoken-exam.example/schema/{what}-{version}.json",
        **schema,
    }
