"""The second ear in noise: PocketSphinx behind a noise suppressor, when there is noise.

PocketSphinx's sounds were learnt without noise; pink noise at 10 dB ruins more than every second word,
behind the noise suppressor of WebRTC (package webrtc-noise-gain, BSD licence) every third. On clean sound
it only costs. So the level of the first quarter second, which the listener takes from before the speech,
decides. Without the package the ear hears the raw sound.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from dictate.engines.engine import Engine, prepare
from dictate.events import SAMPLE_RATE_HZ, FinalText, PartialText, Samples

FRAME = SAMPLE_RATE_HZ // 100
PRE_ROLL = SAMPLE_RATE_HZ // 4 // FRAME * FRAME
NOISY_DBFS = -45.0
SUPPRESSION = 3
WARM_UP = 4
"""The suppressor hears the first quarter second so many times before it starts, to know the noise."""


class QuietedEar:
    """An engine that hears through a noise suppressor whenever an utterance begins in noise."""

    def __init__(self, engine: Engine) -> None:
        self._engine, self.name = engine, engine.name
        self._held: Samples = np.zeros(0, dtype=np.int16)
        self._begun = False
        self._filter: Any = None

    def start(self, start_s: float) -> None:
        """Begin an utterance."""
        self._held, self._begun, self._filter = np.zeros(0, dtype=np.int16), False, None
        self._engine.start(start_s)

    def accept(self, samples: Samples) -> PartialText | None:
        """Take sound; the first quarter second is kept back until its level is known."""
        self._held = np.concatenate([self._held, samples])
        if not self._begun:
            if len(self._held) < PRE_ROLL:
                return None
            self._begin()
        return self._hand_on()

    def prepare(self) -> FinalText | None:
        """Hand on what is left and let the engine work ahead."""
        self._hand_on_rest()
        return prepare(self._engine)

    def finish(self) -> FinalText:
        """Hand on what is left and finish."""
        self._hand_on_rest()
        return self._engine.finish()

    def close(self) -> None:
        """Close the engine."""
        self._engine.close()

    def _begin(self) -> None:
        self._begun = True
        self._filter = suppressor_for(self._held[:PRE_ROLL])

    def _hand_on_rest(self) -> None:
        """The last part of a frame; more sound may follow it."""
        if len(self._held):
            self._begun = True
            self._engine.accept(self._held)
            self._held = self._held[:0]

    def _hand_on(self) -> PartialText | None:
        whole = len(self._held) // FRAME * FRAME
        ready, self._held = self._held[:whole], self._held[whole:]
        if not whole:
            return None
        return self._engine.accept(ready if self._filter is None else quieted(self._filter, ready))


def level_dbfs(samples: Samples) -> float:
    """Root-mean-square level in decibels below full scale, -100 for silence."""
    power = float(np.mean((samples.astype(np.float64) / 32_768.0) ** 2)) if len(samples) else 0.0
    return 10.0 * float(np.log10(power + 1e-10))


def is_noisy(lead: Samples) -> bool:
    """Whether the quarter second before the speech is loud; less sound than that tells nothing."""
    return len(lead) >= PRE_ROLL and level_dbfs(lead) >= NOISY_DBFS


def suppressor_for(lead: Samples) -> Any:
    """A noise suppressor that knows the noise of `lead`; None when that is quiet, or the package is not installed."""
    if not is_noisy(lead):
        return None
    processor = suppressor()
    if processor is not None:
        for _ in range(WARM_UP):
            quieted(processor, lead)
    return processor


def quiet_copy(samples: Samples, lead: Samples) -> Samples | None:
    """The sound with less noise, the rest of a frame left off; `lead`: the utterance's first quarter second. None when
    there is no noise."""
    processor = suppressor_for(lead)
    return None if processor is None else quieted(processor, samples[: len(samples) // FRAME * FRAME])


def suppressor() -> Any:
    """A fresh noise suppressor, None when its package is not installed."""
    try:
        from webrtc_noise_gain import AudioProcessor
    except ImportError:
        return None
    return AudioProcessor(0, SUPPRESSION)


def quieted(processor: Any, samples: Samples) -> Samples:
    """Whole 10 ms frames with less noise."""
    frames = [processor.Process10ms(samples[at : at + FRAME].tobytes()).audio for at in range(0, len(samples), FRAME)]
    return np.frombuffer(b"".join(frames), dtype=np.int16)
