"""The stream of notes cut into numbered parts, the unit of work, of storage and of restarting.

Where a part ends depends only on the notes, so the same input gives the same parts. A part's fingerprint
covers all that its result depends on; a recording is known by its path, size and time of change.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from dictate.archive.inputs import InputNote

MAX_PART_CHARS = 4_000_000
RECORDING_WEIGHT = 12  # a recording costs as much as many transcripts: fewer of them are lost at a kill


@dataclass(frozen=True, slots=True)
class Part:
    """A run of consecutive notes."""

    number: int
    notes: tuple[InputNote, ...]
    fingerprint: str

    @property
    def units(self) -> int:
        """Its share of the input's size (files, bytes or rows)."""
        return sum(note.units for note in self.notes)


def fingerprint(notes: Iterable[InputNote], extra: str = "") -> str:
    """A digest of everything that the notes' findings depend on."""
    digest = hashlib.sha256(extra.encode())
    for note in notes:
        fault = f"{note.fault.reason}:{note.fault.detail}" if note.fault else ""
        fields = (
            str(note.position),
            note.note_id,
            note.kind,
            note.text,
            note.path,
            note.stamp,
            note.date,
            note.clinician,
            ";".join(note.complaint),
            fault,
        )
        for field in fields:
            data = b"" if field is None else field.encode("utf-8", "surrogatepass")
            digest.update(len(data).to_bytes(8, "big"))
            digest.update(data)
    return digest.hexdigest()


def cut(notes: Iterable[InputNote], *, part_notes: int, extra: str = "") -> Iterator[Part]:
    """Parts of at most `part_notes` transcripts (recordings: a 12th of that), 4 million characters."""
    held: list[InputNote] = []
    weight = chars = number = 0
    for note in notes:
        note_weight = RECORDING_WEIGHT if note.kind == "recording" and note.fault is None else 1
        note_chars = len(note.text or "")
        if held and (weight + note_weight > part_notes or chars + note_chars > MAX_PART_CHARS):
            yield Part(number, tuple(held), fingerprint(held, extra))
            number, held, weight, chars = number + 1, [], 0, 0
        held.append(note)
        weight += note_weight
        chars += note_chars
    if held:
        yield Part(number, tuple(held), fingerprint(held, extra))
