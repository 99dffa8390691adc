"""JSON: lossless, versioned, and refused with a sentence when it is something else."""

from __future__ import annotations

import json

import jsonschema
import pytest
from hypothesis import given, settings

from dictate.errors import InputError
from dictate.exports.json_note import json_schema, read_json, write_json
from dictate.exports.subject import ExportInput
from grammar.models import Note
from tests.strategies import notes, subjects

EXAMINATION = jsonschema.Draft202012Validator(json_schema("examination"))
NOTE = jsonschema.Draft202012Validator(json_schema("note"))


@settings(max_examples=25, deadline=None)
@given(subjects())
def test_what_is_written_is_valid_and_comes_back_equal(subject: ExportInput) -> None:
    text = write_json(subject)
    EXAMINATION.validate(json.loads(text))
    assert read_json(text, name="x") == subject


@settings(max_examples=25, deadline=None)
@given(notes())
def test_a_bare_note_comes_back_as_a_draft(note: Note) -> None:
    text = note.model_dump_json(by_alias=True)
    NOTE.validate(json.loads(text))
    subject = read_json(text, name="visit")
    assert subject.note == note
    assert subject.status == "draft"
    assert subject.examination_id == "visit"


@settings(max_examples=20, deadline=None)
@given(subjects())
def test_the_file_says_whether_it_is_a_draft(subject: ExportInput) -> None:
    marking = json.loads(write_json(subject))["marking"]
    assert ("DRAFT" in marking) == (subject.status == "draft")


def test_the_schemas_are_valid_and_versioned() -> None:
    for what in ("note", "examination"):
        schema = json_schema(what)
        jsonschema.Draft202012Validator.check_schema(schema)
        assert schema["$id"].endswith(f"{what}-1.json")


REFUSED = [
    ("", "'f' is not JSON"),
    ("{", "'f' is not JSON"),
    ("[]", "holds no note"),
    ('{"schema": "1", "colour": "red"}', "not a note of schema 1: colour"),
    ('{"schema": "1", "findings": [{"item": "gait"}]}', r"findings\.0\.side: Field required"),
    ('{"format": "spoken-exam-examination"}', "marking: Field required"),
]


@pytest.mark.parametrize(("text", "message"), REFUSED)
def test_something_else_is_refused(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_json(text, name="f")
