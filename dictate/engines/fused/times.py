"""When each word was said: the recognised words laid on the sound by PocketSphinx's forced alignment.

The neural network tells what was said, not when. PocketSphinx's acoustic model, given the words, finds the
likeliest borders between them in frames of 10 ms. A word that no dictionary here has gets a rough spelling
pronunciation: it only has to be about as long as the word. When the alignment fails (heavy noise), the
words share the loud part of the sound by their letters.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np

from dictate.engines.lexicon import own_words
from dictate.events import SAMPLE_RATE_HZ, Samples

FRAME_S = 0.01
SPAN = tuple[float, float]
WIDE = {"beam": 1e-100, "pbeam": 1e-100, "wbeam": 1e-80}
LETTER_SOUNDS = dict(
    zip(
        "abcdefghijklmnopqrstuvwxyz",
        [
            "AE",
            "B",
            "K",
            "D",
            "EH",
            "F",
            "G",
            "HH",
            "IH",
            "JH",
            "K",
            "L",
            "M",
            "N",
            "AA",
            "P",
            "K",
            "R",
            "S",
            "T",
            "AH",
            "V",
            "W",
            "K",
            "IY",
            "Z",
        ],
        strict=True,
    )
)


class Aligner:
    """Keeps PocketSphinx's acoustic model; one call an utterance."""

    def __init__(self) -> None:
        import pocketsphinx

        self._decoder: Any = pocketsphinx.Decoder(lm=None, loglevel="FATAL", **WIDE)

    def spans(self, words: Sequence[str], samples: Samples) -> list[SPAN]:
        """Start and end of each word in seconds from the first sample."""
        if not words:
            return []
        return self._aligned(words, samples) or shared_out(words, samples)

    def _aligned(self, words: Sequence[str], samples: Samples) -> list[SPAN]:
        for word in set(words):
            self._learn(word)
        decoder = self._decoder
        try:
            decoder.set_align_text(" ".join(words))
            decoder.start_utt()
            try:
                decoder.process_raw(np.ascontiguousarray(samples).tobytes(), full_utt=True)
            finally:
                decoder.end_utt()
            found = [
                (segment.word.split("(")[0], segment.start_frame * FRAME_S, (segment.end_frame + 1) * FRAME_S)
                for segment in decoder.seg() or ()
                if not segment.word.startswith(("<", "[", "+"))
            ]
        except (RuntimeError, ValueError):
            return []
        return [(start, end) for _, start, end in found] if [word for word, *_ in found] == list(words) else []

    def _learn(self, word: str) -> None:
        if self._decoder.lookup_word(word) is not None:
            return
        ways = own_words().get(word) or (tuple(LETTER_SOUNDS[letter] for letter in word if letter in LETTER_SOUNDS),)
        self._decoder.add_word(word, " ".join(ways[0] or ("AH",)), True)


def shared_out(words: Sequence[str], samples: Samples) -> list[SPAN]:
    """Word borders by letters over the loud part of the sound (from its first to its last frame above half
    level)."""
    frame = SAMPLE_RATE_HZ // 50
    whole = len(samples) // frame
    length_s = len(samples) / SAMPLE_RATE_HZ
    first_s, last_s = 0.0, length_s
    if whole > 2:
        power = (samples[: whole * frame].reshape(whole, frame).astype(np.float64) ** 2).mean(axis=1)
        level = np.log10(power + 1.0)
        loud = np.flatnonzero(level > (np.percentile(level, 10) + np.percentile(level, 90)) / 2)
        if len(loud):
            first_s, last_s = float(loud[0]) * 0.02, float(loud[-1] + 1) * 0.02
    letters = np.cumsum([0, *(len(word) + 1 for word in words)])
    borders = first_s + (last_s - first_s) * letters / letters[-1]
    return [(float(start), float(end)) for start, end in itertools.pairwise(borders)]
