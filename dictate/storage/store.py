"""The store: opens the database with its key and offers everything that is done with drafts.

    with open_store(settings) as store:
        number = store.keep_examination(note, words, audio=Path("visit.wav"), patient_ref="P-17")
        draft = store.draft(number)

Every method is one transaction. Safe for use from several threads, and from several programs at once.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from types import TracebackType
from typing import Any

from sqlalchemy import select

from dictate.errors import StoreError
from dictate.events import Word
from dictate.settings import Settings, StoreSettings
from dictate.storage import audit, keys, migrations
from dictate.storage import tables as t
from dictate.storage.cipher import Cipher
from dictate.storage.database import Database
from dictate.storage.document import Change, Document, State, note_digest, placed
from dictate.storage.options import filled_in
from dictate.storage.patients import Patients
from dictate.storage.reading import (
    Draft,
    DraftHead,
    Listing,
    Reader,
    Recording,
    RevisionLine,
    Signature,
    Wanted,
)
from dictate.storage.shared_commit import AuditFacts, SharedCommit
from dictate.storage.sound import AudioInput, KeptSound, packed_pieces
from dictate.storage.writer import Writer, stamp
from grammar.models import Note

PLAIN_WARNING = (
    "This store is NOT encrypted (plain mode): anyone who has {where} can read its texts and hear its sound."
)
NEW_KEY_NOTICE = (
    "A new encrypted store was made at {where}; its key is {key}. Keep a copy of that file in a safe place: "
    "without it nothing can be read."
)


def _say(text: str) -> None:
    print(f"dictate: {text}", file=sys.stderr)


def open_store(
    settings: Settings | StoreSettings | None = None,
    *,
    ask: keys.AskPassphrase = keys.ask_passphrase,
    say: Callable[[str], None] = _say,
    create: bool = True,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> Store:
    """Open the store, making it on first use (unless `create` is False).

    `settings` is the program's Settings (its `store` section is used), a StoreSettings, or None for the
    defaults. `ask` gives the passphrase, `say` shows announcements (plain mode on every start; where a new
    key lies). Raises StoreError: wrong key, newer tables, no database.
    """
    wanted = filled_in(settings)
    database = Database(str(wanted.url))
    try:
        if create:
            with database.writing() as connection:
                migrations.migrate(connection, database.where)
                header = _header(connection)
                if "key_mode" not in header:
                    header, cipher = keys.create_header(wanted, ask)
                    writer = Writer(connection, cipher, clock())
                    writer.put_meta(header)
                    writer.append_audit("dictate", "store made", "store", "accepted", wanted.key)
                    if wanted.key == "file":
                        say(NEW_KEY_NOTICE.format(where=database.where, key=wanted.key_file))
                    return _opened(database, cipher, wanted, clock, say)
        else:
            with database.reading() as connection:
                found = migrations.version_of(connection)
                migrations.refuse_newer(found, database.where)
                if found < migrations.NEWEST:
                    raise StoreError(f"There is no store at {database.where}; make one with `dictate store init`.")
                header = _header(connection)
        cipher = keys.open_header(header, wanted, ask, database.where)
    except BaseException:
        database.close()
        raise
    return _opened(database, cipher, wanted, clock, say)


def _opened(
    database: Database,
    cipher: Cipher,
    settings: StoreSettings,
    clock: Callable[[], datetime],
    say: Callable[[str], None],
) -> Store:
    if cipher.plain:
        say(PLAIN_WARNING.format(where=database.where))
    return Store(database, cipher, settings, clock)


def _header(connection: Any) -> dict[str, str]:
    return {row.name: row.value for row in connection.execute(select(t.meta))}


def _kept_as(connection: Any, origin_key: str | None) -> int | None:
    """The number of the draft that was kept under this key before."""
    column = t.examination.c
    query = select(column.id).where(column.origin_key == origin_key)
    return None if origin_key is None else connection.execute(query).scalar_one_or_none()


class Store:
    """An open store; close it, or use it in a `with` statement."""

    def __init__(
        self, database: Database, cipher: Cipher, settings: StoreSettings, clock: Callable[[], datetime]
    ) -> None:
        self.database = database
        self.cipher = cipher
        self.settings = settings
        self.clock = clock
        self._patients = Patients()
        self._log = SharedCommit(self._log_all)

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the database back."""
        self.database.close()

    @contextmanager
    def reading(self) -> Iterator[Reader]:
        """A reader on one snapshot of the store."""
        with self.database.reading() as connection:
            yield Reader(connection, self.cipher, self._patients)

    @contextmanager
    def writing(self) -> Iterator[Writer]:
        """A writer in one transaction."""
        with self.database.writing() as connection:
            yield Writer(connection, self.cipher, self.clock())

    # ---- examinations

    def keep_examination(
        self,
        note: Note,
        words: Sequence[Word] = (),
        *,
        audio: AudioInput | None = None,
        patient_ref: str = "",
        clinician: str = "",
        started_at: datetime | None = None,
        ended_at: datetime | None = None,
        device: str = "",
        origin_key: str | None = None,
    ) -> int:
        """Keep a finished examination as a draft and return its number.

        `words` are those of the transcript in order, times in seconds from the start of `audio`. `audio` is
        a sound file, mono 16 kHz int16 samples, or an iterable of AudioChunk; it is read piece by piece.
        `clinician` is the user name at the desk. With an `origin_key` (for example the folder name of a
        journal) a second call gives the number of the draft that is already there, so that recovery after a
        crash never doubles a draft.
        """
        now = self.clock()
        facts = {
            "started_at": stamp(started_at or now),
            "ended_at": stamp(ended_at) if ended_at else None,
            "clinician": clinician,
            "device": device,
            "origin_key": origin_key,
        }
        with self.reading() as reader:
            kept = _kept_as(reader.connection, origin_key)
        if kept is not None:  # its sound may be gone by now
            return kept
        sound = packed_pieces(audio)  # before the transaction: an hour of sound must not keep others from writing
        with self.writing() as writer:
            kept = _kept_as(writer.connection, origin_key)
            if kept is not None:
                return kept
            number = writer.add_examination(facts, patient_ref, Document.from_note(note))
            if words or audio is not None:
                writer.add_recording(number, 0, "examination", placed(words, note.transcript), sound)
            writer.append_audit(clinician or "dictate", "keep", f"draft {number}", "accepted", "revision 0")
        return number

    def head(self, number: int) -> DraftHead:
        """The head of a draft."""
        with self.reading() as reader:
            return reader.head(number)

    def draft(self, number: int, revision: int | None = None) -> Draft:
        """A draft with its document, at the newest or the given revision."""
        with self.reading() as reader:
            head = reader.head(number)
            return Draft(head, reader.document(number, head.revision if revision is None else revision))

    def machine_note(self, number: int) -> Note:
        """The note as the machine made it, before anyone touched it."""
        with self.reading() as reader:
            return reader.document(number, 0).note

    def note(self, number: int) -> Note:
        """The note as it stands now."""
        return self.draft(number).document.note

    def signed_note(self, number: int, version: int | None = None) -> Signature:
        """The signed note (newest version unless one is named); StoreError when there is none."""
        signed = self.signatures(number)
        for signature in reversed(signed):
            if version is None or signature.version == version:
                return signature
        raise StoreError(f"Draft {number} has no signed version{f' {version}' if version else ''}.")

    def listing(self, wanted: Wanted | None = None) -> Listing:
        """One page of drafts."""
        with self.reading() as reader:
            return reader.listing(wanted or Wanted())

    def recordings(self, number: int) -> tuple[Recording, ...]:
        """The recordings of an examination with their words."""
        with self.reading() as reader:
            return reader.recordings(number)

    def sound(self, number: int, recording: int = 0) -> KeptSound:
        """A recording, readable in parts as a WAV file; NoDraftError when its sound is not there."""
        with self.reading() as reader:
            samples = reader.sound_samples(number, recording)

        def load(piece: int) -> bytes:
            with self.reading() as reader:
                return reader.sound_piece(number, recording, piece)

        return KeptSound(samples, load)

    def history(self, number: int) -> tuple[RevisionLine, ...]:
        """All revisions of a draft, oldest first."""
        with self.reading() as reader:
            return reader.history(number)

    def signatures(self, number: int) -> tuple[Signature, ...]:
        """All signed versions of a draft, oldest first."""
        with self.reading() as reader:
            return reader.signatures(number)

    def same_patient(self, number: int) -> tuple[DraftHead, ...]:
        """The other examinations of the same patient, newest first."""
        with self.reading() as reader:
            return reader.same_patient(number)

    def save(
        self,
        number: int,
        expected: int,
        document: Document,
        change: Change,
        *,
        actor: str,
        action: str,
        state: State,
        sound: tuple[Sequence[Word], AudioInput | None, int] | None = None,
    ) -> int:
        """Keep the next revision; StaleDraftError when somebody saved after revision `expected`.

        `sound` is what a dictated addition brings: its words, its sound, and where it begins in the
        transcript.
        """
        words, audio, start_char = sound or ((), None, 0)
        bodies = packed_pieces(audio)
        with self.writing() as writer:
            fresh = writer.save(number, expected, document, change, actor, action, state)
            if sound is not None:
                reader = Reader(writer.connection, self.cipher, self._patients)
                recording = len(reader.recordings(number))
                kept = placed(words, document.note.transcript, start_char)
                writer.add_recording(number, recording, "addition", kept, bodies)
        return fresh

    # ---- retention

    def delete_due_sound(self) -> list[int]:
        """Delete the sound of examinations signed longer ago than the setting says; returns their numbers."""
        days = self.settings.audio_days
        with self.writing() as writer:
            reader = Reader(writer.connection, self.cipher, self._patients)
            due = reader.sound_due(stamp(self.clock() - timedelta(days=days)))
            for number in due:
                writer.remove_sound(number, f"{days} days after signing")
        if due:
            self.database.overwrite_removed()
        return due

    def forget(self, patient_ref: str, actor: str) -> list[int]:
        """Remove a patient's examinations; the audit log keeps the proof. Returns the numbers removed."""
        with self.writing() as writer:
            gone = writer.forget(patient_ref, actor)
        if gone:
            self._patients.forget()
            self.database.overwrite_removed()
        return gone

    # ---- the log

    def log(self, actor: str, action: str, target: str, outcome: str, detail: str = "") -> None:
        """One audit entry on its own (an access that changed nothing, or was refused)."""
        self._log.add((actor, action, target, outcome, detail))

    def _log_all(self, entries: list[AuditFacts]) -> None:
        with self.writing() as writer:
            for entry in entries:
                writer.append_audit(*entry)

    def audit_report(self, expect: str | None = None) -> audit.AuditReport:
        """Verify the chain of the audit log."""
        with self.database.snapshot() as connection:
            reader = Reader(connection, self.cipher, self._patients)
            return audit.verified(self.cipher.audit_key, reader.audit_entries(), reader.audit_head(), expect)

    def verify_signature(self, signature: Signature) -> bool:
        """Whether a signed note is still what was signed."""
        return note_digest(signature.note) == signature.digest

    def change_key(
        self, settings: Settings | StoreSettings, ask_old: keys.AskPassphrase, ask_new: keys.AskPassphrase
    ) -> None:
        """Wrap the data key anew under the source that `settings` names."""
        wanted = filled_in(settings)
        with self.writing() as writer:
            header = _header(writer.connection)
            writer.put_meta(keys.rewrapped(header, wanted, ask_old, ask_new, self.database.where))
            writer.append_audit("dictate", "key changed", "store", "accepted", wanted.key)
