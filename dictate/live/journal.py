"""The journal of one examination: an append-only file with one JSON object a line.

Each entry has `n` (1, 2, 3 ...), `at` (wall clock, UTC) and `kind`; the other fields depend on the kind:

    opened     schema, program, grammar, engine, complaint, keep_sound, source
    started    start_s                                   someone began to speak
    partial    start_s, text                             what was heard so far; may change
    utterance  start_s, end_s, words, rejected, remarks  [text, start_s, end_s, confidence, rivals] each
    typed      at_s, text                                a key or button, written as the words it stands for
    paused     at_s, by | resumed at_s, by               between them the sound was not kept
    muted      start_s, end_s                            the tool itself was speaking
    problem    at_s, text                                device lost, disk full, engine fault ...
    closed     at_s, reason, draft

Entries are flushed at once (they survive the death of the program); `sync=True` makes the disk keep them
(they survive a power cut). A line that a crash tore is recognised and left out when reading.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from dictate.errors import StoreError
from dictate.events import FinalText, Word

SCHEMA = "1"


def _utc_now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


class Journal:
    """Appends entries to `path`. A full disk never raises: lines wait in memory and `problem` says why."""

    def __init__(self, path: Path, *, now: Callable[[], str] = _utc_now) -> None:
        self.problem: str | None = None
        self._now = now
        self._waiting = bytearray()
        before = read(path) if path.exists() else JournalText()
        self._n = before.entries[-1]["n"] if before.entries else 0
        try:
            self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o600)
        except OSError as error:
            raise StoreError(
                f"The journal {path} cannot be written ({error.strerror}). Free some space or choose another "
                "folder with SPOKEN_EXAM_HOME."
            ) from error
        if before.open_ended:
            self._waiting += b"\n"  # ends a torn line, so that it spoils no other

    def append(self, kind: str, *, sync: bool = False, **facts: Any) -> None:
        """Add one entry; with `sync` it is safe against a power cut when this returns."""
        self._n += 1
        entry = {"n": self._n, "at": self._now(), "kind": kind, **facts}
        self._waiting += json.dumps(entry, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
        self.drain(sync=sync)

    def drain(self, *, sync: bool = False) -> bool:
        """Write what waits; True when all of it reached the file."""
        try:
            while self._waiting:
                written = os.write(self._fd, self._waiting)
                del self._waiting[:written]
            if sync:
                os.fsync(self._fd)
            self.problem = None
        except OSError as error:
            self.problem = error.strerror or str(error)
        return not self._waiting

    def close(self) -> None:
        """Write and sync what can be, then close."""
        self.drain(sync=True)
        os.close(self._fd)


@dataclass(frozen=True)
class JournalText:
    """A journal as read: its entries in order and how many lines were torn or spoilt.

    `open_ended`: its last line has no end.
    """

    entries: tuple[dict[str, Any], ...] = ()
    torn: int = 0
    open_ended: bool = False

    def of_kind(self, *kinds: str) -> tuple[dict[str, Any], ...]:
        return tuple(entry for entry in self.entries if entry["kind"] in kinds)

    @property
    def opened(self) -> dict[str, Any]:
        return next(iter(self.of_kind("opened")), {})

    @property
    def closed(self) -> bool:
        return bool(self.of_kind("closed"))


def read(path: Path) -> JournalText:
    """The entries of a journal; torn lines (power cut, full disk) are counted and left out."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return JournalText()
    entries, torn = [], 0
    for line in data.split(b"\n"):
        if not line.strip(b"\0 \r"):
            continue
        try:
            entry = json.loads(line)
            if isinstance(entry, dict) and isinstance(entry.get("kind"), str) and isinstance(entry.get("n"), int):
                entries.append(entry)
            else:
                torn += 1
        except ValueError:
            torn += 1
    return JournalText(tuple(entries), torn, bool(data) and not data.endswith(b"\n"))


def utterance_facts(final: FinalText) -> dict[str, Any]:
    """A FinalText as journal fields."""
    return {
        "start_s": float(final.start_s),
        "end_s": float(final.end_s),
        "rejected": final.rejected,
        "remarks": list(final.remarks),
        "words": [[w.text, float(w.start_s), float(w.end_s), float(w.confidence), list(w.rivals)] for w in final.words],
    }


def utterance_of(entry: dict[str, Any]) -> FinalText:
    """The FinalText that an "utterance" entry was made from."""
    words = tuple(Word(text, start, end, conf, tuple(rivals)) for text, start, end, conf, rivals in entry["words"])
    return FinalText(words, entry["start_s"], entry["end_s"], entry["rejected"], tuple(entry["remarks"]))
