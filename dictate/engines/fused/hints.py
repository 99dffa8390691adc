"""Hints in order: the words that another recogniser heard in the same sound, as the beam search uses them.

A reading that has the same words in the same order gains a few nats for each. Where a reading stands in the other's
row is known from its own words: it goes on behind the last word they shared, one place for each word that they did
not. Words near that place count, `BACK` before to `AHEAD` behind it, each once, and the less the further away they are
(`FADE` a place). When any word counted anywhere, a reading that jumped over a phrase to a word of the hints won at its
first piece, and the phrase was lost unmarked.
"""

from __future__ import annotations

from collections.abc import Sequence

BACK, AHEAD = 3, 5
FADE = 0.2
"""Share of its nats that a hint loses for each place between it and the one expected."""

Hint = tuple[str, float]


class Hints:
    """What other recognisers heard, a row each. A word that several of them heard there gains from each."""

    def __init__(self, rows: Sequence[Sequence[Hint]] = ()) -> None:
        self._rows = [HintRow(row) for row in rows if row]

    def gain(self, said: tuple[str, ...], word: str) -> float:
        """The nats that `word` adds after the words `said`; 0 when it is not hinted there."""
        return sum(row.gain(said, word) for row in self._rows)

    def near(self, said: tuple[str, ...]) -> list[str]:
        """The words that are hinted next after the words `said`."""
        return [word for row in self._rows for word, _ in row.near(said)]


class HintRow:
    """One other reading: (word, nats) in the order they were heard."""

    def __init__(self, heard: Sequence[Hint] = ()) -> None:
        self._heard = tuple(heard)
        self._places: dict[tuple[str, ...], tuple[int, int]] = {(): (0, -1)}
        self._near: dict[tuple[str, ...], tuple[Hint, ...]] = {}

    def gain(self, said: tuple[str, ...], word: str) -> float:
        """The nats that `word` adds after the words `said`; 0 when it is not hinted there."""
        return max((nats for hinted, nats in self.near(said) if hinted == word), default=0.0)

    def near(self, said: tuple[str, ...]) -> tuple[Hint, ...]:
        """The hints that may come next after the words `said`."""
        if not self._heard:
            return ()
        known = self._near.get(said)
        if known is None:
            known = self._near[said] = self._after(said)
        return known

    def _after(self, said: tuple[str, ...]) -> tuple[Hint, ...]:
        place, last = self._place(said)
        first, stop = max(last + 1, place - BACK), min(len(self._heard), place + AHEAD)
        return tuple((word, nats * (1.0 - FADE * abs(at - place))) for at, (word, nats) in self._window(first, stop))

    def _window(self, first: int, stop: int) -> list[tuple[int, Hint]]:
        return [(at, self._heard[at]) for at in range(first, stop)]

    def _place(self, said: tuple[str, ...]) -> tuple[int, int]:
        """The place expected next and that of the last shared word, -1 for none."""
        known = len(said)
        while said[:known] not in self._places:
            known -= 1
        for length in range(known + 1, len(said) + 1):
            place, last = self._places[said[: length - 1]]
            window = range(max(last + 1, place - BACK), min(len(self._heard), place + AHEAD))
            shared = [at for at in window if self._heard[at][0] == said[length - 1]]
            if shared:
                last = min(shared, key=lambda at: abs(at - place))
                place = last
            self._places[said[:length]] = (place + 1, last)
        return self._places[said]
