"""Is a marked phrase denied, possible, past, hypothetical, or about somebody else? NegEx and ConText as data.

    judge("No history of seizure, but she has a tremor.", [(14, 21), (35, 41)])
      -> denied + historical            affirmed + recent

The cues, what only looks like a cue, and what ends a cue's reach are in data/rules/negation.toml. A cue
reaches from itself to the nearest end of its own kind, at most to the end of the sentence; the longest
cue at a place wins, so "no change" hides "no". This is for prose about arbitrary marked phrases (text
from outside). Dictated findings are read by `grammar/reader.py`, where a scope ends earlier: at the
next item with a result of its own.

Sources: Chapman WW et al. J Biomed Inform 2001;34:301-310; Harkema H et al. J Biomed Inform
2009;42:839-851.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from pydantic import BaseModel, ConfigDict
from spacy.attrs import LOWER
from spacy.matcher import PhraseMatcher
from spacy.tokens import Doc
from spacy.vocab import Vocab

from grammar.data_files import DATA, read_toml, validate
from grammar.errors import DataError, Fault

Polarity = Literal["affirmed", "negated", "possible"]
Time = Literal["recent", "historical", "hypothetical"]
Person = Literal["patient", "other"]

_TOKEN = re.compile(r"\d+(?:[.,]\d+)*|\w+(?:['’]\w+)?|[^\w\s]|\n")
_STOPS = frozenset((".", "?", "!", ";", "\n"))
# A full stop behind these does not end a sentence.
_SHORT = frozenset(("dr", "mr", "mrs", "ms", "st", "vs", "mt", "no", "approx", "p", "r", "o"))


class CueTable(BaseModel):
    """The cues of one kind; see the head of negation.toml."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    pseudo: tuple[str, ...] = ()
    end: tuple[str, ...] = ()
    reach: int = 6


class CueFile(BaseModel):
    """The whole of negation.toml."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    negation: CueTable
    possible: CueTable
    historical: CueTable
    hypothetical: CueTable
    other_person: CueTable


@dataclass(frozen=True, slots=True)
class Cue:
    """A cue that reached a phrase: its kind, its words and where they stand."""

    kind: str
    words: str
    start_char: int
    end_char: int


@dataclass(frozen=True, slots=True)
class Assertion:
    """What is said of one marked phrase, and the cues that say so."""

    polarity: Polarity
    time: Time
    person: Person
    cues: tuple[Cue, ...] = ()


_PLAIN = Assertion("affirmed", "recent", "patient")


@dataclass(frozen=True, slots=True)
class _Found:
    """A cue in the token sequence, [start, end); `role` is (table, direction)."""

    start: int
    end: int
    role: tuple[str, str]


class Scopes:
    """The cue tables compiled into one matcher."""

    def __init__(self, tables: CueFile) -> None:
        self.tables: dict[str, CueTable] = {name: getattr(tables, name) for name in CueFile.model_fields}
        self.vocab = Vocab(lex_attr_getters={LOWER: str.lower})
        self.matcher = PhraseMatcher(self.vocab, attr="LOWER")
        roles: dict[tuple[str, ...], list[tuple[str, str]]] = {}
        for name, table in self.tables.items():
            for direction in ("before", "after", "pseudo", "end"):
                for phrase in getattr(table, direction):
                    key = tuple(_TOKEN.findall(phrase.lower()))
                    roles.setdefault(key, []).append((name, direction))
        self.roles: dict[int, tuple[tuple[str, str], ...]] = {}
        for number, (key, pairs) in enumerate(roles.items()):
            self.matcher.add(f"c{number}", [Doc(self.vocab, words=list(key))])
            self.roles[self.vocab.strings[f"c{number}"]] = tuple(pairs)

    def judge(self, text: str, phrases: Iterable[tuple[int, int]]) -> tuple[Assertion, ...]:
        """What the text says of each phrase, given as character offsets [start, end)."""
        tokens = [(m.start(), m.end()) for m in _TOKEN.finditer(text)]
        if not tokens:
            return tuple(_PLAIN for _ in phrases)
        doc = Doc(self.vocab, words=[text[a:b].replace("’", "'") for a, b in tokens])
        sentences = _sentences(doc)
        matches = sorted(
            (_Found(start, end, role) for key, start, end in self.matcher(doc) for role in self.roles[key]),
            key=lambda found: (found.start, -found.end),
        )
        by_sentence: dict[int, list[_Found]] = {}
        for found in matches:
            by_sentence.setdefault(sentences[found.start], []).append(found)
        return tuple(self._one(text, tokens, sentences, by_sentence, span) for span in phrases)

    def _one(
        self, text: str, tokens: list[tuple[int, int]], sentences: list[int],
        found: dict[int, list[_Found]], span: tuple[int, int],
    ) -> Assertion:  # fmt: skip
        inside = [i for i, (a, b) in enumerate(tokens) if b > span[0] and a < span[1]]
        if not inside:
            return _PLAIN
        first, last = inside[0], inside[-1] + 1
        before = [cue for cue in found.get(sentences[first], ()) if cue.end <= first]
        after = [cue for cue in found.get(sentences[last - 1], ()) if cue.start >= last]
        hits = {}
        for name, table in self.tables.items():
            hit = _ahead(_longest(before, name)) or _behind(_longest(after, name), last, table.reach)
            if hit is not None:
                hits[name] = hit
        cues = tuple(
            Cue(name, text[(low := tokens[cue.start][0]) : (high := tokens[cue.end - 1][1])], low, high)
            for name, cue in hits.items()
        )
        return Assertion(
            "negated" if "negation" in hits else "possible" if "possible" in hits else "affirmed",
            "hypothetical" if "hypothetical" in hits else "historical" if "historical" in hits else "recent",
            "other" if "other_person" in hits else "patient",
            cues,
        )


def _sentences(doc: Doc) -> list[int]:
    """The number of the sentence of each token."""
    numbers, number = [], 0
    for i, token in enumerate(doc):
        numbers.append(number)
        if token.text in _STOPS and not (token.text == "." and i and doc[i - 1].lower_ in _SHORT):
            number += 1
    return numbers


def _longest(cues: Sequence[_Found], table: str) -> list[_Found]:
    """The cues of one table, the longest where they overlap; one place may hold several roles."""
    kept: list[_Found] = []
    for cue in cues:  # sorted by start, the longest first
        if cue.role[0] != table:
            continue
        last = kept[-1] if kept else None
        if last is None or cue.start >= last.end or (cue.start, cue.end) == (last.start, last.end):
            kept.append(cue)
        elif cue.end - cue.start > last.end - last.start:
            kept[-1] = cue
    return kept


def _ahead(cues: Sequence[_Found]) -> _Found | None:
    """The last "before" cue that no end cuts off from what follows."""
    reaching = None
    for cue in cues:
        if cue.role[1] == "end":
            reaching = None
        elif cue.role[1] == "before":
            reaching = cue
    return reaching


def _behind(cues: Sequence[_Found], last: int, reach: int) -> _Found | None:
    """The first "after" cue within reach, if no end stands before it."""
    for cue in cues:
        if cue.role[1] == "end" or cue.start - last > reach:
            return None
        if cue.role[1] == "after":
            return cue
    return None


@lru_cache(maxsize=1)
def scopes() -> Scopes:
    """The cues of data/rules/negation.toml. Raises DataError with every fault of the file."""
    faults: list[Fault] = []
    file = "rules/negation.toml"
    tables = validate(CueFile, read_toml(DATA / file), file, "file", faults)
    if tables is None:
        raise DataError(faults)
    return Scopes(tables)


def judge(text: str, phrases: Iterable[tuple[int, int]]) -> tuple[Assertion, ...]:
    """What the text says of each phrase, given as character offsets [start, end) into it."""
    return scopes().judge(text, phrases)
