"""Sound-alike repair: words that a general recogniser heard for a catalogue word ("rom berg", "by sept jerks").

A stretch of one to four words with an unknown word in it is compared with the words of the item phrases by spelling
(normalised Levenshtein similarity, rapidfuzz) and by sound (the same on Metaphone keys: Philips L. Hanging on the
Metaphone. Computer Language 1990;7(12):39; jellyfish). It is read as the catalogue word only where that reading is
alone, makes an item phrase with its neighbours, and stands beside a result, a side, a negation or a grade. Real words
that are common mishearings are listed in data/phrases/sounds.toml. Sides, negations and numbers are never the result
of a repair. The words as heard stay in the text; the repair is marked on the finding.
"""

from __future__ import annotations

from collections import defaultdict
from functools import lru_cache
from typing import TYPE_CHECKING

from jellyfish import metaphone
from rapidfuzz.fuzz import ratio
from spacy.tokens import Doc

from grammar.lexicon import Lexeme

if TYPE_CHECKING:
    from grammar.pipeline import Pipeline

_SHORTEST = 5
_ALONE = 84.0
_JOINED = 80.0
_MARGIN = 6.0
_LONGEST = 4
# Small words and numerals that are never a part of a word heard in pieces.
_NEVER = frozenset(
    (
        "of",
        "or",
        "and",
        "was",
        "were",
        "are",
        "is",
        "with",
        "does",
        "upon",
        "that",
        "has",
        "had",
        "have",
        "not",
        "no",
        "to",
        "ii",
        "iii",
        "iv",
        "vi",
        "vii",
        "viii",
        "ix",
        "xi",
        "xii",
        "right",
        "left",
        "both",
        "for",
        "be",
        "been",
    )
)
# "week" is a week behind these.
_WEEKS = frozenset(("last", "next", "this", "a", "per", "1", "each", "every", "the", "days", "first"))


class SoundAlikes:
    """The vocabulary that may be the result of a repair, by the first letter of its sound."""

    def __init__(self, pipe: Pipeline) -> None:
        self.keys = pipe.by_key
        self.small = pipe.small
        self.known: set[str] = set(self.small) | pipe.builder.meant
        for key in pipe.by_key:
            self.known.update(key)
        words = pipe.builder.alike
        self.buckets: dict[str, list[tuple[str, str]]] = defaultdict(list)
        for word in sorted(words):
            sound = metaphone(word)
            if sound:
                self.buckets[sound[0]].append((word, sound))
        self.listed = {
            tuple(t.norm_ for t in pipe.doc(heard)): tuple(t.norm_ for t in pipe.doc(read))
            for heard, read in pipe.builder.sounds.items()
        }
        self.listed_first = {heard[0] for heard in self.listed}
        self.best = lru_cache(maxsize=65536)(self._best)

    def _best(self, heard: str, joined: bool) -> str | None:
        """The catalogue word that sounds like `heard`, if one stands out."""
        sound = metaphone(heard)
        if not sound:
            return None
        scores: list[tuple[float, str]] = []
        for word, key in self.buckets.get(sound[0], ()):
            if abs(len(word) - len(heard)) > 4:
                continue
            score = 0.5 * ratio(heard, word) + 0.5 * ratio(sound, key)
            scores.append((score, word))
        if not scores:
            return None
        scores.sort(reverse=True)
        limit = _JOINED if joined else _ALONE
        top, word = scores[0]
        if top < limit:
            return None
        for score, other in scores[1:4]:
            if top - score < _MARGIN and other[:5] != word[:5]:
                return None
        return word

    def find(self, norms: list[str]) -> list[tuple[int, int, tuple[str, ...]]]:
        """(start, end, words read) of each repair, left to right, without overlap."""
        found = []
        i, count = 0, len(norms)
        unknown = [n.isalpha() and n not in self.known and len(n) > 1 for n in norms]
        while i < count:
            listed = self._listed_at(norms, i) if norms[i] in self.listed_first else None
            if listed is not None:
                found.append(listed)
                i = listed[1]
                continue
            hit = self._window(norms, unknown, i) if any(unknown[i : i + _LONGEST]) else None
            if hit is not None:
                found.append(hit)
                i = hit[1]
            else:
                i += 1
        return found

    def _listed_at(self, norms: list[str], i: int) -> tuple[int, int, tuple[str, ...]] | None:
        for size in range(min(_LONGEST + 1, len(norms) - i), 0, -1):
            read = self.listed.get(tuple(norms[i : i + size]))
            if read is None or (norms[i] == "week" and i and (norms[i - 1] in _WEEKS or norms[i - 1].isdecimal())):
                continue
            if not self._bare_sign(norms, i, i + size, read):
                return i, i + size, read
        return None

    def _bare_sign(self, norms: list[str], start: int, end: int, read: tuple[str, ...]) -> bool:
        """A sign with nothing said of it: "he uses a hedge trimmer" is talk, "a trimmer of the right hand" is not."""
        lexeme = self.keys.get(read)
        if lexeme is None or lexeme.item is None or not lexeme.item.sign:
            return False
        near = [*norms[max(0, start - 3) : start], *norms[end : end + 4]]
        return not any(n.isdecimal() for n in near) and not any(self._evidence(near, k) for k in range(len(near)))

    def _window(self, norms: list[str], unknown: list[bool], i: int) -> tuple[int, int, tuple[str, ...]] | None:
        reach = 0
        while reach < _LONGEST and i + reach < len(norms) and _heard_in_pieces(norms[i + reach]):
            reach += 1
        for size in range(reach, 0, -1):
            if not any(unknown[i : i + size]):
                return None
            heard = "".join(norms[i : i + size])
            if len(heard) < _SHORTEST:
                return None
            word = self.best(heard, size > 1)
            if word is not None and self._fits(norms, i, i + size, word):
                return i, i + size, (word,)
        return None

    def _fits(self, norms: list[str], start: int, end: int, word: str) -> bool:
        """The word makes an item phrase here, with a result, side, negation or number close by."""
        phrase = self._phrase(norms, start, end, word)
        if phrase is None:
            return False
        low, high = phrase
        near = [*norms[max(0, low - 3) : low], *norms[high : high + 4]]
        return any(n.isdecimal() for n in near) or any(self._evidence(near, k) for k in range(len(near)))

    def _phrase(self, norms: list[str], start: int, end: int, word: str) -> tuple[int, int] | None:
        """[low, high) of the longest item phrase that the word makes with its neighbours."""
        for before in (2, 1, 0):
            for after in (3, 2, 1, 0):
                low, high = start - before, end + after
                if low < 0 or high > len(norms):
                    continue
                key = (*norms[low:start], word, *norms[end:high])
                lexeme = self.keys.get(key)
                if lexeme is not None and (lexeme.item is not None):
                    return low, high
        return None

    def _evidence(self, near: list[str], k: int) -> bool:
        for size in (1, 2, 3):
            lexeme: Lexeme | None = self.keys.get(tuple(near[k : k + size]))
            if lexeme is not None and (lexeme.result or lexeme.side or lexeme.neg):
                return True
        return False


def _heard_in_pieces(norm: str) -> bool:
    """It can be a part of a word that was heard in pieces."""
    return norm.isalpha() and norm not in _NEVER


def repair(alikes: SoundAlikes, doc: Doc, norms: list[str]) -> list[tuple[int, str]]:
    """Merge the repaired stretches of a document into single tokens with the normal form that was read.

    Returns (token index after merging, words read); `norms` are the normal forms before. A repair that reads several
    words keeps one token a word.
    """
    found = alikes.find(norms)
    if not found:
        return []
    marks: list[tuple[int, str]] = []
    removed = 0
    with doc.retokenize() as retokenizer:
        for start, end, read in found:
            if len(read) == 1:
                if end - start > 1:
                    retokenizer.merge(doc[start:end], attrs={"NORM": read[0]})
                marks.append((start - removed, read[0]))
                removed += end - start - 1
            elif len(read) == end - start:
                marks.extend((start - removed + n, word) for n, word in enumerate(read))
            else:
                retokenizer.merge(doc[start : end - len(read) + 1], attrs={"NORM": read[0]})
                merged = end - start - len(read)
                marks.extend((start - removed + n, word) for n, word in enumerate(read))
                removed += merged
    for index, word in marks:
        doc[index].norm_ = word
    return marks
