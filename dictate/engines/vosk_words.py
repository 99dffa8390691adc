"""What to give a Vosk model that lacks some of our words, and how to turn back what it then hears.

A word missing from a model is silently dropped from its phrase list and its neighbours are joined, which
makes false pairs. So each word is looked up first: a missing one is replaced by a surrogate that the
model has (data: `surrogates.toml`, then the word cut in two known parts), or every line with it is left
out and it is reported.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import resources

from dictate.events import Word

SHORTEST_PART = 3


@dataclass(frozen=True, slots=True)
class Fitted:
    """Phrase lines that a model can hear; `substitutes` word -> surrogate, `lost` words it will never say."""

    lines: tuple[str, ...]
    substitutes: dict[str, str] = field(default_factory=dict)
    lost: tuple[str, ...] = ()

    def report(self) -> str | None:
        """One sentence about missing words; None when the model has all of them."""
        if not self.substitutes and not self.lost:
            return None
        parts = []
        if self.substitutes:
            shown = ", ".join(f"{word} as {said!r}" for word, said in sorted(self.substitutes.items())[:6])
            more = len(self.substitutes) - 6
            parts.append(
                f"hears {len(self.substitutes)} words by substitutes ({shown}"
                + (f" and {more} more" if more > 0 else "")
                + ")"
            )
        if self.lost:
            more = len(self.lost) - 12
            parts.append(
                f"cannot hear {len(self.lost)} words at all ({', '.join(self.lost[:12])}"
                + (f" and {more} more" if more > 0 else "")
                + ")"
            )
        return "This Vosk model " + " and ".join(parts) + "."


def fit(lines: Iterable[str], knows: Callable[[str], bool]) -> Fitted:
    """Rewrite or drop phrase lines so that each of their words is one that the model `knows`."""
    lines = list(lines)
    words = {word for line in lines for word in line.split()}
    missing = sorted(word for word in words if not knows(word))
    substitutes = {word: said for word in missing if (said := _substitute(word, knows)) is not None}
    lost = frozenset(missing) - substitutes.keys()
    kept = []
    for line in lines:
        tokens = line.split()
        if tokens and not lost.intersection(tokens):
            kept.append(" ".join(substitutes.get(word, word) for word in tokens))
    return Fitted(tuple(kept), substitutes, tuple(sorted(lost)))


def restore(words: Sequence[Word], substitutes: dict[str, str]) -> list[Word]:
    """Turn surrogates in recognised words back; the longest one wins, confidence is the weakest part's."""
    table = {tuple(said.split()): word for word, said in substitutes.items()}
    longest = max((len(key) for key in table), default=0)
    found: list[Word] = []
    at = 0
    while at < len(words):
        for length in range(min(longest, len(words) - at), 0, -1):
            piece = words[at : at + length]
            word = table.get(tuple(part.text for part in piece))
            if word is not None:
                found.append(Word(word, piece[0].start_s, piece[-1].end_s, min(part.confidence for part in piece)))
                at += length
                break
        else:
            found.append(words[at])
            at += 1
    return found


@cache
def _surrogates() -> dict[str, list[str]]:
    text = (resources.files("dictate.engines") / "data" / "surrogates.toml").read_text(encoding="utf-8")
    words: dict[str, list[str]] = tomllib.loads(text)["words"]
    return words


def _substitute(word: str, knows: Callable[[str], bool]) -> str | None:
    for said in _surrogates().get(word, ()):
        if all(knows(part) for part in said.split()):
            return said
    for cut in range(SHORTEST_PART, len(word) - SHORTEST_PART + 1):
        if knows(word[:cut]) and knows(word[cut:]):
            return f"{word[:cut]} {word[cut:]}"
    return None
