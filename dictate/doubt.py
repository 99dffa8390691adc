"""Weakly heard words: which are marked, and which raise a query because they could turn a finding around.

Sides, negations and grades have a stricter limit than other words, and a rival reading of opposite
meaning (the recogniser also weighed "left" for "right") is asked about whatever the confidence; so is a side that
another reading has in the place of a word that is none.

A side may be heard right and yet stand with the wrong finding, because a word between was lost ("reflex absent on the
right, [normal on the] left"). So a finding is asked about as well when words that it does not rest on were heard less
surely than `beside` in its midst or within `near` words of it. Limits and words are data: `engines/data/doubt.toml`.
"""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Sequence
from functools import cache
from importlib import resources

from pydantic import BaseModel, ConfigDict, Field

from dictate.events import FinalText, Word
from grammar.models import Finding, Note, Query


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Kind(_Data):
    """Words of one kind and the question that is asked when one is weak."""

    words: frozenset[str]
    ask: str


class Opposites(_Data):
    """Words of which one heard for another changes the meaning."""

    words: frozenset[str]


class Hiding(_Data):
    """Words behind which a side may hide, and the certainty from which they are believed."""

    words: frozenset[str]
    sure: float = Field(gt=0, lt=1)


class Limits(_Data):
    """The content of doubt.toml."""

    weak: float = Field(gt=0, lt=1)
    strict: float = Field(gt=0, lt=1)
    near: int = Field(ge=0)
    beside: float = Field(gt=0, lt=1)
    kinds: dict[str, Kind]
    negating: frozenset[str]
    hiding: Hiding
    opposites: tuple[Opposites, ...]


@cache
def limits() -> Limits:
    """The limits and word lists."""
    text = (resources.files("dictate.engines") / "data" / "doubt.toml").read_text(encoding="utf-8")
    return Limits.model_validate(tomllib.loads(text))


def is_weak(confidence: float | None) -> bool:
    """Whether a word or finding of this confidence is marked in the note."""
    return confidence is not None and confidence < limits().weak


def add_doubts(note: Note, utterances: Sequence[FinalText]) -> Note:
    """The note with a query for every finding that rests on a weak side, negation or grade, or stands by weak words."""
    from dictate.hearing import PlacedWords

    placed = PlacedWords(note.transcript, [word for utterance in utterances for word in utterance.words])
    under = [placed.under(finding) for finding in note.findings]
    lines = _Lines(utterances, under)
    queries = []
    for index, finding in enumerate(note.findings):
        doubtful = _doubtful(under[index])
        queries += [_query(index, finding, kind, name) for kind, name in doubtful]
        beside = [] if doubtful else lines.weak_beside(index)
        if beside:
            queries.append(_beside_query(index, finding, beside))
    return note.model_copy(update={"queries": (*note.queries, *queries)}) if queries else note


class _Lines:
    """Which words of each utterance the findings rest on, and which are weak."""

    def __init__(self, utterances: Sequence[FinalText], under: Sequence[Sequence[Word]]) -> None:
        self._words = [word for utterance in utterances for word in utterance.words]
        self._lines = [line for line, utterance in enumerate(utterances) for _ in utterance.words]
        places = {id(word): at for at, word in enumerate(self._words)}
        self._own = [[places[id(word)] for word in words if id(word) in places] for words in under]
        self._used = {at for own in self._own for at in own}

    def weak_beside(self, index: int) -> list[Word]:
        """Unsure words of no finding, in the midst of this one or near it with no other finding's word between."""
        own = self._own[index]
        if not own:
            return []
        first, last = min(own), max(own)
        behind = self._free(range(last + 1, len(self._words)))
        around = [*self._free(range(first - 1, -1, -1))[::-1], *range(first, last), *behind]
        lines = {self._lines[at] for at in own}
        free = [at for at in around if at not in self._used and self._lines[at] in lines]
        return [self._words[at] for at in free if self._words[at].confidence < limits().beside]

    def _free(self, places: Sequence[int]) -> list[int]:
        """The first few of these places, up to a word of a finding."""
        return list(itertools.takewhile(lambda at: at not in self._used, places[: limits().near]))


def _beside_query(index: int, finding: Finding, beside: Sequence[Word]) -> Query:
    said = " ".join(word.text for word in beside)
    return Query(
        kind="heard_weakly",
        message=f"Is this right? Beside {finding.text!r} was heard weakly: {said!r} (at {beside[0].start_s:.1f} s).",
        findings=(index,),
        settle="say it again, or listen to the recording there",
        start_char=finding.start_char,
        end_char=finding.end_char,
    )


def _doubtful(words: Sequence[Word]) -> list[tuple[Word, str]]:
    """The first doubtful word of each kind."""
    found: dict[str, Word] = {}
    for word in words:
        for name, kind in limits().kinds.items():
            weak = word.text in kind.words and (word.confidence < limits().strict or _opposite(word))
            lost = _lost_negation(word) if name == "negation" else _lost_side(word) if name == "side" else None
            hides = name == "side" and word.text in limits().hiding.words and word.confidence < limits().hiding.sure
            if name not in found and (weak or lost or hides):
                found[name] = word
    return [(word, name) for name, word in found.items()]


def _opposite(word: Word) -> str | None:
    for group in limits().opposites:
        if word.text in group.words:
            return next((rival for rival in word.rivals if rival in group.words and rival != word.text), None)
    return None


def _lost_negation(word: Word) -> str | None:
    """A word that turns a finding around and that only another reading has beside or instead of this word."""
    return next((rival for rival in word.rivals if rival in limits().negating and rival != word.text), None)


def _lost_side(word: Word) -> str | None:
    """A side that another reading has where this one has a word that is none: "four out of five left" for "four right,
    five left"."""
    sides = limits().kinds["side"].words
    return next((rival for rival in word.rivals if rival in sides), None) if word.text not in sides else None


def _query(index: int, finding: Finding, word: Word, kind: str) -> Query:
    other = {"negation": _lost_negation, "side": _lost_side}.get(kind, _opposite)
    rival = _opposite(word) or other(word)
    heard = f"{word.text!r} or {rival!r} was heard" if rival else f"{word.text!r} was heard weakly"
    return Query(
        kind="heard_weakly",
        message=f"{limits().kinds[kind].ask} In {finding.text!r} {heard} (certainty {word.confidence:.2f}, "
        f"at {word.start_s:.1f} s).",
        findings=(index,),
        settle="say it again, or listen to the recording there",
        start_char=finding.start_char,
        end_char=finding.end_char,
    )
