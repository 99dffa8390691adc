"""The kept sound of one examination: written as it arrives, readable after any interruption.

The file is a Sun/NeXT "AU" file with the data size 0xFFFFFFFF, which that format defines as "unknown,
read to the end of the file" (Sun Microsystems, audio(5)/au file format). So the file is complete after
every single write: no index, no trailer, no size to patch; cut it anywhere and what stands before the cut
can be played. It holds mono 16 kHz signed 16-bit samples, big-endian as AU wants them.

When the disk refuses a write, the sound waits in memory (ten minutes of it) and is written once there is
room.
"""

from __future__ import annotations

import os
import struct
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from dictate.errors import InputError, StoreError
from dictate.events import SAMPLE_RATE_HZ, AudioChunk, Samples

HEADER_BYTES = 24
_HEADER = struct.pack(">4sIIIII", b".snd", HEADER_BYTES, 0xFFFFFFFF, 3, SAMPLE_RATE_HZ, 1)
_BYTES_A_SAMPLE = 2
_WAITING_LIMIT_BYTES = 600 * SAMPLE_RATE_HZ * _BYTES_A_SAMPLE
_sync = getattr(os, "fdatasync", os.fsync)


class Recording:
    """An append-only sound file. Never raises on a full disk: `problem` then says what is wrong."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.problem: str | None = None
        self.lost_samples = 0
        self._lock = threading.RLock()  # the capture thread appends; the loop drains, blanks and fills
        self._waiting = bytearray()
        self._unsynced = False
        try:
            self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
            os.write(self._fd, _HEADER)
            os.fsync(self._fd)
        except OSError as error:
            raise StoreError(
                f"The recording {path} cannot be written ({error.strerror}). Free some space or choose "
                "another folder with SPOKEN_EXAM_HOME."
            ) from error

    def append(self, samples: Samples) -> None:
        """Write `samples` now; on a full disk keep them in memory and try again with the next call."""
        data = samples.astype(">i2").tobytes()
        with self._lock:
            if len(self._waiting) + len(data) > _WAITING_LIMIT_BYTES or self.lost_samples:
                self.lost_samples += len(samples)  # after a hole nothing may follow, or every later time would be wrong
            else:
                self._waiting += data
            self.drain()

    def drain(self) -> bool:
        """Write what waits; True when nothing waits any more."""
        with self._lock:
            try:
                while self._waiting:
                    written = os.write(self._fd, self._waiting)
                    self._unsynced = True
                    del self._waiting[:written]
                self.problem = None
            except OSError as error:
                self.problem = error.strerror or str(error)
            return not self._waiting

    def sync(self) -> None:
        """Have the disk keep what was written (survives a power cut)."""
        if self._unsynced:
            try:
                _sync(self._fd)
                self._unsynced = False
            except OSError as error:
                self.problem = error.strerror or str(error)

    @property
    def waiting_s(self) -> float:
        """Seconds of sound that are in memory only."""
        return len(self._waiting) / _BYTES_A_SAMPLE / SAMPLE_RATE_HZ

    def blank(self, from_sample: int, to_sample: int) -> bool:
        """Overwrite a recognised stretch with silence, in place (for those who do not want sound kept).

        False when the disk refused (`problem` says why), or when some of it still waits in memory: ask for the
        same stretch again later.
        """
        silence = bytes(SAMPLE_RATE_HZ * _BYTES_A_SAMPLE)
        with self._lock:
            return self._blank(silence, from_sample, to_sample)

    def _blank(self, silence: bytes, from_sample: int, to_sample: int) -> bool:
        try:
            written = (os.fstat(self._fd).st_size - HEADER_BYTES) // _BYTES_A_SAMPLE
            at, end = max(from_sample, 0), min(to_sample, written)
            while at < end:
                count = min(end - at, SAMPLE_RATE_HZ)
                self._unsynced = True
                os.pwrite(self._fd, silence[: count * _BYTES_A_SAMPLE], HEADER_BYTES + at * _BYTES_A_SAMPLE)
                at += count
        except OSError as error:  # a copy-on-write disk needs room even for this
            self.problem = error.strerror or str(error)
            return False
        return to_sample <= written or not self._waiting

    def fill(self, from_sample: int, samples: Samples) -> None:
        """Put sound in the place of silence that was written there (it turned out to be wanted)."""
        data, at = samples.astype(">i2").tobytes(), from_sample * _BYTES_A_SAMPLE
        with self._lock:
            try:
                written = os.fstat(self._fd).st_size - HEADER_BYTES
                on_disk = max(0, min(len(data), written - at))
                waits_at = max(0, at - written)
                rest = data[on_disk:][: max(0, len(self._waiting) - waits_at)]
                self._waiting[waits_at : waits_at + len(rest)] = rest
                if on_disk:
                    self._unsynced = True
                    os.pwrite(self._fd, data[:on_disk], HEADER_BYTES + at)
            except OSError as error:  # a copy-on-write disk needs room even for this
                self.problem = error.strerror or str(error)

    def close(self) -> None:
        """Write and sync what can be, then close."""
        self.drain()
        self.sync()
        os.close(self._fd)


def load(path: Path) -> Samples:
    """All samples of a recording, however it ended; a torn last byte is ignored."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"The recording {path} cannot be read ({error.strerror}).") from error
    if len(data) < HEADER_BYTES:
        return np.zeros(0, dtype=np.int16)
    if data[:4] != b".snd":
        raise InputError(f"{path} is not a recording of a live examination (it does not begin with '.snd').")
    start = int.from_bytes(data[4:8], "big")
    count = (len(data) - start) // _BYTES_A_SAMPLE
    return np.frombuffer(data, dtype=">i2", count=count, offset=start).astype(np.int16)


def chunks(path: Path, *, from_sample: int = 0, chunk_samples: int = SAMPLE_RATE_HZ // 10) -> Iterator[AudioChunk]:
    """The recording as 100 ms chunks, read piece by piece, starting at `from_sample`."""
    with path.open("rb") as file:
        file.seek(HEADER_BYTES + from_sample * _BYTES_A_SAMPLE)
        at = from_sample
        while data := file.read(chunk_samples * _BYTES_A_SAMPLE):
            samples = np.frombuffer(data, dtype=">i2", count=len(data) // _BYTES_A_SAMPLE).astype(np.int16)
            if not len(samples):
                return
            yield AudioChunk(samples, at / SAMPLE_RATE_HZ)
            at += len(samples)


def length_s(path: Path) -> float:
    """Seconds of sound in a recording on disk."""
    try:
        return max(0, path.stat().st_size - HEADER_BYTES) // _BYTES_A_SAMPLE / SAMPLE_RATE_HZ
    except FileNotFoundError:
        return 0.0
