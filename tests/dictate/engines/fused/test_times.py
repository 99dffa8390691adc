"""Word times against the synthesiser's own: flite prints when each of its sounds ends."""

from __future__ import annotations

import itertools
import shutil
import subprocess

import numpy as np
import pytest
import soundfile

from dictate.engines.fused.times import Aligner
from dictate.events import SAMPLE_RATE_HZ

LATEST_S = 0.1
SAID = {
    "right knee jerk two plus": (3, 2, 3, 2, 4),
    "left plantar extensor": (4, 6, 8),
    "no pronator drift on the left": (2, 7, 5, 2, 2, 4),
}
"""Words and how many sounds each has in flite's mouth."""


@pytest.fixture(scope="module")
def aligner() -> Aligner:
    return Aligner()


@pytest.mark.parametrize("voice", ["rms", "slt", "awb"])
@pytest.mark.parametrize(("text", "counts"), SAID.items())
def test_words_are_placed_within_a_tenth_of_a_second(aligner, tmp_path, voice, text, counts) -> None:
    flite = shutil.which("flite")
    if flite is None:
        pytest.skip("the synthesiser flite is not installed")
    path = tmp_path / "said.wav"
    command = [flite, "-voice", voice, "-psdur", "-t", text, "-o", str(path)]
    printed = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    sounds = [(name, float(end)) for name, end in (part.split(":") for part in printed)]
    ends = [end for name, end in sounds if name != "pau"]
    begin = next(end for name, end in sounds if name == "pau")
    assert len(ends) == sum(counts), printed
    borders = [begin, *(ends[place - 1] for place in itertools.accumulate(counts))]
    samples, rate = soundfile.read(path, dtype="int16")
    assert rate == SAMPLE_RATE_HZ
    # The listener hands on a quarter second before and 0.2 s after the speech.
    lead, tail = np.zeros(SAMPLE_RATE_HZ // 4, np.int16), np.zeros(SAMPLE_RATE_HZ // 5, np.int16)
    spans = aligner.spans(text.split(), np.concatenate([lead, samples, tail]))
    found = [(start - 0.25, end - 0.25) for start, end in spans]
    differences = [
        (word, round(start - true_start, 3), round(end - true_end, 3))
        for word, (start, end), (true_start, true_end) in zip(
            text.split(), found, itertools.pairwise(borders), strict=True
        )
    ]
    assert all(abs(difference) <= LATEST_S for _, *both in differences for difference in both), differences


def test_a_word_in_no_dictionary_is_placed_too(aligner) -> None:
    noise = (np.random.default_rng(2).normal(scale=900, size=24_000)).astype(np.int16)
    spans = aligner.spans(["knee", "zorbolino", "jerk"], noise)
    assert len(spans) == 3
    assert all(0.0 <= start < end <= 1.6 for start, end in spans)
