"""The language of the examination: how likely is each word after the two before it, and each beginning of a
word.

A word trigram over the grammar's own sentences, with a way out for everyday words. For a history h = (u, v):

    P(w | h) = (1 - e) * T(w | h) + e * G(w)

T is the trigram with interpolated Witten-Bell smoothing (Witten & Bell, IEEE Trans Inf Theory 1991;37:1085;
the interpolated form of Chen & Goodman, Comput Speech Lang 1999;13:359, section 2.4),

    T(w | h) = (c(h w) + t(h) * T(w | h')) / (c(h) + t(h)),

with c the counts, t(h) the number of different words seen after h, h' the history without its first word,
and a uniform lowest order. G is a unigram over everyday words, e the escape: the chance that the speaker
leaves the language of the examination for one word. A word in neither costs log(strange) - letters *
strange_letter.

All words are kept in alphabetical order, so the words that begin with a prefix are one slice, and the best
that a half-said word can still become is the maximum of that slice: the look-ahead of the search.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Mapping
from functools import lru_cache

import numpy as np
import numpy.typing as npt

EVERYDAY_FLOOR = 1e-6
"""The chance that everyday talk gives to a word that is not in its list."""

History = tuple[int, int]
Vector = npt.NDArray[np.float32]
Ids = npt.NDArray[np.int64]


class Language:
    """The trained model. Build it with `train`; `arrays` and `from_arrays` store it."""

    def __init__(
        self,
        words: list[str],
        grams: Mapping[str, Ids],
        everyday: Vector,
        *,
        escape: float,
        strange: float,
        strange_letter: float,
    ) -> None:
        self.words = words
        self.escape, self.strange, self.strange_letter = escape, strange, strange_letter
        self._numbers = {word: number for number, word in enumerate(words)}
        self.end, self.begin, self.unknown = len(words), len(words) + 1, len(words) + 2
        self.start: History = (self.unknown, self.begin)
        self._grams, self._everyday = grams, everyday
        one, two, three = (_Order(grams[f"context{n}"], grams[f"word{n}"], grams[f"count{n}"]) for n in (1, 2, 3))
        self._pairs, self._triples = two, three
        size = len(words) + 1
        known = np.zeros(size, dtype=np.float32)
        known[one.words] = 1.0
        uniform = known / max(1.0, float(known.sum()))
        self._single = one.blend(0, uniform)
        # few: each holds every word (about 24 kB), and a long examination meets ever new histories
        self.vector = lru_cache(maxsize=256)(self._vector)
        self.reach = lru_cache(maxsize=65_536)(self._reach)

    def number(self, word: str) -> int:
        """The number of a word, `unknown` for a word in neither list."""
        return self._numbers.get(word, self.unknown)

    def domain_words(self) -> set[str]:
        """The words of the examination itself, without the everyday list."""
        return {self.words[number] for number in self._grams["word1"] if number < self.end}

    def word(self, history: History, word: str) -> float:
        """log P(word | history), in nats."""
        strange = self._strange(word)
        number = self._numbers.get(word)
        return strange if number is None else max(strange, float(self.vector(history)[number]))

    def everyday_word(self, word: str) -> float:
        """log G(word): how likely the word is in everyday talk, whatever stands before it."""
        number = self._numbers.get(word)
        return math.log(max(EVERYDAY_FLOOR, float(self._everyday[number]) if number is not None else 0.0))

    def ending(self, history: History) -> float:
        """log P(the utterance ends | history)."""
        return float(self.vector(history)[self.end])

    def prospect(self, history: History, prefix: str) -> float:
        """The best that a word beginning with `prefix` can still score: its upper bound over all words."""
        low, high = self.reach(prefix)
        strange = self._strange(prefix)
        return strange if low == high else max(strange, float(self.vector(history)[low:high].max()))

    def after(self, history: History, word: str) -> History:
        """The history once `word` has been said."""
        return history[1], self.number(word)

    def sentence(self, words: Iterable[str]) -> float:
        """log P of a whole utterance, its end included."""
        history, total = self.start, 0.0
        for word in words:
            total += self.word(history, word)
            history = self.after(history, word)
        return total + self.ending(history)

    def _strange(self, word: str) -> float:
        return self.strange - self.strange_letter * len(word)

    def _reach(self, prefix: str) -> tuple[int, int]:
        low = bisect_left(self.words, prefix)
        return low, bisect_left(self.words, prefix + "\uffff", lo=low)

    def _vector(self, history: History) -> Vector:
        """log P of every word (and, last, of the end) after the history."""
        earlier, later = history
        chance = self._pairs.blend(later, self._single)
        chance = self._triples.blend(earlier * (len(self.words) + 3) + later, chance)
        mixed = (1.0 - self.escape) * chance + self.escape * self._everyday
        out: Vector = np.log(np.maximum(mixed, 1e-30)).astype(np.float32)
        return out

    def arrays(self) -> dict[str, npt.NDArray[np.generic]]:
        """Everything needed to store the model."""
        numbers = np.array([self.escape, self.strange, self.strange_letter])
        return {"words": np.array(self.words), "everyday": self._everyday, "numbers": numbers, **self._grams}


class _Order:
    """The counts of one n-gram order, sorted by context."""

    def __init__(self, contexts: Ids, words: Ids, counts: Ids) -> None:
        self.contexts, self.starts = np.unique(contexts, return_index=True)
        self.stops = np.append(self.starts[1:], len(contexts))
        self.words, self.counts = words, counts

    def blend(self, context: int, lower: Vector) -> Vector:
        """(c(h w) + t(h) * lower) / (c(h) + t(h)) for all w; `lower` itself when the context was never
        seen."""
        at = int(np.searchsorted(self.contexts, context))
        if at == len(self.contexts) or self.contexts[at] != context:
            return lower
        piece = slice(self.starts[at], self.stops[at])
        words, counts = self.words[piece], self.counts[piece]
        kinds, seen = len(words), int(counts.sum())
        out = lower * np.float32(kinds / (seen + kinds))
        out[words] += counts.astype(np.float32) / np.float32(seen + kinds)
        return out


def from_arrays(stored: Mapping[str, npt.NDArray[np.generic]]) -> Language:
    """The model that `Language.arrays` gave."""
    escape, strange, strange_letter = (float(number) for number in stored["numbers"])
    grams = {
        name: stored[name].astype(np.int64) for n in (1, 2, 3) for name in (f"context{n}", f"word{n}", f"count{n}")
    }
    words = [str(word) for word in stored["words"]]
    everyday = stored["everyday"].astype(np.float32)
    return Language(words, grams, everyday, escape=escape, strange=strange, strange_letter=strange_letter)


def train(
    sentences: Iterable[str],
    everyday: Mapping[str, float],
    *,
    escape: float = 0.02,
    strange: float = -14.0,
    strange_letter: float = 0.5,
) -> Language:
    """Count the sentences (words parted by blanks; a line said twice counts twice) and add the everyday
    words.

    `everyday` holds the relative frequency of each everyday word.
    """
    said = [words for words in (sentence.split() for sentence in sentences) if words]
    words = sorted({word for line in said for word in line} | set(everyday))
    numbers = {word: number for number, word in enumerate(words)}
    end, begin, unknown = len(words), len(words) + 1, len(words) + 2
    stream: list[int] = []
    for line in said:
        stream += [unknown, begin, *(numbers[word] for word in line), end]
    grams = _count(np.array(stream or [unknown, begin, end], dtype=np.int64), begin, unknown)
    general = np.zeros(len(words) + 1, dtype=np.float32)
    for word, frequency in everyday.items():
        general[numbers[word]] = frequency
    general /= max(float(general.sum()), 1e-30)
    return Language(words, grams, general, escape=escape, strange=strange, strange_letter=strange_letter)


def _count(stream: Ids, begin: int, unknown: int) -> dict[str, Ids]:
    """n-gram counts of all utterances laid end to end, as sorted (context, word, count) columns."""
    base = unknown + 1
    target = np.flatnonzero(stream < begin)
    word, later, earlier = stream[target], stream[target - 1], stream[target - 2]
    out: dict[str, Ids] = {}
    for order, context in ((1, np.zeros_like(word)), (2, later), (3, earlier * base + later)):
        # Before the first word only one word (the begin mark) is known: no trigram there.
        told = earlier < unknown if order == 3 else np.ones_like(word, dtype=bool)
        keys, counts = np.unique((context * base + word)[told], return_counts=True)
        out |= {
            f"context{order}": keys // base,
            f"word{order}": keys % base,
            f"count{order}": counts.astype(np.int64),
        }
    return out
