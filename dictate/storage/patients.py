"""The patients' names of all drafts, opened once and kept in memory, so that lists can be searched and sorted.

Patient references are sealed in the database; it can neither search nor sort them. Reading ten thousand rows for
every list is too slow when several people work at once (each row waits for Python's lock), so only what is new is
read. What is known stays right because every change of a patient reference, and every removal, gives the
row `patients` of the table `meta` a new value in the same transaction (`Writer` does it).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Text, cast, func, select

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

    def matching(self, connection: Connection, cipher: Cipher, asked: str, numbers: Sequence[int]) -> list[int]:
        """Those of `numbers` whose patient reference holds `asked` or whose own number it is, in the same order."""
        names = self._brought_up(connection, cipher).names
        wanted = asked.removeprefix("#")
        known = [number for number in numbers if number in names]  # one may have been removed since
        return [number for number in known if asked in names[number] or wanted == str(number)]

    def in_order(self, connection: Connection, cipher: Cipher, numbers: Sequence[int]) -> list[int]:
        """The same numbers sorted by patient reference."""
        chosen = set(numbers)
        return [number for number in self._brought_up(connection, cipher).by_name if number in chosen]

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


def numbers_of(connection: Connection, condition: Any, order: Any, *, numeric: bool, descending: bool) -> list[int]:
    """The numbers of the drafts that meet a condition, sorted by a column and the number, fetched as one row.

    One row and not thousands: the driver gives up Python's lock for every row, and waits to have it back.
    """
    number = cast(t.examination.c.id, Text)
    line = number + " " + cast(order, Text)
    together = connection.execute(select(func.aggregate_strings(line, "\n")).where(condition)).scalar_one()
    pairs = [line.split(" ", 1) for line in together.split("\n")] if together else []
    keyed = [(int(value) if numeric else value, int(number)) for number, value in pairs]
    return [number for _value, number in sorted(keyed, reverse=descending)]
