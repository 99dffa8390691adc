"""Speak the sample dictations: samples/NAME.txt -> samples/NAME.ogg (16 kHz, mono, Vorbis).

`python -m tests.tools.make_samples` (needs flite and the extra `voices`). All text is invented.
"""

from __future__ import annotations

from pathlib import Path

import soundfile

from dictate.events import SAMPLE_RATE_HZ
from tests.tools.voices import speak

SAMPLES = Path(__file__).parents[2] / "samples"
VOICE_OF = {
    "quick_screen": ("flite-awb", 1.0),
    "foot_drop": ("flite-rms", 1.0),
    "live_visit": ("kokoro-jf_gongitsune", 0.95),
    "repair_and_reasons": ("flite-slt", 1.0),
}


def make(name: str) -> float:
    """Speak one sample; its length in seconds."""
    voice, speed = VOICE_OF[name]
    text = (SAMPLES / f"{name}.txt").read_text(encoding="utf-8")
    spoken = speak(text, voice, pause_s=(0.7, 1.1), seed=len(name), speed=speed, exact_words=True)
    soundfile.write(SAMPLES / f"{name}.ogg", spoken.samples, SAMPLE_RATE_HZ, format="OGG", subtype="VORBIS")
    return len(spoken.samples) / SAMPLE_RATE_HZ


def main() -> None:
    """Speak all samples."""
    for name in VOICE_OF:
        print(f"{name}: {make(name):.0f} s")


if __name__ == "__main__":
    main()
