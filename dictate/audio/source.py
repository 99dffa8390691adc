"""The Protocol of everything that gives sound."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from dictate.events import AudioChunk


class Source(Protocol):
    """An iterator of AudioChunk (mono, 16 kHz, int16) that can be closed."""

    def __iter__(self) -> Iterator[AudioChunk]: ...

    def close(self) -> None: ...
