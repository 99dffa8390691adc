"""A consistency check of the whole store: every piece opens, every reference holds, every count is true."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy import func, select, text

from dictate.errors import DictateError
from dictate.storage import tables as t
from dictate.storage.document import CLOSED_STATES
from dictate.storage.reading import DraftHead, Reader
from dictate.storage.sound import PIECE_SAMPLES, unpacked
from dictate.storage.store import Store


@dataclass(frozen=True, slots=True)
class CheckReport:
    """How much was looked at and every fault found, one sentence each."""

    examinations: int
    revisions: int
    sound_pieces: int
    audit_entries: int
    faults: tuple[str, ...]

    @property
    def sound(self) -> bool:
        return not self.faults


def check_store(store: Store) -> CheckReport:
    """Open and compare everything in one snapshot; the sound is decoded piece by piece."""
    faults: list[str] = []
    with store.database.snapshot() as connection:
        if store.database.sqlite:
            found = connection.execute(text("PRAGMA integrity_check")).scalars().all()
            faults += [f"SQLite says: {line}." for line in found if line != "ok"]
        reader = Reader(connection, store.cipher)
        numbers = connection.execute(select(t.examination.c.id).order_by(t.examination.c.id)).scalars().all()
        revisions = sound = 0
        for number in numbers:
            try:
                head = reader.head(number)
                lines = reader.history(number)
                revisions += len(lines)
                faults += _revision_faults(reader, head, len(lines))
                faults += _signature_faults(store, reader, head)
                for recording in reader.recordings(number):
                    if head.sound == "kept":
                        sound += -(-recording.samples // PIECE_SAMPLES)
                        faults += _sound_faults(reader, number, recording.number, recording.samples)
            except DictateError as error:
                faults.append(f"Draft {number}: {error}")
        audited = connection.execute(select(func.count()).select_from(t.audit)).scalar() or 0
    report = store.audit_report()
    if not report.sound:
        faults.append(report.fault)
    return CheckReport(len(numbers), revisions, sound, audited, tuple(faults))


def _revision_faults(reader: Reader, head: DraftHead, kept: int) -> Iterator[str]:
    if kept != head.revision + 1:
        yield f"Draft {head.number}: {kept} revisions are kept, its head says {head.revision + 1}."
    for revision in range(kept):
        document = reader.document(head.number, revision)
    if kept and (
        document.omissions() != head.omissions
        or len(document.open_queries()) != head.queries
        or len(document.undecided()) != head.unread
    ):
        yield f"Draft {head.number}: the counts in its head are not those of its document."


def _signature_faults(store: Store, reader: Reader, head: DraftHead) -> Iterator[str]:
    signatures = reader.signatures(head.number)
    for signature in signatures:
        if not store.verify_signature(signature):
            yield f"Draft {head.number}: signed version {signature.version} is not what was signed."
    if head.state in CLOSED_STATES and (not signatures or signatures[-1].version != head.version):
        yield f"Draft {head.number}: its state is {head.state}, but version {head.version} has no signature."


def _sound_faults(reader: Reader, number: int, recording: int, samples: int) -> Iterator[str]:
    found = 0
    for piece in range(-(-samples // PIECE_SAMPLES)):
        found += len(unpacked(reader.sound_piece(number, recording, piece)))
    if found != samples:
        yield f"Draft {number}: sound {recording} holds {found} samples, {samples} were kept."
