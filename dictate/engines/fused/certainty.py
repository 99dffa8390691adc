"""How sure each word is: the share of the beam's probability whose readings hold it at its place.

Every finished reading of the beam has a score S (see `search.py`). Their softmax at temperature T is a
posterior over readings; the posterior of a word is the sum over the readings which, aligned to the best one
by edit distance, have the same word at that place (a confusion network in the manner of Mangu L, Brill E,
Stolcke A, Comput Speech Lang 2000;14:373). What other readings have there are its rivals.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

from dictate.engines.fused.search import Reading

RIVAL_SHARE = 0.02


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
        others = sorted(
            ((share, other) for other, share in vote.items() if other not in (word, "")), reverse=True
        )
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
    rows, columns = len(best) + 1, len(other) + 1
    cost = [[column if row == 0 else row for column in range(columns)] for row in range(rows)]
    for row in range(1, rows):
        for column in range(1, columns):
            swap = cost[row - 1][column - 1] + (best[row - 1] != other[column - 1])
            cost[row][column] = min(swap, cost[row - 1][column] + 1, cost[row][column - 1] + 1)
    placed = [""] * len(best)
    row, column = rows - 1, columns - 1
    while row and column:
        swap = cost[row - 1][column - 1] + (best[row - 1] != other[column - 1])
        if cost[row][column] == swap:
            placed[row - 1] = other[column - 1]
            row, column = row - 1, column - 1
        elif cost[row][column] == cost[row - 1][column] + 1:
            row -= 1
        else:
            column -= 1
    return placed
