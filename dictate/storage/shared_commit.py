"""Audit entries of several threads in one transaction (group commit).

Every page view writes an audit entry and must not be answered before that entry is on the disk. Waiting for the
disk once for each of twenty people makes all of them slow; so whoever comes next to the lock writes everything that
waits by then, and all of them go on together. Source: DeWitt et al., "Implementation techniques for main memory
database systems", SIGMOD 1984 (group commit).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

AuditFacts = tuple[str, str, str, str, str]
"""Actor, action, target, outcome, detail."""


@dataclass(slots=True)
class _Waiting:
    facts: AuditFacts
    done: bool = False
    error: BaseException | None = None


class SharedCommit:
    """Writes entries through `write`, which keeps a list of them in one transaction or raises."""

    def __init__(self, write: Callable[[list[AuditFacts]], None]) -> None:
        self._write = write
        self._queue: list[_Waiting] = []
        self._queue_lock = threading.Lock()
        self._turn = threading.Lock()

    def add(self, facts: AuditFacts) -> None:
        """Returns when the entry is kept; raises what kept it from being kept."""
        mine = _Waiting(facts)
        with self._queue_lock:
            self._queue.append(mine)
        with self._turn:
            if not mine.done:
                self._write_waiting()
        if mine.error is not None:
            raise mine.error

    def _write_waiting(self) -> None:
        with self._queue_lock:
            batch, self._queue = self._queue, []
        error: BaseException | None = None
        try:
            self._write([waiting.facts for waiting in batch])
        except BaseException as found:
            error = found
        for waiting in batch:
            waiting.done, waiting.error = True, error
