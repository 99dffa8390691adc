"""Sound for tests: tones, noise and real synthesised speech that ships with the tests."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def tone(seconds: float, rate_hz: int = 16_000, hertz: float = 440.0, level: float = 0.3) -> Floats:
    """A sine."""
    return level * np.sin(2 * np.pi * hertz * np.arange(int(seconds * rate_hz)) / rate_hz)


def noise(seconds: float, rate_hz: int = 16_000, level: float = 0.01, seed: int = 1) -> Floats:
    """White noise."""
    return level * np.random.default_rng(seed).standard_normal(int(seconds * rate_hz))
