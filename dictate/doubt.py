"""Weakly heard words: which are marked, and which raise a query because they could turn a finding around.

Sides, negations and grades have a stricter limit than other words, and a rival reading of opposite
meaning (the recogniser also weighed "left" for "right") is asked about whatever the confidence. Limits
and words are data: `engines/data/doubt.toml`.
"""

from __future__ import annotations

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


class Limits(_Data):
    """The content of doubt.toml."""

    weak: float = Field(gt=0, lt=1)
    strict: float = Field(gt=0, lt=1)
    kinds: dict[str, Kind]
    negating: frozenset[str]
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
    """The note with a query for every finding that rests on a weak side, negation or grade."""
    from dictate.hearing import PlacedWords

    placed = PlacedWords(note.transcript, [word for utterance in utterances for word in utterance.words])
    queries = []
    for index, finding in enumerate(note.findings):
        for kind, name in _doubtful(placed.under(finding)):
            queries.append(_query(index, finding, kind, name))
    return note.model_copy(update={"queries": (*note.queries, *queries)}) if queries else note


def _doubtful(words: Sequence[Word]) -> list[tuple[Word, str]]:
    """The first doubtful word of each kind."""
    found: dict[str, Word] = {}
    for word in words:
        for name, kind in limits().kinds.items():
            weak = word.text in kind.words and (word.confidence < limits().strict or _opposite(word))
            if name not in found and (weak or (name == "negation" and _lost_negation(word))):
                found[name] = word
    return [(word, name) for name, word in found.items()]


def _opposite(word: Word) -> str | None:
    for group in limits().opposites:
        if word.text in group.words:
            return next((rival for rival in word.rivals if rival in group.words and rival != word.text), None)
    return None


def _lost_negation(word: Word) -> str | None:
    """A negating word that only another reading has beside or instead of this word."""
    return next((rival for rival in word.rivals if rival in limits().negating), None)


def _query(index: int, finding: Finding, word: Word, kind: str) -> Query:
    rival = _opposite(word) or (_lost_negation(word) if kind == "negation" else None)
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
