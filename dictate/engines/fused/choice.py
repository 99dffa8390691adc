"""Which reading is taken, when several are close together.

Two things decide besides the score S of the search:

- In noise the search runs a second time, on a copy of the sound from which a noise suppressor took the noise. Each copy
  loses other words: the raw one is drowned, the quiet one is torn. All readings stand in one list, each with the better
  of its two scores, where the quiet one gains a nat. When network and second ear already agree word by word there is
  nothing to win, and no second search is made.
- The grammar reads the closest readings. One that it reads more of ("deltoid" for "they'll toy") goes before the best
  when it is at most `close` nats behind. It must not differ from the best in a side, a negation or a grade: sense is no
  witness for those, "left" makes as good a sentence as "right".

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
from dictate.engines.fused.search import Heard, Reading

Unread = Callable[[tuple[str, ...]], int]
"""How many of these words the grammar leaves unread."""


def pooled(heard: Heard, quiet: Heard, gain: float = 0.0) -> Heard:
    """The readings of the raw and the quieted sound as one list, best first; the latter gain `gain` nats. The free
    reading is that of the raw sound."""
    best: dict[tuple[str, ...], Reading] = {}
    for reading in (*heard.readings, *(replace(one, score=one.score + gain) for one in quiet.readings)):
        old = best.get(reading.words)
        if old is None or reading.score > old.score:
            best[reading.words] = reading
    return replace(heard, readings=tuple(sorted(best.values(), key=lambda reading: -reading.score)))


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
