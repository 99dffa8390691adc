"""What flows from sound to text: frozen events, units in the names.

All sound inside the program is mono, 16 kHz, signed 16-bit; times are seconds from the start of the recording.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

SAMPLE_RATE_HZ = 16_000

Samples = npt.NDArray[np.int16]


@dataclass(frozen=True, slots=True)
class AudioChunk:
    """A piece of mono 16 kHz int16 sound; `start_s` is the time of its first sample."""

    samples: Samples
    start_s: float

    @property
    def end_s(self) -> float:
        return self.start_s + len(self.samples) / SAMPLE_RATE_HZ


@dataclass(frozen=True, slots=True)
class Word:
    """One recognised word; `confidence` is 0 to 1. `rivals` are other readings the recogniser weighed."""

    text: str
    start_s: float
    end_s: float
    confidence: float
    rivals: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SpeechStarted:
    """The endpointer says that someone began to speak."""

    start_s: float


@dataclass(frozen=True, slots=True)
class PartialText:
    """What the engine makes of the utterance so far; may still change."""

    text: str
    start_s: float


@dataclass(frozen=True, slots=True)
class FinalText:
    """One finished utterance. `rejected`: the sound is speech, but not for the tool; it becomes unread text."""

    words: tuple[Word, ...]
    start_s: float
    end_s: float
    rejected: bool = False
    remarks: tuple[str, ...] = field(default=())

    @property
    def text(self) -> str:
        return " ".join(word.text for word in self.words)


@dataclass(frozen=True, slots=True)
class SpeechStopped:
    """The endpointer says that the utterance is over (`end_s` is the end of the speech, not of the silence)."""

    end_s: float


Event = SpeechStarted | PartialText | FinalText | SpeechStopped
