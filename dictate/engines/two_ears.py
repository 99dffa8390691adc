"""Two recognisers hear the same utterance: where they agree a word is trusted, where they differ it is
doubted.

The engines fail independently (one is a neural network, the other Gaussian mixtures, over the same language
model), so agreement is a far better judge of a word than either's own confidence. The two readings are
aligned by least edit distance, as in ROVER (Fiscus JG. A post-processing system to yield reduced word
error rates. IEEE ASRU 1997), and each place takes the word that is surer after a calibration measured on
held-out dictations:

- both say the same word: confidence `agree`, raised by their own;
- they differ: the surer word is kept, the other becomes its rival, and its confidence falls to `differ`
or less;
- they hardly agree at all: other talk. The utterance is rejected, and its words become unread text.

The numbers are data: `data/two_ears.toml`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from importlib import resources

from pydantic import BaseModel, ConfigDict, Field

from dictate.engines.engine import Engine
from dictate.events import FinalText, PartialText, Samples, Word


class Numbers(BaseModel):
    """The content of two_ears.toml; all are shares from 0 to 1."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    agree: float = Field(ge=0, le=1)
    differ: float = Field(ge=0, le=1)
    second_needs: float = Field(ge=0)
    reject_below: float = Field(ge=0, le=1)
    reject_words: int = Field(ge=1)


@cache
def numbers() -> Numbers:
    """The measured numbers."""
    text = (resources.files("dictate.engines") / "data" / "two_ears.toml").read_text(encoding="utf-8")
    return Numbers.model_validate(tomllib.loads(text))


class TwoEars:
    """An engine made of two: partial results and ties come from the first."""

    name = "two-ears"

    def __init__(self, first: Engine, second: Engine) -> None:
        self.first, self.second = first, second
        self.name = f"{first.name} checked by {second.name}"

    def start(self, start_s: float) -> None:
        """Begin an utterance in both."""
        self.first.start(start_s)
        self.second.start(start_s)

    def accept(self, samples: Samples) -> PartialText | None:
        """Give sound to both; the quicker second one's partial text is shown when the first has none."""
        shown = self.first.accept(samples)
        other = self.second.accept(samples)
        return shown or other

    def prepare(self) -> None:
        """The speaker seems to have finished: let the engines that can work ahead."""
        for engine in (self.first, self.second):
            ahead = getattr(engine, "prepare", None)
            if ahead is not None:
                ahead()

    def finish(self) -> FinalText:
        """Both readings made one."""
        return merge(self.first.finish(), self.second.finish())

    def close(self) -> None:
        """Close both."""
        self.first.close()
        self.second.close()


def merge(first: FinalText, second: FinalText) -> FinalText:
    """One reading of two of the same sound."""
    pairs = align(first.words, second.words)
    if not pairs:
        return first
    same = sum(one is not None and other is not None and one.text == other.text for one, other in pairs)
    longer = max(len(first.words), len(second.words))
    if longer >= numbers().reject_words and same / longer < numbers().reject_below:
        heard = first.words or second.words
        doubted = tuple(replace(word, confidence=min(word.confidence, numbers().differ)) for word in heard)
        return replace(first, words=doubted, rejected=True)
    words: list[Word] = []
    dropped: list[str] = []
    for one, other in pairs:
        word = _choose(one, other)
        if word is None:
            dropped.append((one or other).text)  # type: ignore[union-attr]
            continue
        if dropped:
            word = _doubt(word, dropped)
            dropped = []
        words.append(word)
    if dropped and words:
        words[-1] = _doubt(words[-1], dropped)
    return replace(first, words=tuple(words))


def align(first: Sequence[Word], second: Sequence[Word]) -> list[tuple[Word | None, Word | None]]:
    """Pairs of words by least edit distance; None where the other reading has no word."""
    rows, columns = len(first) + 1, len(second) + 1
    cost = [[row + column for column in range(columns)] for row in range(rows)]
    for row in range(1, rows):
        for column in range(1, columns):
            swap = cost[row - 1][column - 1] + (first[row - 1].text != second[column - 1].text)
            cost[row][column] = min(swap, cost[row - 1][column] + 1, cost[row][column - 1] + 1)
    pairs: list[tuple[Word | None, Word | None]] = []
    row, column = rows - 1, columns - 1
    while row or column:
        differ = not (row and column) or first[row - 1].text != second[column - 1].text
        if row and column and cost[row][column] == cost[row - 1][column - 1] + differ:
            row, column = row - 1, column - 1
            pairs.append((first[row], second[column]))
        elif row and cost[row][column] == cost[row - 1][column] + 1:
            row -= 1
            pairs.append((first[row], None))
        else:
            column -= 1
            pairs.append((None, second[column]))
    return pairs[::-1]


def _choose(one: Word | None, other: Word | None) -> Word | None:
    """The word of a place, None when it is left out."""
    limit = numbers()
    if one is not None and other is not None:
        if one.text == other.text:
            sure = max(limit.agree, one.confidence, other.confidence)
            return replace(one, confidence=sure, rivals=())
        kept, lost = (other, one) if other.confidence >= one.confidence + limit.second_needs else (one, other)
        rivals = tuple(dict.fromkeys((lost.text, *kept.rivals)))
        return replace(kept, confidence=min(kept.confidence, limit.differ), rivals=rivals)
    if one is not None:
        return replace(one, confidence=min(one.confidence, limit.differ))
    if other is not None and other.confidence >= limit.second_needs:
        return replace(other, confidence=min(other.confidence, limit.differ))
    return None


def _doubt(word: Word, dropped: Sequence[str]) -> Word:
    """A word beside others that only one engine heard: they are named as its rivals."""
    return replace(
        word,
        rivals=tuple(dict.fromkeys((*word.rivals, *dropped))),
        confidence=min(word.confidence, numbers().differ + 0.2),
    )
