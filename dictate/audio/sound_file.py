"""A sound file as a Source: any format libsndfile reads, any rate, length and number of channels.

The file is streamed, never held whole: blocks of the chosen channel go through a streaming resampler (soxr)
and leave as 100 ms chunks of mono 16 kHz int16. Of several channels the one whose speech stands out most from
its own background is taken; mixing them would add the noise of every microphone.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from dictate.errors import InputError
from dictate.events import SAMPLE_RATE_HZ, AudioChunk

CHUNK_SAMPLES = SAMPLE_RATE_HZ // 10
BLOCK_S = 1.0
PROBES = 40
"""How many one-second blocks, spread over the file, decide which channel is best."""
CLIP_LEVEL = 0.985

Floats = npt.NDArray[np.float32]


class SoundFile:
    """An iterator of 100 ms AudioChunks over one file; `remarks` says what was odd about it."""

    def __init__(self, path: Path | str) -> None:
        """Open the file; InputError (one sentence) when it is missing, empty or not sound."""
        self.path = Path(path)
        self._file = _open(self.path)
        self.rate_hz = int(self._file.samplerate)
        self.channels = int(self._file.channels)
        self.frames = max(0, int(self._file.frames))
        self.remarks: list[str] = []
        if self.frames == 0:
            self.close()
            raise InputError(f"{self.path} holds no sound (0 samples); record again or give another file.")
        if self.rate_hz < SAMPLE_RATE_HZ:
            self.remarks.append(f"{self.path.name} is sampled at {self.rate_hz} Hz; use 16000 Hz.")
        if _riff_is_cut(self.path):
            self.remarks.append(f"{self.path.name} ends before its header says; what is there was heard.")
        self.channel = self._best_channel() if self.channels > 1 else 0
        if self.channels > 1:
            self.remarks.append(f"Channel {self.channel + 1} of {self.channels} was heard (the clearest).")

    @property
    def duration_s(self) -> float:
        """Length in seconds as the header tells it."""
        return self.frames / self.rate_hz

    def __iter__(self) -> Iterator[AudioChunk]:
        import soxr

        stream = soxr.ResampleStream(self.rate_hz, SAMPLE_RATE_HZ, 1, dtype="float32", quality="HQ")
        done = 0
        rest: Floats = np.zeros(0, dtype=np.float32)
        for block, last in self._blocks():
            rest = np.concatenate((rest, stream.resample_chunk(block, last=last)))
            while len(rest) >= CHUNK_SAMPLES or (last and len(rest)):
                piece, rest = rest[:CHUNK_SAMPLES], rest[CHUNK_SAMPLES:]
                yield AudioChunk(samples=_to_int16(piece), start_s=done / SAMPLE_RATE_HZ)
                done += len(piece)

    def close(self) -> None:
        """Close the file; safe to call twice."""
        self._file.close()

    def __enter__(self) -> SoundFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _blocks(self) -> Iterator[tuple[Floats, bool]]:
        """Blocks of the chosen channel and whether each is the last (the last one may be empty)."""
        import soundfile

        self._file.seek(0)
        size = max(1, int(self.rate_hz * BLOCK_S))
        seen = 0
        while True:
            try:
                block = self._file.read(size, dtype="float32", always_2d=True)
            except soundfile.LibsndfileError:
                block = np.zeros((0, self.channels), dtype=np.float32)
            seen += len(block)
            last = len(block) < size
            if last and seen < self.frames - size:
                self.remarks.append(
                    f"{self.path.name} is damaged after {seen / self.rate_hz:.0f} s of "
                    f"{self.duration_s:.0f} s; the rest was not heard."
                )
            mono = np.nan_to_num(np.ascontiguousarray(block[:, self.channel]))
            yield mono, last
            if last:
                return

    def _best_channel(self) -> int:
        """The channel whose loud frames stand out most from its quiet ones; clipping counts against it."""
        size = int(self.rate_hz * BLOCK_S)
        steps = max(1, self.frames // size)
        frame = max(1, self.rate_hz // 50)
        levels: list[Floats] = []
        clipped = np.zeros(self.channels)
        for index in sorted({int(k * steps / PROBES) for k in range(PROBES)}):
            try:
                self._file.seek(index * size)
                block = self._file.read(size, dtype="float32", always_2d=True)
            except Exception:  # a damaged middle only means fewer probes
                continue
            usable = len(block) // frame * frame
            if usable == 0:
                continue
            framed = block[:usable].reshape(-1, frame, self.channels)
            levels.append(10 * np.log10(np.mean(framed.astype(np.float64) ** 2, axis=1) + 1e-9))
            clipped += np.mean(np.abs(block) >= CLIP_LEVEL, axis=0)
        if not levels:
            return 0
        level = np.concatenate(levels)
        contrast = np.percentile(level, 90, axis=0) - np.percentile(level, 15, axis=0)
        loud = np.percentile(level, 90, axis=0)
        score = contrast - 200.0 * clipped / len(levels) - 1000.0 * (loud < -75)
        return int(np.argmax(score))


def _to_int16(piece: Floats) -> npt.NDArray[np.int16]:
    return np.clip(np.round(piece * 32768.0), -32768, 32767).astype(np.int16)


def _open(path: Path) -> Any:
    import soundfile

    if path.is_dir():
        raise InputError(f"{path} is a folder; name the sound files in it.")
    try:
        size = path.stat().st_size
    except OSError as error:
        raise InputError(f"{path} cannot be opened ({error.strerror or error}); check the name.") from error
    if size == 0:
        raise InputError(f"{path} is an empty file (0 bytes); record again or give another file.")
    if not os.access(path, os.R_OK):
        raise InputError(f"{path} may not be read by this user; change its permissions.")
    try:
        return soundfile.SoundFile(str(path))
    except (soundfile.LibsndfileError, RuntimeError, TypeError) as error:
        kind = (
            "it looks like text; hear it with `dictate read`"
            if _looks_like_text(path)
            else ("formats known here are wav, flac, ogg, mp3, aiff; convert it first, for example to flac")
        )
        raise InputError(f"{path} cannot be read as sound: {kind}.") from error


def _looks_like_text(path: Path) -> bool:
    with path.open("rb") as file:
        head = file.read(4096)
    printable = sum(byte >= 32 or byte in (9, 10, 13) for byte in head)
    return b"\0" not in head and printable >= 0.97 * max(1, len(head))


def _riff_is_cut(path: Path) -> bool:
    """Whether a RIFF header promises more bytes than the file has (a recording that was broken off)."""
    with path.open("rb") as file:
        head = file.read(8)
    if len(head) < 8 or head[:4] != b"RIFF":
        return False
    promised = int.from_bytes(head[4:8], "little")
    return promised not in (0, 0xFFFFFFFF) and promised + 8 > path.stat().st_size + 1
