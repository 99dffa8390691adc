"""The beam search that joins the neural network with the language of the examination.

For sound X the search looks for the words W = w1..wn and a row of pieces Y that spells them (Y -> W), with
the greatest

    S(W) = log  sum    P(Y | X)  +  a * log P(W end)  +  b * n
             Y -> W

P(Y | X) is the network's (product over pieces), P(W end) the language model's (`language.py`), a its
weight, and b a bonus for each word, which repays what the language model's probabilities, all below 1, take
from long readings.

How a hypothesis grows. It is (words, prefix): finished words and the letters of the word being spelt. A
piece that starts a word first finishes the one before: its language score is added there, at the word's
end. Until then the hypothesis is ranked with the look-ahead a * max log P(w | history) over all words w
that begin with the prefix, so that a piece which leads to no likely word loses at once and not three pieces
later.

Hints. Words that other recognisers heard in the same sound add a few nats each to a reading that has them in
the same order (`hints.py`). The network overrules a hint that it hears nothing of.

Folding. Capitals, punctuation and digits are ways of writing, not of speaking; `pieces.py` folds them, and
"4", "Four" and "four," all lead to the words (four). Hypotheses that agree in words and prefix are the same
for every future language score, so they are recombined: their probabilities are added (the sum in S) and
the likelier one's network state goes on. This is exact when the network's next piece does not depend on how
a word was written, and close to it otherwise.

The end. A network that is steered by a language model likes to stop early, because stopping saves language
cost. An utterance may therefore end only where the network itself agrees: log P(end) >= max log P(piece) -
guard. When no reading ever ends so, in heavy noise, the search runs again with a looser guard, for speech must
not vanish.

Beside the readings of the beam stands a free one: a network's own greedy reading, neither folded nor steered. What it
says, and how much likelier it is, tells talk that is not for the tool.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from dictate.engines.fused.hints import Hint, Hints
from dictate.engines.fused.language import History, Language
from dictate.engines.fused.numerals import first_words, spoken
from dictate.engines.fused.pieces import END_TOKEN, Kind, Pieces

Floats = npt.NDArray[np.float32]
MAX_WORDS_PER_S, MAX_PIECES_PER_S, LEAST_PIECES = 6.0, 9.0, 12
CIRCLE_WORDS, CIRCLE_KINDS = 12, 5
LONG_CIRCLE = range(8, 25)
LOOSE_GUARD = 4.0
"""Nats that the guard gives way when no reading ended."""


_FREE = re.compile(r"[a-z]+(?:'[a-z]+)*|[0-9]+")


class Acoustics(Protocol):
    """What the search asks of the network: rows of log-probabilities of the next piece."""

    def first(self) -> Floats:
        """One row: the first piece."""

    def step(self, parents: npt.NDArray[np.int64], tokens: npt.NDArray[np.int64]) -> Floats:
        """Row i: the piece after `tokens[i]`, going on from row `parents[i]` of the step before."""


@dataclass(frozen=True, slots=True)
class Weights:
    """The settings of the search; log-probabilities are in nats."""

    beam: int = 6
    tokens: int = 40
    language: float = 0.5
    word_bonus: float = 1.0
    end_guard: float = 0.5
    prune: float = 14.0
    patience: float = 1.0


@dataclass(frozen=True, slots=True)
class Reading:
    """One whole reading: `network` = log P(words | sound), `score` = S; `marks[i]` = the network's
    log-probability of the pieces of word i (in the likeliest spelling)."""

    words: tuple[str, ...]
    network: float
    score: float
    marks: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Heard:
    """What was found: readings, best first, and a network's own greedy text with its log-probability."""

    readings: tuple[Reading, ...]
    free_text: str = ""
    free_network: float = 0.0
    free_pieces: int = 0


def free_words(heard: Heard) -> tuple[str, ...]:
    """The free reading as spoken words: small letters, no punctuation, digits as words."""
    found: list[str] = []
    for token in _FREE.findall(heard.free_text.lower()):
        if token.isdigit():
            found += spoken(token) or [word for digit in token for word in spoken(digit)]
        else:
            found.append(token)
    return tuple(found)


_Closed = tuple[tuple[str, ...], History, float, tuple[float, ...]]
"""Words, history, language score and marks of a hypothesis whose last word is finished."""


@dataclass(slots=True)
class _Hypothesis:
    """A half-done reading. `language` holds language weights and bonuses of finished words, `prospect` the
    look-ahead."""

    words: tuple[str, ...]
    prefix: str
    history: History
    network: float
    language: float
    marks: tuple[float, ...]
    prospect: float = 0.0
    open: bool = True
    """Whether the next piece may begin a word without a space before it (at the start, after a hyphen)."""
    row: int = 0
    token: int = 0
    best: float = field(default=-math.inf)
    """The network's log-probability of the likeliest spelling alone."""
    closed: list[_Closed | None] = field(default_factory=list)
    """What `_close_word` made of it, once it was asked."""

    @property
    def score(self) -> float:
        return self.network + self.language + self.prospect


def search(
    acoustics: Acoustics,
    pieces: Pieces,
    language: Language,
    weights: Weights,
    duration_s: float,
    *,
    free: Acoustics | None = None,
    hints: Sequence[Sequence[Hint]] = (),
) -> Heard:
    """Find the best readings of one utterance.

    `free` is the network whose own greedy reading is told beside them (None: it is left out, and nothing is searched
    again with a looser guard). `hints` are the words that other recognisers heard, a row each, in order, with the nats
    that each adds to a reading.
    """
    heard = Heard(()) if free is None else freely(free, pieces, duration_s)
    readings = _Search(pieces, language, weights, duration_s, hints).run(acoustics)
    if not readings and heard.free_pieces:
        loose = replace(weights, end_guard=weights.end_guard + LOOSE_GUARD)
        readings = _Search(pieces, language, loose, duration_s, hints).run(acoustics)
    return replace(heard, readings=readings)


def freely(acoustics: Acoustics, pieces: Pieces, duration_s: float) -> Heard:
    """The network's own greedy reading of one utterance, without others."""
    chances, tokens, network = acoustics.first(), [], 0.0
    for _ in range(_most_pieces(duration_s)):
        token = int(chances[0].argmax())
        network += float(chances[0, token])
        if token == END_TOKEN:
            break
        tokens.append(token)
        chances = acoustics.step(np.zeros(1, dtype=np.int64), np.array([token], dtype=np.int64))
    return Heard((), pieces.text(tokens), network, len(tokens))


def _most_pieces(duration_s: float) -> int:
    return LEAST_PIECES + int(MAX_PIECES_PER_S * duration_s)


class _Search:
    def __init__(
        self,
        pieces: Pieces,
        language: Language,
        weights: Weights,
        duration_s: float,
        hints: Sequence[Sequence[Hint]],
    ) -> None:
        self.pieces, self.language, self.weights = pieces, language, weights
        self.hints = Hints(hints)
        self.most_pieces = _most_pieces(duration_s)
        self.most_words = LEAST_PIECES + int(MAX_WORDS_PER_S * duration_s)
        self.usable = np.flatnonzero((pieces.kinds != Kind.BANNED) & (pieces.kinds != Kind.END))
        self.done: dict[tuple[str, ...], Reading] = {}

    def run(self, acoustics: Acoustics) -> tuple[Reading, ...]:
        """All finished readings, best first."""
        alive = [_Hypothesis((), "", self.language.start, 0.0, 0.0, (), best=0.0)]
        chances = acoustics.first()
        for _ in range(self.most_pieces):
            self._finish(alive, chances)
            alive = self._grow(alive, chances) if not self._settled(alive) else []
            if not alive:
                break
            parents = np.array([hypothesis.row for hypothesis in alive], dtype=np.int64)
            tokens = np.array([hypothesis.token for hypothesis in alive], dtype=np.int64)
            for row, hypothesis in enumerate(alive):
                hypothesis.row = row
            chances = acoustics.step(parents, tokens)
        return tuple(sorted(self.done.values(), key=lambda reading: -reading.score))

    def _settled(self, alive: list[_Hypothesis]) -> bool:
        """Whether no living hypothesis can still beat the best finished one."""
        if not self.done or not alive:
            return not alive
        best = max(reading.score for reading in self.done.values())
        return max(hypothesis.score for hypothesis in alive) < best - self.weights.patience

    def _finish(self, alive: list[_Hypothesis], chances: Floats) -> None:
        """Close every hypothesis that the network lets end here."""
        for hypothesis in alive:
            row = chances[hypothesis.row]
            if row[END_TOKEN] < row.max() - self.weights.end_guard:
                continue
            closed = self._close_word(hypothesis)
            if closed is None:
                continue
            words, history, language, marks = closed
            network = hypothesis.network + float(row[END_TOKEN])
            old = self.done.get(words)
            if old is not None:
                network = float(np.logaddexp(network, old.network))
            language += self.weights.language * self.language.ending(history)
            self.done[words] = Reading(words, network, network + language, marks)

    def _grow(self, alive: list[_Hypothesis], chances: Floats) -> list[_Hypothesis]:
        """Every hypothesis by every likely piece; the same words and prefix recombined; the best kept."""
        merged: dict[tuple[tuple[str, ...], str, bool], _Hypothesis] = {}
        for hypothesis in alive:
            row = chances[hypothesis.row][self.usable]
            count = min(self.weights.tokens, len(row))
            likely = np.argpartition(row, len(row) - count)[len(row) - count :]
            for at in likely:
                token = int(self.usable[at])
                for grown in self._extend(hypothesis, token, float(row[at])):
                    key = (grown.words, grown.prefix, grown.open)
                    twin = merged.get(key)
                    merged[key] = grown if twin is None else _recombine(twin, grown)
        ranked = sorted(merged.values(), key=lambda hypothesis: -hypothesis.score)[: self.weights.beam]
        return [hypothesis for hypothesis in ranked if hypothesis.score >= ranked[0].score - self.weights.prune]

    def _extend(self, hypothesis: _Hypothesis, token: int, chance: float) -> Iterator[_Hypothesis]:
        """The hypothesis after one more piece: none when the piece cannot stand there."""
        kind, text = Kind(self.pieces.kinds[token]), self.pieces.folded[token]
        prefix, digits = hypothesis.prefix, hypothesis.prefix.isdigit()
        if (kind is Kind.INSIDE and not digits and (prefix or hypothesis.open)) or (
            kind is Kind.DIGIT and (not prefix or digits)
        ):
            yield self._moved(hypothesis, token, chance, prefix + text)
        elif kind in (Kind.SPACE, Kind.STOP) and not prefix:
            if kind is Kind.SPACE and not hypothesis.open:
                return
            yield self._moved(hypothesis, token, chance, "", opened=kind is Kind.STOP)
        elif kind in (Kind.START, Kind.DIGIT, Kind.SIGN, Kind.SPACE, Kind.STOP):
            closed = self._close_word(hypothesis)
            if closed is None or len(closed[0]) > self.most_words:
                return
            words, history, language, marks = closed
            fresh = _Hypothesis(
                words,
                "",
                history,
                hypothesis.network,
                language,
                marks,
                row=hypothesis.row,
                best=hypothesis.best,
            )
            letters = text if kind in (Kind.START, Kind.DIGIT, Kind.SIGN) else ""
            yield self._moved(fresh, token, chance, letters)

    def _moved(
        self, hypothesis: _Hypothesis, token: int, chance: float, prefix: str, *, opened: bool = True
    ) -> _Hypothesis:
        """A copy one piece further, with the look-ahead of its new prefix."""
        moved = _Hypothesis(
            hypothesis.words,
            prefix,
            hypothesis.history,
            hypothesis.network + chance,
            hypothesis.language,
            hypothesis.marks,
            open=opened,
            row=hypothesis.row,
            token=token,
            best=hypothesis.best + chance,
        )
        if prefix:
            moved.prospect = self._prospect(hypothesis.words, hypothesis.history, prefix)
        return moved

    def _word(self, said: tuple[str, ...], history: History, word: str) -> float:
        """What a finished word adds to S besides its sound; `said` are the words before it."""
        chance = self.weights.language * self.language.word(history, word) + self.weights.word_bonus
        return chance + self.hints.gain(said, word)

    def _prospect(self, said: tuple[str, ...], history: History, prefix: str) -> float:
        """The most that the word which begins with `prefix` can still add."""
        if prefix.isdigit():
            return max((self._word(said, history, word) for word in first_words(prefix)), default=-1e9)
        most = self.weights.language * self.language.prospect(history, prefix) + self.weights.word_bonus
        hinted = (self._word(said, history, word) for word in self.hints.near(said) if word.startswith(prefix))
        return max(most, max(hinted, default=most))

    def _close_word(self, hypothesis: _Hypothesis) -> _Closed | None:
        """The hypothesis once its prefix is a finished word; None when it cannot be one."""
        if not hypothesis.closed:
            hypothesis.closed.append(self._closed(hypothesis))
        return hypothesis.closed[0]

    def _closed(self, hypothesis: _Hypothesis) -> _Closed | None:
        if not hypothesis.prefix:
            return hypothesis.words, hypothesis.history, hypothesis.language, hypothesis.marks
        new = spoken(hypothesis.prefix) if hypothesis.prefix.isdigit() else (hypothesis.prefix,)
        if not new or new == ("'",):
            return None
        words, history, language = hypothesis.words, hypothesis.history, hypothesis.language
        for word in new:
            language += self._word(words, history, word)
            words = (*words, word)
            history = self.language.after(history, word)
        if circles(words):
            return None
        spent = hypothesis.best - math.fsum(hypothesis.marks)
        return (
            words,
            history,
            language,
            (*hypothesis.marks, *[spent / len(new)] * len(new)),
        )


def circles(words: Sequence[str]) -> bool:
    """Whether the words end in a circle: two or more of them said three times running, or one five times, or eight or
    more twice, or so few different ones in so many that they turn over and over.

    A network that hears nothing it knows may go round for ever ("of the head of the head of the head", "on the left
    hand on the right hand on the left hand").
    """
    if len(words) >= 5 and len(set(words[-5:])) == 1:
        return True
    if len(words) >= CIRCLE_WORDS and len(set(words[-CIRCLE_WORDS:])) <= CIRCLE_KINDS:
        return True
    if any(len(words) >= 2 * size and words[-size:] == words[-2 * size : -size] for size in LONG_CIRCLE):
        return True
    return any(
        len(words) >= 3 * size
        and words[-size:] == words[-2 * size : -size] == words[-3 * size : -2 * size]
        and len(set(words[-size:])) > 1
        for size in range(2, 7)
    )


def _recombine(one: _Hypothesis, other: _Hypothesis) -> _Hypothesis:
    """The likelier of two equal hypotheses, with the probability of both."""
    best = one if one.best >= other.best else other
    best.network = float(np.logaddexp(one.network, other.network))
    return best
