"""What the store gives back: one draft, the list of drafts, history, signatures, words and sound. Changes
nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import Connection, Row, Select, Text, cast, func, select

from dictate.errors import NoDraftError
from dictate.storage import tables as t
from dictate.storage.audit import HEAD, AuditEntry
from dictate.storage.cipher import Cipher
from dictate.storage.document import Change, Document, KeptWord, State
from dictate.storage.patients import Patients
from grammar.models import Note

SortKey = Literal["number", "started", "patient", "clinician", "state", "omissions", "queries"]


@dataclass(frozen=True, slots=True)
class DraftHead:
    """One draft without its contents."""

    number: int
    patient_ref: str
    complaint: tuple[str, ...]
    clinician: str
    device: str
    state: State
    created_at: datetime
    started_at: datetime
    ended_at: datetime | None
    version: int
    revision: int
    omissions: int
    queries: int
    unread: int
    signed_at: datetime | None
    signed_version: int
    sound: Literal["none", "kept", "removed"]


@dataclass(frozen=True, slots=True)
class Draft:
    """One draft with its document at the newest revision."""

    head: DraftHead
    document: Document


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the list of drafts is asked for; `text` is looked for in patient reference and number."""

    text: str = ""
    states: tuple[State, ...] = ()
    clinician: str | None = None
    signed_only: bool = False
    sort: SortKey = "started"
    descending: bool = True
    limit: int = 50
    offset: int = 0


@dataclass(frozen=True, slots=True)
class Listing:
    """One page of drafts and how many there are in all."""

    drafts: tuple[DraftHead, ...]
    total: int
    by_state: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Recording:
    """One recording of an examination: 0 is the examination, later ones are dictated additions."""

    number: int
    kind: str
    samples: int
    words: tuple[KeptWord, ...]


@dataclass(frozen=True, slots=True)
class RevisionLine:
    """One line of a draft's history."""

    revision: int
    version: int
    at: datetime
    actor: str
    action: str
    change: Change


@dataclass(frozen=True, slots=True)
class Signature:
    """Who signed which version, when, and the SHA-256 of the note that was signed."""

    version: int
    revision: int
    signed_by: str
    signer_name: str
    at: datetime
    digest: str
    note: Note


def moment(text: str) -> datetime:
    """A kept time as datetime."""
    return datetime.fromisoformat(text)


class Reader:
    """Reads through one connection; `patients` remembers opened patient references: lists stay quick."""

    def __init__(self, connection: Connection, cipher: Cipher, patients: Patients | None = None) -> None:
        self.connection = connection
        self.cipher = cipher
        self.patients = patients or Patients()

    def head(self, number: int) -> DraftHead:
        """The head of a draft; NoDraftError when there is none."""
        row = self.connection.execute(select(t.examination).where(t.examination.c.id == number)).one_or_none()
        if row is None:
            raise NoDraftError(f"There is no draft {number}; `dictate drafts` lists those there are.")
        return self._head(row)

    def document(self, number: int, revision: int) -> Document:
        """The document at a revision."""
        query = select(t.revision.c.document).where(
            t.revision.c.examination_id == number, t.revision.c.revision == revision
        )
        kept = self.connection.execute(query).scalar_one_or_none()
        if kept is None:
            raise NoDraftError(f"There is no revision {revision} of draft {number}.")
        return Document.model_validate(self.cipher.open_json(kept, f"document:{number}:{revision}"))

    def recordings(self, number: int) -> tuple[Recording, ...]:
        """The recordings of an examination with their words."""
        query = select(t.recording).where(t.recording.c.examination_id == number).order_by(t.recording.c.recording)
        found = []
        for row in self.connection.execute(query):
            words = self.cipher.open_json(row.words, f"words:{number}:{row.recording}")
            kept = tuple(KeptWord.model_validate(word) for word in words)
            found.append(Recording(row.recording, row.kind, row.samples, kept))
        return tuple(found)

    def sound_samples(self, number: int, recording: int) -> int:
        """How many samples of a recording there are; NoDraftError when it has no sound (any more)."""
        query = (
            select(t.recording.c.samples, t.examination.c.sound)
            .join(t.examination, t.examination.c.id == t.recording.c.examination_id)
            .where(t.recording.c.examination_id == number, t.recording.c.recording == recording)
        )
        row = self.connection.execute(query).one_or_none()
        if row is None or not row.samples or row.sound != "kept":
            raise NoDraftError(f"Draft {number} has no sound {recording} (never kept, or deleted after signing).")
        return row.samples

    def sound_piece(self, number: int, recording: int, piece: int) -> bytes:
        """One FLAC piece, opened."""
        query = select(t.sound_piece.c.body).where(
            t.sound_piece.c.examination_id == number,
            t.sound_piece.c.recording == recording,
            t.sound_piece.c.piece == piece,
        )
        kept = self.connection.execute(query).scalar_one_or_none()
        if kept is None:
            raise NoDraftError(f"Piece {piece} of sound {recording} of draft {number} is not there any more.")
        return self.cipher.open(kept, f"sound:{number}:{recording}:{piece}")

    def history(self, number: int) -> tuple[RevisionLine, ...]:
        """All revisions, oldest first."""
        columns = (c for c in t.revision.c if c.name != "document")
        query = select(*columns).where(t.revision.c.examination_id == number).order_by(t.revision.c.revision)
        lines = []
        for row in self.connection.execute(query):
            change = Change.model_validate(self.cipher.open_json(row.change, f"change:{number}:{row.revision}"))
            lines.append(RevisionLine(row.revision, row.version, moment(row.at), row.actor, row.action, change))
        return tuple(lines)

    def signatures(self, number: int) -> tuple[Signature, ...]:
        """All signed versions, oldest first."""
        query = select(t.signature).where(t.signature.c.examination_id == number).order_by(t.signature.c.version)
        found = []
        for row in self.connection.execute(query):
            note = Note.model_validate(self.cipher.open_json(row.note, f"signature:{number}:{row.version}"))
            facts = (row.version, row.revision, row.signed_by, row.signer_name, moment(row.at), row.digest)
            found.append(Signature(*facts, note))
        return tuple(found)

    def same_patient(self, number: int) -> tuple[DraftHead, ...]:
        """The other examinations of the same patient, newest first (none for an empty patient reference)."""
        head = self.head(number)
        if not head.patient_ref.strip():
            return ()
        key = self.cipher.patient_key(head.patient_ref)
        query = select(t.examination).where(t.examination.c.patient_key == key, t.examination.c.id != number)
        return tuple(
            self._head(row) for row in self.connection.execute(query.order_by(t.examination.c.started_at.desc()))
        )

    def listing(self, wanted: Wanted) -> Listing:
        """One page of drafts."""
        conditions = []
        if wanted.clinician is not None:
            conditions.append(t.examination.c.clinician == wanted.clinician)
        if wanted.signed_only:
            conditions.append(t.examination.c.signed_version > 0)
        count = select(t.examination.c.state, func.count()).where(*conditions).group_by(t.examination.c.state)
        by_state = {state: amount for state, amount in self.connection.execute(count)}
        if wanted.states:
            conditions.append(t.examination.c.state.in_(wanted.states))
        if wanted.text.strip() or wanted.sort == "patient":
            return self._listing_by_patient(wanted, conditions, by_state)
        total = sum(by_state.get(state, 0) for state in (wanted.states or by_state))
        query = select(t.examination).where(*conditions)
        rows = self.connection.execute(_sorted(query, wanted).limit(wanted.limit).offset(wanted.offset))
        return Listing(tuple(map(self._head, rows)), total, by_state)

    def _listing_by_patient(self, wanted: Wanted, conditions: list[Any], by_state: dict[str, int]) -> Listing:
        """Patient references are sealed: choose by what is known of them, then sort by them or in the database."""
        asked = " ".join(wanted.text.split()).casefold()
        numbers = self.patients.matching(self.connection, self.cipher, asked)
        if wanted.sort == "patient":
            if conditions:
                meeting = set(numbers_in_order(self.connection, wanted, conditions, among=numbers))
                numbers = [number for number in numbers if number in meeting]
            if wanted.descending:
                numbers.reverse()
        else:
            numbers = numbers_in_order(self.connection, wanted, conditions, among=numbers)
        page = numbers[wanted.offset : wanted.offset + wanted.limit]
        rows = self.connection.execute(select(t.examination).where(t.examination.c.id.in_(page)))
        heads = {row.id: self._head(row) for row in rows}
        return Listing(tuple(heads[number] for number in page if number in heads), len(numbers), by_state)

    def audit_entries(self, after: int = 0, limit: int | None = None) -> Iterator[AuditEntry]:
        """Entries of the log in order."""
        query = select(t.audit).where(t.audit.c.id > after).order_by(t.audit.c.id).limit(limit)
        for row in self.connection.execute(query):
            yield AuditEntry(*row)

    def audit_head(self) -> str | None:
        """The kept end of the chain."""
        return self.connection.execute(select(t.meta.c.value).where(t.meta.c.name == HEAD)).scalar_one_or_none()

    def sound_due(self, signed_before: str) -> list[int]:
        """Closed examinations signed before the time whose sound is still kept."""
        query = select(t.examination.c.id).where(
            t.examination.c.sound == "kept",
            t.examination.c.state.in_(("signed", "amended")),
            t.examination.c.signed_at < signed_before,
        )
        return list(self.connection.execute(query.order_by(t.examination.c.id)).scalars())

    def _head(self, row: Row[Any]) -> DraftHead:
        return DraftHead(
            number=row.id,
            patient_ref=self.patients.reference(self.cipher, row.id, row.patient),
            complaint=tuple(self.cipher.open_json(row.complaint, f"examination:complaint:{row.id}")),
            clinician=row.clinician,
            device=row.device,
            state=row.state,
            created_at=moment(row.created_at),
            started_at=moment(row.started_at),
            ended_at=moment(row.ended_at) if row.ended_at else None,
            version=row.version,
            revision=row.revision,
            omissions=row.omissions,
            queries=row.queries,
            unread=row.unread,
            signed_at=moment(row.signed_at) if row.signed_at else None,
            signed_version=row.signed_version,
            sound=row.sound,
        )


MOST_NAMED = 500
"""So many numbers are named in a query; when there are more, all are fetched and chosen from."""
SORT_COLUMNS = {
    "number": t.examination.c.id,
    "started": t.examination.c.started_at,
    "clinician": t.examination.c.clinician,
    "state": t.examination.c.state,
    "omissions": t.examination.c.omissions,
    "queries": t.examination.c.queries,
}


def numbers_in_order(
    connection: Connection, wanted: Wanted, conditions: Sequence[Any], *, among: Sequence[int]
) -> list[int]:
    """Those of the numbers `among` that meet the conditions, in the order that is wanted.

    They are fetched as one row and not as thousands: the driver lets Python's lock go with every row, and has to wait
    for it again when others are at work. Both databases put a sorted subquery together in its order.
    """
    few = len(among) <= MOST_NAMED
    named = [t.examination.c.id.in_(among)] if few else []
    in_order = _sorted(select(t.examination.c.id).where(*conditions, *named), wanted).subquery()
    together = func.aggregate_strings(cast(in_order.c.id, Text), " ")
    found = [int(number) for number in (connection.execute(select(together)).scalar_one() or "").split()]
    if few:
        return found
    chosen = set(among)
    return [number for number in found if number in chosen]


def _sorted(query: Select[Any], wanted: Wanted) -> Select[Any]:
    column = SORT_COLUMNS.get(wanted.sort, t.examination.c.id)
    ties = t.examination.c.id
    if wanted.descending:
        return query.order_by(column.desc(), ties.desc())
    return query.order_by(column, ties)
