"""What is kept of one draft: the note as it stands, and what people decided about it.

A Document is written whole with every revision and never changed afterwards. `note` is the note as it stands
(schema "1" of the grammar); at revision 0 it is the machine's own note, to the byte. The other fields say who
brought what into it. Word places [start, end) count characters of `note.transcript`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from dictate.events import Word
from grammar.models import Finding, Frozen, Note, Query, TextSpan

Origin = Literal["machine", "phrase", "catalogue", "dictated"]
State = Literal["draft", "asked_back", "ready", "signed", "amended"]
OPEN_STATES: tuple[State, ...] = ("draft", "asked_back", "ready")
CLOSED_STATES: tuple[State, ...] = ("signed", "amended")


class Entry(Frozen):
    """A finding with a number that stays the same while others come and go."""

    number: int
    finding: Finding
    origin: Origin = "machine"
    by: str = ""
    at: str = ""
    withdrawn: bool = False
    was: Finding | None = None
    """What it said before the first edit by hand."""


class UnreadPiece(Frozen):
    """Text that the grammar could not read, and what somebody decided about it."""

    number: int
    span: TextSpan
    verdict: Literal["nothing_clinical", "made_a_finding", "accepted"] | None = None
    entries: tuple[int, ...] = ()
    reason: str = ""
    by: str = ""
    at: str = ""


class Acceptance(Frozen):
    """A query that the clinician lets stand, and why; `key` ties it to the findings as they were then."""

    key: str
    message: str
    reason: str
    by: str
    at: str


class Question(Frozen):
    """Something asked back to the clinician, and the answer."""

    number: int
    about: str
    text: str
    by: str
    at: str
    answer: str | None = None
    answered_by: str = ""
    answered_at: str = ""


class Addition(Frozen):
    """A stretch of the transcript that was added later, typed or dictated (`recording` says which sound)."""

    start_char: int
    end_char: int
    origin: Origin
    by: str
    at: str
    recording: int | None = None


class Document(Frozen):
    """One draft at one revision."""

    note: Note
    entries: tuple[Entry, ...] = ()
    unread: tuple[UnreadPiece, ...] = ()
    acceptances: tuple[Acceptance, ...] = ()
    questions: tuple[Question, ...] = ()
    additions: tuple[Addition, ...] = ()

    @classmethod
    def from_note(cls, note: Note) -> Document:
        """The document of a machine note that nobody has touched."""
        current = [Entry(number=index, finding=finding) for index, finding in enumerate(note.findings, 1)]
        gone = [
            Entry(number=index, finding=finding, withdrawn=True)
            for index, finding in enumerate(note.withdrawn, len(current) + 1)
        ]
        unread = tuple(UnreadPiece(number=index, span=span) for index, span in enumerate(note.unread, 1))
        return cls(note=note, entries=(*current, *gone), unread=unread)

    def standing(self) -> tuple[Entry, ...]:
        """The entries that count, in the order of `note.findings`."""
        return tuple(entry for entry in self.entries if not entry.withdrawn)

    def entry(self, number: int) -> Entry | None:
        """The entry with this number."""
        return next((entry for entry in self.entries if entry.number == number), None)

    def undecided(self) -> tuple[UnreadPiece, ...]:
        """Unread text that nobody has decided about."""
        return tuple(piece for piece in self.unread if piece.verdict is None)

    def open_questions(self) -> tuple[Question, ...]:
        """Questions without an answer."""
        return tuple(question for question in self.questions if question.answer is None)

    def open_queries(self) -> tuple[Query, ...]:
        """Queries that nobody has accepted with a reason."""
        accepted = {acceptance.key for acceptance in self.acceptances}
        return tuple(query for query in self.note.queries if self.query_key(query) not in accepted)

    def omissions(self) -> int:
        """Required slots with no result of any kind."""
        return sum(slot.state in ("missing", "asked_no_result", "side_unstated") for slot in self.note.slots)

    def query_key(self, query: Query) -> str:
        """A name that changes with the findings behind the query: no acceptance outlives its reason."""
        facts = [
            [f.item, f.site, f.side, f.status, f.grade, f.descriptors]
            for f in (self.note.findings[index] for index in query.findings)
        ]
        text = json.dumps([query.kind, query.message, facts], ensure_ascii=False)
        return hashlib.sha256(text.encode()).hexdigest()[:16]


class KeptWord(Frozen):
    """A recognised word with its place in the transcript (none when it is not found there)."""

    text: str
    start_s: float
    end_s: float
    confidence: float = Field(ge=0, le=1)
    rivals: tuple[str, ...] = ()
    start_char: int | None = None
    end_char: int | None = None

    def as_word(self) -> Word:
        """The word as the recogniser gave it."""
        return Word(self.text, self.start_s, self.end_s, self.confidence, self.rivals)


class Change(Frozen):
    """What one revision did, in words: shown in the history and compared in the difference of versions."""

    text: str
    before: str = ""
    after: str = ""


def placed(words: Sequence[Word], transcript: str, start_char: int = 0) -> tuple[KeptWord, ...]:
    """Each word with its place in the transcript from `start_char` on; the words appear there in order."""
    kept = []
    position = start_char
    for word in words:
        found = transcript.find(word.text, position) if word.text else -1
        place = (found, found + len(word.text)) if found >= 0 else (None, None)
        if found >= 0:
            position = found + len(word.text)
        kept.append(
            KeptWord(
                text=word.text,
                start_s=word.start_s,
                end_s=word.end_s,
                confidence=min(1.0, max(0.0, word.confidence)),
                rivals=word.rivals,
                start_char=place[0],
                end_char=place[1],
            )
        )
    return tuple(kept)


def note_digest(note: Note) -> str:
    """SHA-256 of the note's JSON: what a signature stands for."""
    return hashlib.sha256(note.model_dump_json(by_alias=True).encode()).hexdigest()
