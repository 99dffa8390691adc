"""How sure each word is: from the beam's readings, the second ear, the free reading and the sound itself.

Every finished reading of the beam has a score S (see `search.py`). Their softmax at temperature T is a
posterior over readings; the posterior of a word is the sum over the readings which, aligned to the best one
by edit distance, have the same word at that place (a confusion network in the manner of Mangu L, Brill E,
Stolcke A, Comput Speech Lang 2000;14:373). What other readings have there are its rivals.

Four pieces of evidence then make a probability of being right by logistic regression (weights in
data/fused.toml, fitted and checked by tests/bench/talk.py --fit): the logit of that posterior, whether
the second ear heard the same word there, whether the free reading has it there, and the network's
log-probability per letter.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from dictate.engines.fused.search import Heard, Reading, free_words
from dictate.engines.fused.settings import fused_settings

RIVAL_SHARE = 0.02
SHORT = 2
"""Words of so few letters may be missing: noise makes them, and they carry little."""
NEAREST = 0.005
"""Posteriors are kept this far from 0 and 1: a beam of eight cannot tell more."""


@dataclass(frozen=True, slots=True)
class WordEvidence:
    """One word and what speaks for it. `ear` and `free`: agreement, None when there is nothing to compare with, or when
    one of two ears agrees."""

    text: str
    posterior: float = 0.5
    ear: bool | None = None
    free: bool | None = None
    per_letter: float = -1.0
    rivals: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()
    """Words that the second ear surely heard just before this one (or behind the last) and the reading lacks."""


def gather(heard: Heard, ear: Sequence[str], *, has_ear: bool, sure: Sequence[bool] = ()) -> tuple[WordEvidence, ...]:
    """The evidence for each word of the best reading. `sure`: which of the ear's words are trusted to be no noise."""
    if not heard.readings:
        return ()
    best = heard.readings[0]
    beside_ear, beside_free = aligned(best.words, ear), aligned(best.words, free_words(heard))
    lacking = left_out(best.words, ear) if sure else [[] for _ in best.words]
    found = []
    for place, (posterior, rivals) in enumerate(posteriors(heard.readings)):
        word = best.words[place]
        other = beside_ear[place] if has_ear else ""
        found.append(
            WordEvidence(
                word,
                posterior,
                (other == word) if has_ear else None,
                beside_free[place] == word,
                max(-10.0, best.marks[place] / len(word)),
                rivals if other in ("", word, *rivals) else (*rivals, other),
                tuple(ear[at] for at in lacking[place] if sure[at] and len(ear[at]) > SHORT),
            )
        )
    return tuple(found)


def joined(one: Sequence[WordEvidence], other: Sequence[WordEvidence]) -> tuple[WordEvidence, ...]:
    """The evidence for the same words with two ears as witnesses.

    A word that both heard has their agreement, one that neither heard their disagreement, and one that a single ear
    heard neither; what only the ears heard beside it counts when both heard it.
    """
    return tuple(
        replace(
            first,
            ear=first.ear if first.ear == second.ear else None,
            rivals=tuple(dict.fromkeys((*first.rivals, *second.rivals))),
            beside=tuple(word for word in first.beside if word in second.beside),
        )
        for first, second in zip(one, other, strict=True)
    )


def features(word: WordEvidence) -> tuple[float, ...]:
    """The numbers that the regression weighs: 1, posterior's logit, ear, free, log-probability a letter."""
    posterior = min(1.0 - NEAREST, max(NEAREST, word.posterior))
    agreed = [0.0 if agrees is None else (1.0 if agrees else -1.0) for agrees in (word.ear, word.free)]
    return (1.0, math.log(posterior / (1.0 - posterior)), *agreed, word.per_letter)


def certainty(word: WordEvidence) -> float:
    """The probability that the word is right.

    Two limits lie on it whatever the regression says: a word that the second ear did not hear stays under the limit at
    which sides, negations and grades are trusted; a word beside others that are missing is never trusted.
    """
    numbers = fused_settings().confidence
    right = logistic(features(word), numbers.weights)
    if word.beside:
        return min(right, numbers.beside)
    return min(right, numbers.alone) if word.ear is False else right


def logistic(values: Sequence[float], weights: Sequence[float]) -> float:
    """1 / (1 + exp(-w.x))."""
    total = sum(value * weight for value, weight in zip(values, weights, strict=True))
    return 1.0 / (1.0 + math.exp(-max(-30.0, min(30.0, total))))


def posteriors(readings: Sequence[Reading], temperature: float = 1.0) -> list[tuple[float, tuple[str, ...]]]:
    """For each word of the best reading (the first): its posterior, and its rivals, likeliest first."""
    if not readings:
        return []
    best = readings[0].words
    shares = softmax([reading.score / temperature for reading in readings])
    votes: list[dict[str, float]] = [defaultdict(float) for _ in best]
    for reading, share in zip(readings, shares, strict=True):
        for place, word in enumerate(aligned(best, reading.words)):
            votes[place][word] += share
    found = []
    for word, vote in zip(best, votes, strict=True):
        others = sorted(((share, other) for other, share in vote.items() if other not in (word, "")), reverse=True)
        rivals = tuple(other for share, other in others if share >= RIVAL_SHARE)
        found.append((min(1.0, vote[word]), rivals))
    return found


def softmax(scores: Sequence[float]) -> list[float]:
    """Shares that sum to 1."""
    top = max(scores)
    weights = [math.exp(score - top) for score in scores]
    total = sum(weights)
    return [weight / total for weight in weights]


def aligned(best: Sequence[str], other: Sequence[str]) -> list[str]:
    """For each word of `best` the word of `other` at its place ("" for none), by least edit distance."""
    placed = [""] * len(best)
    for row, column in alignment(best, other):
        if row is not None and column is not None:
            placed[row] = other[column]
    return placed


def left_out(best: Sequence[str], other: Sequence[str]) -> list[list[int]]:
    """For each word of `best` the places of words that only `other` has before it; behind the last word, at it."""
    places: list[list[int]] = [[] for _ in best]
    waiting: list[int] = []
    for row, column in alignment(best, other):
        if row is None and column is not None:
            waiting.append(column)
        elif row is not None:
            places[row], waiting = waiting, []
    if waiting and places:
        places[-1] = places[-1] + waiting
    return places


def alignment(best: Sequence[str], other: Sequence[str]) -> list[tuple[int | None, int | None]]:
    """Pairs of places by least edit distance, None where one of the two has no word."""
    rows, columns = len(best) + 1, len(other) + 1
    cost = [[column if row == 0 else row for column in range(columns)] for row in range(rows)]
    for row in range(1, rows):
        for column in range(1, columns):
            swap = cost[row - 1][column - 1] + (best[row - 1] != other[column - 1])
            cost[row][column] = min(swap, cost[row - 1][column] + 1, cost[row][column - 1] + 1)
    pairs: list[tuple[int | None, int | None]] = []
    row, column = rows - 1, columns - 1
    while row or column:
        differ = not (row and column) or best[row - 1] != other[column - 1]
        if row and column and cost[row][column] == cost[row - 1][column - 1] + differ:
            row, column = row - 1, column - 1
            pairs.append((row, column))
        elif row and cost[row][column] == cost[row - 1][column] + 1:
            row -= 1
            pairs.append((row, None))
        else:
            column -= 1
            pairs.append((None, column))
    return pairs[::-1]
