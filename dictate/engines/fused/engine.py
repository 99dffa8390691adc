"""The fused recogniser behind the Engine Protocol: collect an utterance, search it, place its words in
time."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from dictate.engines.fused.build import ensure_language
from dictate.engines.fused.certainty import posteriors
from dictate.engines.fused.language import Language
from dictate.engines.fused.net import SHORTEST_SAMPLES, Net
from dictate.engines.fused.search import Heard, search
from dictate.engines.fused.settings import fused_settings
from dictate.engines.fused.times import Aligner
from dictate.events import SAMPLE_RATE_HZ, FinalText, PartialText, Samples, Word

FIRST_PARTIAL_S, PARTIAL_STEP_S, PARTIAL_GROWTH = 0.8, 0.6, 0.25
LONGEST_S = 18.0
"""A longer stretch is cut at its quietest place: the network was trained on shorter ones."""
CUT_SEARCH_S = 5.0


class FusedEngine:
    """A recogniser that knows the examination's language. `heard` keeps the last utterance's search
    results."""

    name = "fused"

    def __init__(self, net: Net, language: Language, aligner: Aligner | None = None) -> None:
        numbers = fused_settings()
        self._net, self._language = net, language
        self._weights, self._quick = numbers.search.weights(), numbers.partial.weights()
        self._aligner = aligner or Aligner()
        self._pieces: list[Samples] = []
        self._start_s = 0.0
        self._length = 0
        self._next_partial_s = FIRST_PARTIAL_S
        self.heard: list[Heard] = []
        self._prepared: tuple[int, FinalText] | None = None

    def start(self, start_s: float) -> None:
        """Begin an utterance."""
        self._pieces, self._length, self._start_s = [], 0, start_s
        self._next_partial_s = FIRST_PARTIAL_S
        self._prepared = None

    def accept(self, samples: Samples) -> PartialText | None:
        """Collect sound. A partial result follows ever more of it, so that a long utterance stays cheap."""
        self._pieces.append(samples)
        self._length += len(samples)
        length_s = self._length / SAMPLE_RATE_HZ
        if length_s < self._next_partial_s or length_s > LONGEST_S:
            return None
        self._next_partial_s = length_s + max(PARTIAL_STEP_S, PARTIAL_GROWTH * length_s)
        voice = self._net.listen(np.concatenate(self._pieces))
        found = search(voice, self._net.pieces, self._language, self._quick, length_s, free=False)
        text = " ".join(found.readings[0].words) if found.readings else ""
        return PartialText(text, self._start_s) if text else None

    def prepare(self) -> None:
        """Work ahead: search what was said so far, while the endpointer still waits to be sure."""
        self._prepared = (self._length, self._search_all())

    def finish(self) -> FinalText:
        """The whole utterance with its words' times, confidence and rivals."""
        ready = self._prepared is not None and self._prepared[0] == self._length
        final = self._prepared[1] if self._prepared is not None and ready else self._search_all()
        self._pieces, self._prepared = [], None
        return final

    def _search_all(self) -> FinalText:
        samples = np.concatenate(self._pieces) if self._pieces else np.zeros(0, dtype=np.int16)
        self.heard = []
        words: list[Word] = []
        at = 0
        for part in cut(samples):
            words += self._words(part, self._start_s + at / SAMPLE_RATE_HZ)
            at += len(part)
        return FinalText(tuple(words), self._start_s, self._start_s + len(samples) / SAMPLE_RATE_HZ)

    def close(self) -> None:
        """Let go of the models."""
        del self._net, self._language, self._aligner

    def _words(self, samples: Samples, start_s: float) -> list[Word]:
        if len(samples) < SHORTEST_SAMPLES:
            return []
        voice = self._net.listen(samples)
        heard = search(voice, self._net.pieces, self._language, self._weights, len(samples) / SAMPLE_RATE_HZ)
        self.heard.append(heard)
        if not heard.readings:
            return []
        best = heard.readings[0].words
        spans = self._aligner.spans(best, samples)
        return [
            Word(word, start_s + start, start_s + end, confidence, rivals)
            for word, (start, end), (confidence, rivals) in zip(
                best, spans, posteriors(heard.readings), strict=True
            )
        ]


def cut(samples: Samples) -> list[Samples]:
    """The utterance in stretches of at most `LONGEST_S`, each cut at the quietest 0.1 s near its end."""
    parts: list[Samples] = []
    longest, back, frame = (
        int(LONGEST_S * SAMPLE_RATE_HZ),
        int(CUT_SEARCH_S * SAMPLE_RATE_HZ),
        SAMPLE_RATE_HZ // 10,
    )
    while len(samples) > longest:
        tail = samples[longest - back : longest].astype(np.float64).reshape(-1, frame)
        quietest = int((tail**2).mean(axis=1).argmin())
        border = longest - back + quietest * frame + frame // 2
        parts.append(samples[:border])
        samples = samples[border:]
    return [*parts, samples] if len(samples) else parts


def open_engine(cache: Path, clinic: tuple[str, ...] = ()) -> FusedEngine:
    """The engine with the language model from the cache folder. Raises EngineError when a package is
    missing."""
    net = Net()
    return FusedEngine(net, ensure_language(cache, clinic))
