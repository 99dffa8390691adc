"""Disturbed sound for benches: white and pink noise, babble of other talkers, a small room, each at a
given level."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dictate.events import SAMPLE_RATE_HZ, Samples

Floats = npt.NDArray[np.float64]


def white(length: int, seed: int = 1) -> Floats:
    """White noise."""
    return np.random.default_rng(seed).standard_normal(length)


def pink(length: int, seed: int = 1) -> Floats:
    """Noise whose power falls as 1/f."""
    spectrum = np.fft.rfft(white(length, seed))
    scale = np.sqrt(np.maximum(1.0, np.arange(len(spectrum))))
    return np.fft.irfft(spectrum / scale, length)


def babble(length: int, talkers: list[Samples], seed: int = 1) -> Floats:
    """Other people talking at once: the recordings from random places, added."""
    chance = np.random.default_rng(seed)
    total = np.zeros(length)
    for talker in talkers:
        speech = talker.astype(np.float64)
        speech /= np.sqrt(np.mean(speech**2)) + 1e-9
        repeated = np.tile(speech, length // len(speech) + 2)
        begin = chance.integers(0, len(speech))
        total += repeated[begin : begin + length]
    return total


def add_noise(samples: Samples, noise: Floats, ratio_db: float) -> Samples:
    """Speech with noise `ratio_db` below it (power of the speech's loud frames against that of the noise)."""
    speech = samples.astype(np.float64)
    frames = speech[: len(speech) // 320 * 320].reshape(-1, 320)
    power = np.mean(frames**2, axis=1)
    loud = np.mean(power[power > 0.05 * np.max(power)])
    scale = np.sqrt(loud / (np.mean(noise**2) + 1e-12) / 10 ** (ratio_db / 10))
    mixed = speech + scale * noise
    peak = np.max(np.abs(mixed))
    return np.asarray(mixed * min(1.0, 32_000 / (peak + 1e-9)), dtype=np.int16)


def room(samples: Samples, seconds: float = 0.4, seed: int = 1) -> Samples:
    """A reverberant room: exponentially falling reflections (a common stand-in for a measured response)."""
    length = int(seconds * SAMPLE_RATE_HZ)
    tail = np.random.default_rng(seed).standard_normal(length) * 10 ** (-3 * np.arange(length) / length)
    response = np.concatenate(([1.0], 0.12 * tail))
    size = len(samples) + len(response) - 1
    wet = np.fft.irfft(np.fft.rfft(samples, size) * np.fft.rfft(response, size), size)[: len(samples)]
    return np.asarray(wet / np.max(np.abs(wet)) * 16_000, dtype=np.int16)
