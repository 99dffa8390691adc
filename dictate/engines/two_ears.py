"""Two recognisers hear one utterance: where they agree a word is trusted, where they differ it is doubted.

The engines fail independently (Gaussian mixtures and a neural network, over the same language model), so
agreement is a far better judge of a word than either's own confidence. The readings are aligned by least edit
distance, as in ROVER (Fiscus JG. A post-processing system to yield reduced word error rates. IEEE ASRU 1997).
The first one's reading is the frame when it is sure of itself on the whole, else the second one's; words that
only the other heard are left out and named as rivals of their neighbour. At each place

- both say the same word: it is trusted (`agree`);
- they differ: the second one's word is taken when its confidence is higher by `second_needs` (a neural beam is
  surer of itself than it should be), the other becomes its rival, and the confidence falls to `differ`;
- they hardly agree, and the second one rejects it or neither is sure: other talk. The
utterance is rejected, and its words become unread text.

Measured on 52 recordings of held-out dictations (two voices): wrong words that nothing marks fall from 8.2 %
(second alone) and 2.5 % (first alone) of all words to 0.9 %, word errors from 12.6 and 8.7 % to 6.0 %; 12 % of
the right words are marked. The numbers are data: `data/two_ears.toml`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from importlib import resources

from pydantic import BaseModel, ConfigDict, Field

from dictate.engines.engine import Engine, prepare, spent
from dictate.events import FinalText, PartialText, Samples, Word


class Numbers(BaseModel):
    """The content of two_ears.toml; all are shares from 0 to 1."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    agree: float = Field(ge=0, le=1)
    differ: float = Field(ge=0, le=1)
    second_needs: float = Field(ge=0, le=1)
    first_trusted: float = Field(ge=0, le=1)
    reject_below: float = Field(ge=0, le=1)
    strange_below: float = Field(ge=0, le=1)
    strange_unsure: float = Field(ge=0, le=1)
    strange_unsure_second: float = Field(ge=0, le=1)
    strange_words: int = Field(ge=1)


@cache
def numbers() -> Numbers:
    """The measured numbers."""
    text = (resources.files("dictate.engines") / "data" / "two_ears.toml").read_text(encoding="utf-8")
    return Numbers.model_validate(tomllib.loads(text))


class TwoEars:
    """An engine made of two: the first is quick and gives the partial text, the second works at the end."""

    name = "two-ears"

    def __init__(self, first: Engine, second: Engine) -> None:
        self.first, self.second = first, second
        self.name = f"{first.name} checked by {second.name}"
        if hasattr(second, "partials"):
            second.partials = False

    def start(self, start_s: float) -> None:
        """Begin an utterance in both."""
        self.second.start(start_s)
        self.first.start(start_s)

    def accept(self, samples: Samples) -> PartialText | None:
        """Give sound to both; the first one's partial text is shown."""
        self.second.accept(samples)
        return self.first.accept(samples)

    def prepare(self) -> FinalText | None:
        """The speaker seems to have finished: let the engines that can work ahead."""
        second, first = prepare(self.second), prepare(self.first)
        return None if first is None or second is None else merge(first, second)

    def finish(self) -> FinalText:
        """Both readings made one."""
        second = self.second.finish()
        return merge(self.first.finish(), second)

    @property
    def spent(self) -> dict[str, float]:
        """Seconds of each stage of the second one's work."""
        return spent(self.second)

    def close(self) -> None:
        """Close both."""
        self.first.close()
        self.second.close()


class Overheard:
    """An engine that works inside another one, and whose answers are wanted outside too: `echo` gives them again.

    So the second ear of the fused engine, which has heard the whole utterance anyway, is also the first of two ears.
    """

    def __init__(self, engine: Engine) -> None:
        self.engine, self.name = engine, engine.name
        self.partial: PartialText | None = None
        self.final = FinalText((), 0.0, 0.0)

    def start(self, start_s: float) -> None:
        """Begin an utterance."""
        self.partial, self.final = None, FinalText((), start_s, start_s)
        self.engine.start(start_s)

    def accept(self, samples: Samples) -> PartialText | None:
        """Hear on."""
        self.partial = self.engine.accept(samples)
        return self.partial

    def prepare(self) -> FinalText | None:
        """Work ahead."""
        ready = prepare(self.engine)
        if ready is not None:
            self.final = ready
        return ready

    def finish(self) -> FinalText:
        """End the utterance."""
        self.final = self.engine.finish()
        return self.final

    def close(self) -> None:
        """Close the engine."""
        self.engine.close()

    def echo(self) -> Echo:
        """The same engine's answers once more."""
        return Echo(self)


class Echo:
    """Says again what an overheard engine has just said; whoever feeds that one must come first."""

    def __init__(self, overheard: Overheard) -> None:
        self._overheard, self.name = overheard, overheard.name

    def start(self, start_s: float) -> None:
        """The overheard engine has begun already."""

    def accept(self, samples: Samples) -> PartialText | None:
        """What the overheard engine made of this sound."""
        return self._overheard.partial

    def prepare(self) -> FinalText:
        """What the overheard engine prepared."""
        return self._overheard.final

    def finish(self) -> FinalText:
        """What the overheard engine said."""
        return self._overheard.final

    def close(self) -> None:
        """The other engine closes it."""


def merge(first: FinalText, second: FinalText) -> FinalText:
    """One reading of two of the same sound."""
    pairs = align(first.words, second.words)
    if not pairs:
        return first
    limit = numbers()
    same = sum(one is not None and other is not None and one.text == other.text for one, other in pairs)
    longer = max(len(first.words), len(second.words))
    mean, other_mean = _mean(first), _mean(second)
    unsure = mean < limit.strange_unsure and other_mean < limit.strange_unsure_second
    strange = longer >= limit.strange_words and same < limit.strange_below * longer and unsure
    if strange or (second.rejected and same < limit.reject_below * longer):
        heard = (second.words if second.rejected else first.words) or second.words
        doubted = tuple(replace(word, confidence=min(word.confidence, limit.differ)) for word in heard)
        return replace(first, words=doubted, rejected=True)
    sure = mean >= limit.first_trusted
    words: list[Word] = []
    left_out: list[str] = []
    for one, other in pairs:
        if one is not None and other is not None:
            word = _choose(one, other)
        else:
            framed = one if sure else other
            if framed is None:
                left_out.append(one.text if one is not None else other.text if other is not None else "")
                continue
            word = replace(framed, confidence=min(framed.confidence, limit.differ))
        words.append(_doubt(word, left_out) if left_out else word)
        left_out = []
    if left_out and words:
        words[-1] = _doubt(words[-1], left_out)
    return replace(first, words=tuple(words))


def _mean(heard: FinalText) -> float:
    """Mean confidence of an utterance's words; 0 without words."""
    return sum(word.confidence for word in heard.words) / max(1, len(heard.words))


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


def _choose(one: Word, other: Word) -> Word:
    """The word of a place where both heard one."""
    limit = numbers()
    if one.text == other.text:
        return replace(one, confidence=max(limit.agree, one.confidence, other.confidence), rivals=())
    kept, lost = (other, one) if other.confidence >= one.confidence + limit.second_needs else (one, other)
    rivals = tuple(dict.fromkeys((lost.text, *kept.rivals)))
    return replace(kept, confidence=min(kept.confidence, limit.differ), rivals=rivals)


def _doubt(word: Word, dropped: Sequence[str]) -> Word:
    """A word beside others that only one engine heard: they are named as its rivals."""
    return replace(
        word,
        rivals=tuple(dict.fromkeys((*word.rivals, *dropped))),
        confidence=min(word.confidence, numbers().differ + 0.2),
    )
