"""What an export starts from: a note with whose it is, who examined, when, and whether it is signed.

Exports are pure: they read no clock, no settings and no store; everything they print is in `ExportInput`.
The store fills it from an examination; `from_note` fills it from a bare note, which is always a draft.
"""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime
from typing import Literal, Self

from pydantic import AwareDatetime, Field, field_validator, model_validator

from dictate import __version__
from dictate.errors import InputError
from grammar.models import Frozen, Note

NoteStatus = Literal["draft", "signed", "amended"]
UNKNOWN_PATIENT = "not stated"
# In words for people; the machine formats map the same three to their own codes.
STATUS_WORDS: dict[NoteStatus, str] = {
    "draft": "DRAFT, not signed",
    "signed": "Signed",
    "amended": "Amended after signing",
}


class Signature(Frozen):
    """The facts of signing: who, when, and the fingerprint of exactly what was signed."""

    signed_by: str = Field(min_length=1, max_length=300)
    signed_at: AwareDatetime
    fingerprint: str = Field(pattern=r"^[0-9a-f]{64}$")
    """SHA-256 of the signed note as `fingerprint()` computes it."""
    reason: str | None = Field(default=None, max_length=2000)
    """Why the note was amended; None for a first signature."""


class ExportInput(Frozen):
    """One examination, ready to be written in any format. Times carry their zone."""

    examination_id: str = Field(min_length=1, max_length=200)
    patient_ref: str = Field(default=UNKNOWN_PATIENT, min_length=1, max_length=200)
    """The clinic's own reference of the patient."""
    patient_name: str | None = Field(default=None, max_length=300)
    birth_date: date | None = None
    clinician: str | None = Field(default=None, max_length=300)
    place: str | None = Field(default=None, max_length=300)
    """Clinic or ward, as it shall be printed."""
    encounter: str | None = Field(default=None, max_length=200)
    """The clinic's own reference of the visit."""
    started_at: AwareDatetime
    ended_at: AwareDatetime | None = None
    status: NoteStatus = "draft"
    signature: Signature | None = None
    tool_version: str = __version__
    note: Note

    @field_validator("examination_id", "patient_ref", "patient_name", "clinician", "place", "encounter")
    @classmethod
    def _one_line(cls, value: str | None) -> str | None:
        if value is not None and any(ord(char) < 32 or ord(char) == 127 for char in value):
            raise ValueError("holds a line break or control character")
        if value is not None and not value.strip():
            raise ValueError("is blank")
        return value

    @model_validator(mode="after")
    def _signature_fits(self) -> Self:
        if (self.signature is None) != (self.status == "draft"):
            raise ValueError("a signed or amended note needs its signature, and a draft has none")
        if self.ended_at is not None and self.ended_at < self.started_at:
            raise ValueError("ended_at is before started_at")
        return self

    @property
    def is_draft(self) -> bool:
        """True unless the note was signed."""
        return self.status == "draft"


def fingerprint(note: Note) -> str:
    """SHA-256 (hex) of the note's JSON: the same for equal notes, whatever store or file they come from."""
    return hashlib.sha256(note.model_dump_json(by_alias=True).encode("utf-8")).hexdigest()


def require_signed(subject: ExportInput, *, allow_draft: bool) -> None:
    """Refuse a draft unless it was asked for.

    Raises:
        InputError: the note is a draft and `allow_draft` is false, or its text changed after signing.
    """
    if subject.is_draft and not allow_draft:
        raise InputError(
            f"Examination '{subject.examination_id}' is a draft: sign it first, or add --draft "
            "to export it marked as a draft."
        )
    if subject.signature is not None and subject.signature.fingerprint != fingerprint(subject.note):
        raise InputError(
            f"Examination '{subject.examination_id}' is not what was signed: its fingerprint differs. "
            "Open it, check it and sign it again."
        )


def from_note(
    note: Note,
    *,
    examination_id: str,
    patient_ref: str = UNKNOWN_PATIENT,
    clinician: str | None = None,
    started_at: datetime | None = None,
) -> ExportInput:
    """A draft around a bare note; without a time, 1970 stands for "time not stated"."""
    return ExportInput(
        examination_id=examination_id,
        patient_ref=patient_ref,
        clinician=clinician,
        started_at=started_at or datetime(1970, 1, 1, tzinfo=UTC),
        note=note,
    )
