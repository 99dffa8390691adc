"""What an export may start from, and what is refused."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from pydantic import ValidationError

from dictate.errors import InputError
from dictate.exports.subject import ExportInput, Signature, fingerprint, from_note, require_signed
from grammar.models import Note
from tests.strategies import subjects

AT = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
SIGNED = Signature(signed_by="Dr Ada Quill", signed_at=AT, fingerprint=fingerprint(Note()))

REFUSED = [
    ({"status": "signed"}, "needs its signature"),
    ({"signature": SIGNED}, "a draft has none"),
    ({"patient_ref": "two\nlines"}, "line break"),
    ({"patient_ref": "   "}, "is blank"),
    ({"started_at": datetime(2026, 3, 1)}, "timezone"),
    ({"ended_at": datetime(2020, 3, 1, tzinfo=UTC)}, "before started_at"),
    ({"patient_name": "x" * 301}, "at most 300"),
]


@pytest.mark.parametrize(("change", "message"), REFUSED)
def test_facts_that_cannot_be(change: dict, message: str) -> None:
    facts = {"examination_id": "e1", "started_at": AT, "note": Note(), **change}
    with pytest.raises(ValidationError, match=message):
        ExportInput(**facts)


def test_a_bare_note_is_a_draft_and_needs_asking_for() -> None:
    subject = from_note(Note(), examination_id="e1")
    assert subject.is_draft
    require_signed(subject, allow_draft=True)
    with pytest.raises(InputError, match="is a draft: sign it first, or add --draft"):
        require_signed(subject, allow_draft=False)


def test_a_note_changed_after_signing_is_refused() -> None:
    note = Note(transcript="changed")
    subject = ExportInput(examination_id="e1", started_at=AT, status="signed", signature=SIGNED, note=note)
    with pytest.raises(InputError, match="not what was signed"):
        require_signed(subject, allow_draft=True)


@settings(max_examples=40, deadline=None)
@given(subjects())
def test_random_examinations_are_valid_and_survive_their_own_json(subject: ExportInput) -> None:
    require_signed(subject, allow_draft=True)
    assert ExportInput.model_validate_json(subject.model_dump_json()) == subject
