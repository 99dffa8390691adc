"""What a worker and its reading process say to each other over a pipe.

A frame is four bytes of length, then a pickle: both ends are this program and nobody else is on the pipe.
"""

from __future__ import annotations

import pickle
import sys
from dataclasses import dataclass
from typing import IO, Any

from dictate.archive.inputs import Fault
from dictate.archive.rows import NoteRows

try:
    import resource
except ImportError:  # not on Windows
    resource = None  # type: ignore[assignment]


@dataclass(frozen=True, slots=True)
class Request:
    """A note to parse. `cpu_s` is the processor time after which the kernel may end this process."""

    text: str | None
    path: str | None
    complaint: tuple[str, ...]
    cpu_s: float


@dataclass(frozen=True, slots=True)
class Answer:
    """The rows of a note or the reason why there are none; `peak_mb` and `cpu_s` are this process's
    peak memory and processor time so far.

    `stop` is a sentence when nothing like this note can be read here (the worker has no recogniser).
    """

    rows: NoteRows | None
    fault: Fault | None
    peak_mb: float
    cpu_s: float = 0.0
    stop: str | None = None


@dataclass(frozen=True, slots=True)
class Hello:
    """The first frame: which grammar was loaded, or why none could be."""

    grammar_version: str
    cpu_s: float = 0.0
    fault: str | None = None


def send(file: IO[bytes], value: object) -> None:
    """Write one frame."""
    data = pickle.dumps(value, protocol=5)
    file.write(len(data).to_bytes(4, "big") + data)
    file.flush()


def receive(file: IO[bytes]) -> Any:
    """Read one frame; None when the other end is closed."""
    head = file.read(4)
    if len(head) < 4:
        return None
    size = int.from_bytes(head, "big")
    data = file.read(size)
    return pickle.loads(data) if len(data) == size else None


def peak_mb() -> float:
    """Peak resident memory of this process in MB (Linux counts in KiB, macOS in bytes)."""
    if resource is None:
        return 0.0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1024 * 1024 if sys.platform == "darwin" else 1024)
