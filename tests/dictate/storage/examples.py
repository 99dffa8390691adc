"""Invented examinations for the tests of the store."""

from __future__ import annotations

import numpy as np

from dictate.events import SAMPLE_RATE_HZ, Samples, Word
from grammar.models import Finding, Note, Query, Slot, TextSpan

LINES = ("right knee jerk two plus", "left ankle jerk absent", "the kettle is on")


def example_note() -> Note:
    """Two findings, an omission, a query and a stretch of unread text."""
    transcript = "\n".join(LINES)
    knee = Finding(
        item="reflex", site="knee", side="right", status="normal", grade="2+",
        text=LINES[0], start_char=0, end_char=24, start_s=0.0, end_s=2.4, confidence=0.8,
    )  # fmt: skip
    ankle = Finding(
        item="reflex", site="ankle", side="left", status="abnormal", descriptors=("absent",),
        text=LINES[1], start_char=25, end_char=47, start_s=2.5, end_s=4.4, confidence=0.9,
    )  # fmt: skip
    return Note(
        complaint=("foot_drop",),
        findings=(knee, ankle),
        slots=(Slot(item="plantar", side="left", state="missing", required_by="core_screen"),),
        queries=(Query(kind="asymmetry", message="The ankle jerks differ.", findings=(1,)),),
        unread=(TextSpan(text=LINES[2], start_char=48, end_char=64),),
        transcript=transcript,
    )


def example_words() -> list[Word]:
    """The words of the example, half a second apart."""
    spoken = " ".join(LINES).split()
    return [
        Word(text, i * 0.5, i * 0.5 + 0.4, 0.9, ("nee",) if text == "knee" else ()) for i, text in enumerate(spoken)
    ]


def example_sound(seconds: float = 23.5) -> Samples:
    """Noise that no two pieces share."""
    generator = np.random.default_rng(7)
    return generator.integers(-2000, 2000, int(seconds * SAMPLE_RATE_HZ), dtype=np.int16)
