"""An engine that says prepared lines, one an utterance: for tests and demonstrations without recognition."""

from __future__ import annotations

from collections.abc import Iterable

from dictate.events import SAMPLE_RATE_HZ, FinalText, PartialText, Samples, Word


class ScriptedEngine:
    """Utterance n is heard as line n; when the lines run out nothing is heard.

    Words share the utterance's time evenly. A line `maybe:0.3 the left` gives "maybe" confidence 0.3; other
    words have `confidence`.
    """

    name = "scripted"

    def __init__(self, lines: Iterable[str], confidence: float = 1.0) -> None:
        self._lines = iter(tuple(lines))
        self._confidence = confidence
        self._line = ""
        self._start_s = 0.0
        self._samples = 0

    def start(self, start_s: float) -> None:
        """Take the next line."""
        self._line = next(self._lines, "")
        self._start_s, self._samples = start_s, 0

    def accept(self, samples: Samples) -> PartialText | None:
        """Say one word more for each half second heard."""
        self._samples += len(samples)
        said = [word.split(":")[0] for word in self._line.split()]
        count = min(len(said), 2 * self._samples // SAMPLE_RATE_HZ)
        return PartialText(" ".join(said[:count]), self._start_s) if count else None

    def finish(self) -> FinalText:
        """The whole line."""
        end_s = self._start_s + self._samples / SAMPLE_RATE_HZ
        said = self._line.split()
        step = (end_s - self._start_s) / max(1, len(said))
        words = []
        for place, token in enumerate(said):
            text, _, confidence = token.partition(":")
            words.append(
                Word(
                    text,
                    self._start_s + place * step,
                    self._start_s + (place + 1) * step,
                    float(confidence) if confidence else self._confidence,
                )
            )
        return FinalText(tuple(words), self._start_s, end_s)

    def close(self) -> None:
        """Nothing to free."""
