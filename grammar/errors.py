"""Errors of the grammar package: raised for bad data files only, never for speech.

GrammarError
└── DataError    one or more faults in the data files, all of them listed with file, entry and mend
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


class GrammarError(Exception):
    """Anything this package raises on purpose."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault in a data file: where it is, what is wrong and how to mend it."""

    file: str
    entry: str
    problem: str
    mend: str

    def __str__(self) -> str:
        return f"{self.file} [{self.entry}]: {self.problem} Mend: {self.mend}"


class DataError(GrammarError):
    """The data files cannot be used; `faults` lists every fault that was found."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        count = len(self.faults)
        head = "1 fault" if count == 1 else f"{count} faults"
        super().__init__(f"{head} in the grammar data:\n" + "\n".join(f"  {fault}" for fault in self.faults))
