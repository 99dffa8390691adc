"""Which reading is taken, when several are close together.

Besides the score S of the search the grammar decides: it reads the closest readings. One that it reads more of
("deltoid" for "they'll toy") goes before the best when it is at most `close` nats behind. It must not differ from the
best in a side, a negation or a grade: sense is no witness for those, "left" makes as good a sentence as "right".

The reading that is taken keeps its own score, so that words which only the grammar wanted have a low posterior, are
marked, and are asked about.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

from dictate.doubt import limits
from dictate.engines.fused.certainty import alignment
from dictate.engines.fused.search import Heard

Unread = Callable[[tuple[str, ...]], int]
"""How many of these words the grammar leaves unread."""


def sensible(heard: Heard, unread: Unread, close: float, most: int) -> Heard:
    """The close reading that the grammar reads most of is put first; among `most` readings, within `close` nats."""
    if len(heard.readings) < 2:
        return heard
    first = heard.readings[0]
    rivals = [reading for reading in heard.readings[1:most] if reading.score >= first.score - close]
    rivals = [reading for reading in rivals if not turns_around(first.words, reading.words)]
    if not rivals:
        return heard
    taken = min((first, *rivals), key=lambda reading: unread(reading.words))
    others = tuple(reading for reading in heard.readings if reading is not taken)
    return replace(heard, readings=(taken, *others))


def turns_around(words: Sequence[str], other: Sequence[str]) -> bool:
    """Whether two readings differ in a side, a negation, a grade or another word that turns a finding around."""
    weighty = _weighty()
    pairs = [
        ("" if row is None else words[row], "" if column is None else other[column])
        for row, column in alignment(words, other)
    ]
    return any(one != two and (one in weighty or two in weighty) for one, two in pairs)


@cache
def _weighty() -> frozenset[str]:
    data = limits()
    groups = [*(kind.words for kind in data.kinds.values()), *(group.words for group in data.opposites)]
    return data.negating.union(*groups)


def grammar_unread(folders: Sequence[Path] = ()) -> Unread:
    """Counts with the grammar itself; `folders` are a clinic's own data."""
    from grammar import parse

    def unread(words: tuple[str, ...]) -> int:
        note = parse(" ".join(words), folders=tuple(folders)).note
        return sum(len(span.text.split()) for span in note.unread)

    return unread
