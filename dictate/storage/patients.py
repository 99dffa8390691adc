"""The patients' names of all drafts, opened once and kept in memory, so that lists can be searched and sorted.

Patient references are sealed in the database; it can neither search nor sort them. Reading ten thousand rows for
every list is too slow when several people work at once (each row waits for Python's lock), so only what is new is
read. What is known stays right because every change of a patient reference, and every removal, gives the
row `patients` of the table `meta` a new value in the same transaction (`Writer` does it).
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, func, select

from dictate.storage import tables as t
from dictate.storage.cipher import Cipher

STAMP = "patients"
"""Name of the row in `meta` that changes when a known patient reference changes or goes."""


@dataclass(frozen=True, slots=True)
class _Known:
    stamp: str
    newest: int
    names: dict[int, str]
    """Number of a draft -> its patient reference, case folded."""
    by_name: tuple[int, ...]
    """Numbers of drafts, sorted by patient reference and number."""


class Patients:
    """What is known of the patient references of one store; may be used by several threads at once."""

    def __init__(self) -> None:
        self._opened: dict[tuple[int, bytes], str] = {}
        self._known = _Known("", 0, {}, ())

    def reference(self, cipher: Cipher, number: int, sealed: bytes) -> str:
        """The patient reference of a draft, as it was typed."""
        kept = self._opened.get((number, sealed))
        if kept is None:
            kept = self._opened[number, sealed] = cipher.open(sealed, f"examination:patient:{number}").decode()
        return kept

    def forget(self) -> None:
        """Drop everything that is known (after patients were removed from the store)."""
        self._opened.clear()
        self._known = _Known("", 0, {}, ())

    def matching(self, connection: Connection, cipher: Cipher, asked: str) -> list[int]:
        """Drafts whose patient reference holds `asked` (case folded), or with that number; sorted by patient."""
        known = self._brought_up(connection, cipher)
        if not asked:
            return list(known.by_name)
        wanted = asked.removeprefix("#")
        return [number for number in known.by_name if asked in known.names[number] or wanted == str(number)]

    def _brought_up(self, connection: Connection, cipher: Cipher) -> _Known:
        """What is known, with what this transaction sees beyond it."""
        known = self._known
        stamp = connection.execute(select(t.meta.c.value).where(t.meta.c.name == STAMP)).scalar_one_or_none() or ""
        number = t.examination.c.id
        seen = connection.execute(select(func.count(), func.max(number)).where(number <= known.newest)).one()
        if stamp != known.stamp or seen[0] != len(known.names):
            known = _Known(stamp, 0, {}, ())
        rows = connection.execute(select(number, t.examination.c.patient).where(number > known.newest)).all()
        if rows:
            names = dict(known.names)
            for row in rows:
                names[row.id] = self.reference(cipher, row.id, row.patient).casefold()
            by_name = tuple(sorted(names, key=lambda n: (names[n], n)))
            known = _Known(stamp, max(names), names, by_name)
        self._known = known
        return known
