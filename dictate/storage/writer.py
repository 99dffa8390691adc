"""The only module that changes rows of the store. Everything here runs inside the caller's write transaction.

Every change that concerns clinical data appends its own audit entry in the same transaction, so that neither
can be there without the other. `Store` (store.py) opens the transactions.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from secrets import token_hex
from typing import Any

from sqlalchemy import Connection, Table, delete, insert, select, update

from dictate.errors import ClosedDraftError, NoDraftError, StaleDraftError, StoreError
from dictate.storage import audit
from dictate.storage import tables as t
from dictate.storage.cipher import Cipher
from dictate.storage.document import CLOSED_STATES, Change, Document, KeptWord, State, note_digest
from dictate.storage.patients import STAMP
from dictate.storage.reading import Reader
from dictate.storage.sound import PackedPiece


def stamp(moment: datetime) -> str:
    """A moment as it is kept: ISO 8601, UTC, microseconds."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


class Writer:
    """Changes rows on one connection; `now` is the time written into all of them."""

    def __init__(self, connection: Connection, cipher: Cipher, now: datetime) -> None:
        self.connection = connection
        self.cipher = cipher
        self.at = stamp(now)

    # ---- examinations

    def add_examination(self, facts: Mapping[str, str | None], patient_ref: str, document: Document) -> int:
        """A new examination at revision 0; returns its number."""
        row = {
            **facts,
            **_counts(document),
            "created_at": self.at,
            "patient": b"",
            "patient_key": self.cipher.patient_key(patient_ref),
            "complaint": b"",
            "state": "draft",
            "version": 1,
            "revision": 0,
            "signed_version": 0,
            "sound": "none",
        }
        number = self.connection.execute(insert(t.examination).returning(t.examination.c.id), row).scalar_one()
        self._set(number, patient=self.cipher.seal(patient_ref.encode(), f"examination:patient:{number}"))
        self._set_complaint(number, document)
        self._add_revision(number, 0, 1, "dictate", "kept", Change(text="Examination kept"), document)
        return number

    def add_recording(
        self, number: int, recording: int, kind: str, words: Sequence[KeptWord], pieces: Iterable[PackedPiece]
    ) -> None:
        """A recording with its words and its sound (no pieces: words only)."""
        samples = 0
        for piece, (length, body) in enumerate(pieces):
            samples += length
            place = f"sound:{number}:{recording}:{piece}"
            row = {"examination_id": number, "recording": recording, "piece": piece}
            self.connection.execute(insert(t.sound_piece), {**row, "body": self.cipher.seal(body, place)})
        kept = [word.model_dump() for word in words]
        facts = {"examination_id": number, "recording": recording, "kind": kind, "samples": samples}
        sealed = self.cipher.seal_json(kept, f"words:{number}:{recording}")
        self.connection.execute(insert(t.recording), {**facts, "words": sealed})
        if samples:
            self._set(number, sound="kept")

    def save(
        self,
        number: int,
        expected: int,
        document: Document,
        change: Change,
        actor: str,
        action: str,
        state: State,
    ) -> int:
        """The next revision; StaleDraftError when somebody saved since `expected`, StoreError when it is
        signed.
        """
        found = self.locked(number)
        if found.state in CLOSED_STATES:
            raise ClosedDraftError(f"Draft {number} is signed and cannot change; begin an amendment instead.")
        self._require(found, expected)
        fresh = found.revision + 1
        self._add_revision(number, fresh, found.version, actor, action, change, document)
        self._set(number, revision=fresh, state=state, **_counts(document))
        self._set_complaint(number, document)
        self.append_audit(actor, action, f"draft {number}", "accepted", f"revision {fresh}")
        return fresh

    def sign(self, number: int, expected: int, document: Document, signer: str, signer_name: str) -> str:
        """Close the present version; returns the digest that was signed."""
        found = self.locked(number)
        if found.state in CLOSED_STATES:
            raise ClosedDraftError(f"Draft {number} is signed already.")
        self._require(found, expected)
        digest = note_digest(document.note)
        sealed = self.cipher.seal_json(
            document.note.model_dump(mode="json", by_alias=True), f"signature:{number}:{found.version}"
        )
        row = {"examination_id": number, "version": found.version, "revision": found.revision, "at": self.at}
        row |= {"signed_by": signer, "signer_name": signer_name, "digest": digest, "note": sealed}
        self.connection.execute(insert(t.signature), row)
        state: State = "signed" if found.version == 1 else "amended"
        self._set(number, state=state, signed_at=self.at, signed_version=found.version)
        self.append_audit(signer, "sign", f"draft {number}", "accepted", f"version {found.version} sha256 {digest}")
        return digest

    def amend(self, number: int, expected: int, document: Document, actor: str, reason: str) -> int:
        """Open the next version of a signed draft; the signed one stays as it is."""
        found = self.locked(number)
        if found.state not in CLOSED_STATES:
            raise ClosedDraftError(f"Draft {number} is not signed, so there is nothing to amend; edit it.")
        self._require(found, expected)
        fresh = found.revision + 1
        change = Change(text=f"Amendment begun: {reason}", before=f"version {found.version}")
        self._add_revision(number, fresh, found.version + 1, actor, "amend", change, document)
        self._set(number, revision=fresh, version=found.version + 1, state="draft")
        self.append_audit(actor, "amend", f"draft {number}", "accepted", f"version {found.version + 1}")
        return fresh

    def set_header(self, number: int, expected: int, actor: str, patient_ref: str, clinician: str) -> int:
        """Correct whose examination it is and which clinician answers for it."""
        found = self.locked(number)
        reader = Reader(self.connection, self.cipher)
        old, document = reader.head(number), reader.document(number, found.revision)
        if found.signed_version:
            raise ClosedDraftError(f"Draft {number} has been signed; its patient and clinician cannot change.")
        self._require(found, expected)
        fresh = found.revision + 1
        change = Change(
            text="Patient or clinician corrected",
            before=f"{old.patient_ref} · {old.clinician}",
            after=f"{patient_ref} · {clinician}",
        )
        self._add_revision(number, fresh, found.version, actor, "header", change, document)
        self._set(
            number,
            revision=fresh,
            patient=self.cipher.seal(patient_ref.encode(), f"examination:patient:{number}"),
            patient_key=self.cipher.patient_key(patient_ref),
            clinician=clinician,
        )
        self._patients_changed()
        self.append_audit(actor, "header", f"draft {number}", "accepted", f"revision {fresh}")
        return fresh

    def remove_sound(self, number: int, why: str) -> None:
        """Delete the sound of an examination; its words stay."""
        self.connection.execute(delete(t.sound_piece).where(t.sound_piece.c.examination_id == number))
        self._set(number, sound="removed")
        self.append_audit("dictate", "sound deleted", f"draft {number}", "accepted", why)

    def forget(self, patient_ref: str, actor: str) -> list[int]:
        """Remove all examinations of a patient; the audit entry proves it without naming the patient."""
        if not patient_ref.strip():
            raise StoreError("No patient was named, so nothing was removed; give the reference of the patient.")
        key = self.cipher.patient_key(patient_ref)
        found = select(t.examination.c.id).where(t.examination.c.patient_key == key).order_by(t.examination.c.id)
        numbers = list(self.connection.execute(found).scalars())
        for table in (t.sound_piece, t.recording, t.signature, t.revision):
            self.connection.execute(delete(table).where(table.c.examination_id.in_(numbers)))
        self.connection.execute(delete(t.examination).where(t.examination.c.id.in_(numbers)))
        if numbers:
            self._patients_changed()
            detail = f"patient {key} drafts {' '.join(map(str, numbers))}"
            self.append_audit(actor, "forget", "patient", "accepted", detail)
        return numbers

    def locked(self, number: int) -> Any:
        """State, version and revision of an examination, held until the end of the transaction."""
        columns = (t.examination.c.state, t.examination.c.version, t.examination.c.revision)
        query = select(*columns, t.examination.c.signed_version).where(t.examination.c.id == number)
        found = self.connection.execute(query.with_for_update()).one_or_none()
        if found is None:
            raise NoDraftError(f"There is no draft {number}; `dictate drafts` lists those there are.")
        return found

    def _require(self, found: Any, expected: int) -> None:
        if found.revision != expected:
            raise StaleDraftError(
                f"The draft was changed after you opened it (you saw revision {expected}, it is now at "
                f"{found.revision}). Your change was not saved; look at the draft as it is now and repeat it "
                "if it still applies."
            )

    def _patients_changed(self) -> None:
        """A known patient reference is not what it was: what other connections remember is out of date."""
        self.put_meta({STAMP: token_hex(8)})

    def _set(self, number: int, **values: Any) -> None:
        self.connection.execute(update(t.examination).where(t.examination.c.id == number).values(**values))

    def _set_complaint(self, number: int, document: Document) -> None:
        place = f"examination:complaint:{number}"
        self._set(number, complaint=self.cipher.seal_json(list(document.note.complaint), place))

    def _add_revision(
        self,
        number: int,
        revision: int,
        version: int,
        actor: str,
        action: str,
        change: Change,
        document: Document,
    ) -> None:
        row = {"examination_id": number, "revision": revision, "version": version, "at": self.at}
        row |= {"actor": actor, "action": action}
        row["change"] = self.cipher.seal_json(change.model_dump(), f"change:{number}:{revision}")
        body = document.model_dump(mode="json", by_alias=True)
        row["document"] = self.cipher.seal_json(body, f"document:{number}:{revision}")
        self.connection.execute(insert(t.revision), row)

    # ---- the log

    def append_audit(self, actor: str, action: str, target: str, outcome: str, detail: str = "") -> None:
        """Chain one more entry to the log."""
        key = self.cipher.audit_key
        query = select(t.meta.c.value).where(t.meta.c.name == audit.HEAD).with_for_update()
        head = self.connection.execute(query).scalar_one_or_none()
        count, last = (int(head.split(":")[0]), head.split(":")[1]) if head else (0, audit.FIRST)
        entry = audit.AuditEntry(count + 1, self.at, actor, action, target, outcome, detail)
        digest = audit.chained(key, last, entry)
        row = {"id": entry.id, "at": entry.at, "actor": actor, "action": action, "target": target}
        self.connection.execute(insert(t.audit), {**row, "outcome": outcome, "detail": detail, "hash": digest})
        self.put_meta({audit.HEAD: audit.head_value(key, entry.id, digest)})

    def put_meta(self, values: Mapping[str, str]) -> None:
        """Write names and values of the `meta` table."""
        for name, value in values.items():
            changed = self.connection.execute(update(t.meta).where(t.meta.c.name == name).values(value=value))
            if not changed.rowcount:
                self.connection.execute(insert(t.meta), {"name": name, "value": value})

    # ---- accounts and sessions

    def add_account(self, username: str, name: str, role: str, password: str) -> None:
        """A new account; `password` is already hashed."""
        row = {"username": username, "name": name, "role": role, "password": password}
        self.connection.execute(insert(t.account), {**row, "active": 1, "created_at": self.at, "failures": 0})

    def set_account(self, username: str, **values: Any) -> None:
        """Change columns of an account."""
        self.connection.execute(update(t.account).where(t.account.c.username == username).values(**values))

    def count_failure(self, username: str) -> int:
        """One more wrong password; returns how many there are now."""
        query = update(t.account).where(t.account.c.username == username)
        counted = query.values(failures=t.account.c.failures + 1).returning(t.account.c.failures)
        return int(self.connection.execute(counted).scalar_one())

    def add_session(self, token_digest: str, username: str, csrf: str) -> None:
        """A signed-in browser."""
        row = {"token_digest": token_digest, "username": username, "csrf": csrf}
        self.connection.execute(insert(t.session), {**row, "started_at": self.at, "seen_at": self.at})

    def touch_session(self, token_digest: str) -> None:
        """The session was used just now."""
        where = t.session.c.token_digest == token_digest
        self.connection.execute(update(t.session).where(where).values(seen_at=self.at))

    def drop_sessions(self, *, token_digest: str | None = None, username: str | None = None, before: str = "") -> None:
        """End one session, all of an account, or all not used since `before`."""
        query = delete(t.session)
        if token_digest is not None:
            query = query.where(t.session.c.token_digest == token_digest)
        elif username is not None:
            query = query.where(t.session.c.username == username)
        else:
            query = query.where(t.session.c.seen_at < before)
        self.connection.execute(query)

    # ---- whole tables (restore)

    def copy_rows(self, table: Table, rows: Iterable[Mapping[str, Any]]) -> int:
        """Put rows of a backup into an empty table; returns how many."""
        count = 0
        batch: list[Mapping[str, Any]] = []
        for row in rows:
            batch.append(row)
            if len(batch) >= 200:
                self.connection.execute(insert(table), batch)
                count, batch = count + len(batch), []
        if batch:
            self.connection.execute(insert(table), batch)
        return count + len(batch)

    def clear(self, table: Table) -> None:
        """Empty a table that a restore is about to fill."""
        self.connection.execute(delete(table))


def _counts(document: Document) -> dict[str, int]:
    return {
        "omissions": document.omissions(),
        "queries": len(document.open_queries()),
        "unread": len(document.undecided()),
    }
