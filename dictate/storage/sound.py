"""Sound of the store: kept in sealed FLAC pieces of ten seconds, given back as a WAV file of which any part
can be read.

Only the pieces that a requested byte range touches are opened, so that a click in the middle of a long
recording stays quick. The WAV header follows the RIFF/WAVE layout (Microsoft and IBM, 1991): 44 bytes, PCM
16 bit.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile

from dictate.errors import InputError
from dictate.events import SAMPLE_RATE_HZ, AudioChunk, Samples

PIECE_SAMPLES = 10 * SAMPLE_RATE_HZ
HEADER_BYTES = 44
SAMPLE_BYTES = 2

AudioInput = Path | str | Samples | Iterable[AudioChunk]


class PackedPiece(NamedTuple):
    """One piece of sound, ready to be sealed."""

    samples: int
    body: bytes


def packed(samples: Samples) -> bytes:
    """Samples as FLAC, without loss."""
    buffer = io.BytesIO()
    soundfile.write(buffer, samples, SAMPLE_RATE_HZ, format="FLAC", subtype="PCM_16")
    return buffer.getvalue()


def unpacked(body: bytes) -> Samples:
    """The samples of `packed`."""
    samples, _rate = soundfile.read(io.BytesIO(body), dtype="int16")
    return samples


def pieces(audio: AudioInput) -> Iterator[Samples]:
    """The sound in pieces of ten seconds (the last is shorter); reads one piece at a time."""
    waiting: list[Samples] = []
    count = 0
    for samples in _blocks(audio):
        waiting.append(samples)
        count += len(samples)
        if count >= PIECE_SAMPLES:
            joined = np.concatenate(waiting)
            whole = len(joined) // PIECE_SAMPLES * PIECE_SAMPLES
            for start in range(0, whole, PIECE_SAMPLES):
                yield joined[start : start + PIECE_SAMPLES]
            waiting, count = [joined[whole:]], len(joined) - whole
    if count:
        yield np.concatenate(waiting)


def packed_pieces(audio: AudioInput | None) -> list[PackedPiece]:
    """All pieces as FLAC. Takes its time (reading and encoding), so call it before a transaction begins."""
    return [PackedPiece(len(piece), packed(piece)) for piece in pieces(audio)] if audio is not None else []


def _blocks(audio: AudioInput) -> Iterator[Samples]:
    if isinstance(audio, np.ndarray):
        if audio.dtype != np.int16 or audio.ndim != 1:
            raise InputError("Sound for the store must be mono 16-bit samples at 16 kHz.")
        yield audio
    elif isinstance(audio, str | Path):
        from dictate.audio.sound_file import SoundFile

        source = SoundFile(Path(audio))
        try:
            for chunk in source:
                yield chunk.samples
        finally:
            source.close()
    else:
        for chunk in audio:
            yield chunk.samples


@dataclass(frozen=True)
class KeptSound:
    """One recording of the store, readable as a WAV file."""

    samples: int
    load: Callable[[int], bytes]
    """Gives the FLAC body of a piece by its number."""

    @property
    def size_bytes(self) -> int:
        return HEADER_BYTES + self.samples * SAMPLE_BYTES

    @property
    def duration_s(self) -> float:
        return self.samples / SAMPLE_RATE_HZ

    def read(self, start: int, end: int) -> bytes:
        """Bytes [start, end) of the WAV file."""
        end = min(end, self.size_bytes)
        if start >= end:
            return b""
        parts = [wave_header(self.samples)[start:end]] if start < HEADER_BYTES else []
        first = max(start, HEADER_BYTES) - HEADER_BYTES
        last = end - HEADER_BYTES
        piece_bytes = PIECE_SAMPLES * SAMPLE_BYTES
        for number in range(first // piece_bytes, -(-last // piece_bytes) if last > 0 else 0):
            body = unpacked(self.load(number)).astype("<i2").tobytes()
            offset = number * piece_bytes
            parts.append(body[max(0, first - offset) : last - offset])
        return b"".join(parts)

    def all_samples(self) -> Samples:
        """The whole recording in memory."""
        count = -(-self.samples // PIECE_SAMPLES)
        found = [unpacked(self.load(number)) for number in range(count)]
        return np.concatenate(found) if found else np.zeros(0, dtype=np.int16)


def wave_header(samples: int) -> bytes:
    """The header of a mono 16 kHz 16-bit WAV file."""
    data = samples * SAMPLE_BYTES
    rate = SAMPLE_RATE_HZ
    return (
        struct.pack("<4sI4s", b"RIFF", 36 + data, b"WAVE")
        + struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, rate, rate * SAMPLE_BYTES, SAMPLE_BYTES, 16)
        + struct.pack("<4sI", b"data", data)
    )
