"""Soft signals: three short tones, off unless asked for. Made here, so no sound file is needed."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

Volume = Literal["off", "soft", "clear"]
RATE_HZ = 16_000
_GAIN = {"soft": 0.05, "clear": 0.2}
# what happened -> (pitch in Hz, seconds) of each note: one low, two rising, two falling; told apart by
# shape too
TONES = {
    "found": ((440.0, 0.07),),
    "needs_side": ((440.0, 0.07), (660.0, 0.11)),
    "not_understood": ((440.0, 0.07), (294.0, 0.11)),
}


def tone(outcome: str, volume: Volume) -> npt.NDArray[np.float32] | None:
    """The samples for an outcome at a volume, or None when nothing is to be heard."""
    if volume == "off" or outcome not in TONES:
        return None
    notes = []
    for pitch, seconds in TONES[outcome]:
        t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
        ramp = np.minimum(1, np.minimum(t, t[::-1]) / 0.012)  # 12 ms in and out: no click
        notes.append(np.sin(2 * np.pi * pitch * t) * ramp)
        notes.append(np.zeros(int(0.03 * RATE_HZ)))
    return (np.concatenate(notes) * _GAIN[volume]).astype(np.float32)


def play(outcome: str, volume: Volume) -> None:
    """Play without waiting; a machine without loudspeakers stays silent."""
    samples = tone(outcome, volume)
    if samples is None:
        return
    try:
        import sounddevice

        sounddevice.play(samples, RATE_HZ)
    except (OSError, ImportError, RuntimeError):
        return
    except Exception as error:
        if type(error).__name__ != "PortAudioError":
            raise
