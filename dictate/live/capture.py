"""From the source to the disk, in a thread of its own, and only then on to recognition.

Whatever recognition does (lag, crash), sound keeps reaching the disk. Everything that must stay in order
with the sound (the pause key, the end) travels in the same queue.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from dictate.audio.source import Source
from dictate.errors import DeviceError, DictateError, InputError
from dictate.events import SAMPLE_RATE_HZ, AudioChunk, Samples
from dictate.live.recording import Recording

SYNC_EVERY_S = 0.5  # half of the second that a power cut may cost
RETRY_EVERY_S = 2.0
PATIENCE_ITEMS = 15
_FLOOR_DB = -60.0


@dataclass(frozen=True, slots=True)
class Sound:
    """A chunk that is on disk. `kept` is what is there (silence while paused), `real` what was heard; `taken` is
    the clock (monotonic seconds) when it came."""

    kept: AudioChunk
    real: Samples
    muted: bool
    taken: float

    def since(self, at_s: float) -> Sound | None:
        """The part of it that came at `at_s` or later."""
        before = max(0, round((at_s - self.kept.start_s) * SAMPLE_RATE_HZ))
        if before >= len(self.real):
            return None
        kept = AudioChunk(self.kept.samples[before:], self.kept.start_s + before / SAMPLE_RATE_HZ)
        return Sound(kept, self.real[before:], self.muted, self.taken)


@dataclass(frozen=True, slots=True)
class Mark:
    """A switch at an exact place in the sound."""

    kind: Literal["paused", "resumed", "ended"]
    at_s: float


Item = Sound | Mark


class Capture:
    """Reads `open_source()` until it ends or `stop()`; opens a lost microphone again every two seconds."""

    def __init__(self, open_source: Callable[[], Source], recording: Recording, *, patient: bool = False) -> None:
        """`patient`: wait for recognition instead of running ahead of it (for files, never for a microphone)."""
        self.items: queue.SimpleQueue[Item] = queue.SimpleQueue()
        self.recording = recording
        self.problem: str | None = None
        self.fault: DictateError | None = None
        self.level = 0.0
        self.overflows = 0
        self.muted = False
        self.began: float | None = None
        self._open_source = open_source
        self._patient = patient
        self._paused = False
        self._samples = 0
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="capture", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Stop taking sound; what was taken is on disk when this returns."""
        self._stop.set()
        self._thread.join(timeout=5)

    @property
    def position_s(self) -> float:
        """Seconds of sound taken so far."""
        return self._samples / SAMPLE_RATE_HZ

    @property
    def elapsed_s(self) -> float:
        """Seconds since the first sample was spoken, by the wall clock."""
        return 0.0 if self.began is None else time.monotonic() - self.began

    def keep(self, keeping: bool) -> float:
        """From now on write the sound (True) or silence (False); returns from where, in seconds."""
        with self._lock:
            self._paused = not keeping
            return self.position_s

    def mark(self, kind: Literal["paused", "resumed", "ended"]) -> None:
        """Put a switch into the queue, right after the sound taken so far."""
        with self._lock:
            if kind != "ended":
                self._paused = kind == "paused"
            self.items.put(Mark(kind, self.position_s))

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                try:
                    self._read_source()
                    break
                except InputError as error:  # a file: trying again would not help
                    self.fault = error
                    break
                except Exception as error:  # whatever a sound driver throws, the examination goes on
                    if self._samples == 0:  # it never worked: a fault of the set-up, not of the moment
                        self.fault = error if isinstance(error, DictateError) else DeviceError(str(error))
                        break
                    self.problem = f"The microphone is lost; trying again. ({error})"
                    self._stop.wait(RETRY_EVERY_S)
        finally:
            self.recording.drain()
            self.recording.sync()
            self.mark("ended")

    def _read_source(self) -> None:
        source = self._open_source()
        synced = time.monotonic()
        try:
            for chunk in source:
                self._take(chunk.samples)
                while self._patient and self.items.qsize() > PATIENCE_ITEMS and not self._stop.is_set():
                    time.sleep(0.005)
                self.problem = None
                self.overflows = int(getattr(source, "overflows", 0))
                if time.monotonic() - synced > SYNC_EVERY_S:
                    self.recording.sync()
                    synced = time.monotonic()
                if self._stop.is_set():
                    break
        finally:
            source.close()

    def _take(self, samples: Samples) -> None:
        if self.began is None:
            self.began = time.monotonic() - len(samples) / SAMPLE_RATE_HZ
        self.level = level_of(samples)
        with self._lock:
            kept = np.zeros_like(samples) if self._paused else samples
            self.recording.append(kept)
            self.items.put(Sound(AudioChunk(kept, self.position_s), samples, self.muted, time.monotonic()))
            self._samples += len(samples)


def level_of(samples: Samples) -> float:
    """Loudness for a meter, 0 to 1: root mean square, -60 dB (0) to full scale (1)."""
    if not len(samples):
        return 0.0
    power = float(np.mean(samples.astype(np.float32) ** 2)) / 32768.0**2
    decibels = 10 * np.log10(power) if power > 0 else _FLOOR_DB
    return float(np.clip(1 - decibels / _FLOOR_DB, 0, 1))


class Paced:
    """A source at the speed of life (or `speed` times that), as if it were a microphone."""

    def __init__(self, source: Source, speed: float = 1.0) -> None:
        self._source, self._speed = source, speed

    def __iter__(self) -> Iterator[AudioChunk]:
        began = time.monotonic()
        for chunk in self._source:
            wait = began + chunk.end_s / self._speed - time.monotonic()
            if wait > 0:
                time.sleep(wait)
            yield chunk

    def close(self) -> None:
        self._source.close()
