"""Text to tokens: spaCy's blank English vocabulary with a tokenizer of our own rules, and the tree of phrases.

Normal forms (NORM) stand beside the words; the words as heard are never changed, so every span points into the
text that was given. Matching is by NORM: "rt" matches "right", "four" matches "4", "hemorrhages" the British
spelling.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from pathlib import Path

from spacy.attrs import NORM, ORTH
from spacy.tokenizer import Tokenizer
from spacy.tokens import Doc
from spacy.vocab import Vocab

from grammar.data_files import DATA
from grammar.errors import DataError
from grammar.lexicon import Builder, Lexeme
from grammar.phrase_files import load_files
from grammar.protocols import Catalogue, catalogue
from grammar.sounds import SoundAlikes

# Splits inside a chunk of text without spaces: every sign is a token of its own, a hyphen between letters stays
# with the word before it (and falls away in the normal form), letters and digits part except in C5, T10, V1, x3.
_SIGNS = r"\u2026,;:!?()\[\]{}\"\u201c\u201d/\\+*=<>~^|\u2191\u2193\u00b0%\u2013\u2014\u2212&#@\u2022\u00b7_"
_INFIX = re.compile(
    rf"(?<=[A-Za-z][-\u2010\u2011])(?=[A-Za-z])|[{_SIGNS}]|(?<!\d)\.|\.(?!\d)|(?<![A-Za-z])-|-(?![A-Za-z])|"
    r"(?<=\d)(?=[A-Za-z])|(?<=[A-Za-z]{3})(?=\d)"
)
_PREFIX = re.compile(rf"^(?:\.\.\.|[.{_SIGNS}'\u2018\u2019-])")
_SUFFIX = re.compile(rf"(?:\.\.\.|[.{_SIGNS}'\u2018\u2019-])$")
# Chunks that stay whole.
_WHOLE = re.compile(r"^(?:\d+\.\d+|[cCtTlLsSvV]\d{1,2})$")
# Words that the tokenizer cannot split, with single blanks between.
_PLAIN = re.compile(r"[a-z]+(?: [a-z]+)*")
_SPECIAL = ("b/l", "w/o", "w/", "s/p", "c/o", "p/c", "c/c", "+ve", "-ve", "(r)", "(l)", "a&o", "a&ox", "a&ox3", "a&ox4")
# Capitals that mean something else than the same letters in small: light touch (not left), abdomen (not abduction).
_UPPER = {"LT": "LT", "ABD": "ABD", "EXT": "EXT", "N": "normal"}


class Words:
    """The tokens of a text as plain lists, taken out of spaCy's document once; `blank`: a blank stands behind it."""

    __slots__ = ("blank", "doc", "norms", "starts", "texts")

    def __init__(self, doc: Doc) -> None:
        tokens = list(doc)
        self.doc = doc
        self.texts: list[str] = [token.text for token in tokens]
        self.norms: list[str] = [token.norm_ for token in tokens]
        self.starts: list[int] = [token.idx for token in tokens]
        self.blank: list[bool] = [token.whitespace_ != "" for token in tokens]


class PhraseTree:
    """All phrases by their words: each step down the tree is one more word, `lexeme` is the phrase that ends there."""

    __slots__ = ("lexeme", "longer")

    def __init__(self) -> None:
        self.lexeme: Lexeme | None = None
        self.longer: dict[str, PhraseTree] = {}

    def add(self, words: Sequence[str], lexeme: Lexeme) -> None:
        """Put a phrase into the tree."""
        node = self
        for word in words:
            if word not in node.longer:
                node.longer[word] = PhraseTree()
            node = node.longer[word]
        node.lexeme = lexeme


class Pipeline:
    """The tokenizer, the phrases and the lexemes of one set of data files."""

    def __init__(self, extra: tuple[Path, ...] = ()) -> None:
        self.folders = extra
        self.catalogue: Catalogue = catalogue(extra)
        builder = Builder(self.catalogue)
        for file, data in load_files(extra):
            builder.add_file(file, data)
        if builder.faults:
            raise DataError(builder.faults)
        self.builder = builder
        self.norms = builder.norms
        self.small = frozenset(builder.small)
        self.vocab = Vocab(lex_attr_getters={NORM: self.norm})
        specials = {form: [{ORTH: form}] for word in _SPECIAL for form in (word, word.upper(), word.title())}
        self.tokenizer = Tokenizer(
            self.vocab,
            rules=specials,
            prefix_search=_PREFIX.search,
            suffix_search=_SUFFIX.search,
            infix_finditer=_INFIX.finditer,
            token_match=_WHOLE.match,
        )
        self.by_key = self._merged(builder)
        self.tree = PhraseTree()
        for key, lexeme in self.by_key.items():
            self.tree.add(key, lexeme)
        self.alikes = SoundAlikes(self)

    def norm(self, word: str) -> str:
        """The normal form of one token."""
        if word in _UPPER:
            return _UPPER[word]
        low = word.lower().replace("\u2019", "'").replace("\u2018", "'")
        known = self.norms.get(low)
        if known is not None:
            return known
        if low[-1] in "-\u2010\u2011" and len(low) > 1:
            low = low[:-1]
            return self.norms.get(low, low)
        if low.endswith("'s") and len(low) > 2:
            base = low[:-2]
            if base not in ("it", "he", "she", "that", "there", "let", "what", "here", "who", "how", "where"):
                return self.norms.get(base, base)
        return low

    def doc(self, text: str) -> Doc:
        """The tokens of a text; whitespace is kept, so token offsets are offsets into the text."""
        return self.tokenizer(text)

    def words(self, text: str) -> Words:
        """The same tokens as plain lists."""
        return Words(self.doc(text))

    def _merged(self, builder: Builder) -> dict[tuple[str, ...], Lexeme]:
        """The lexemes by the normal forms of their words; phrases with the same forms are one."""
        merged: dict[tuple[str, ...], Lexeme] = {}
        norm = lru_cache(maxsize=None)(self.norm)
        for lexeme in builder.lexemes.values():
            key = self._key(lexeme.text, norm)
            first = merged.setdefault(key, lexeme)
            if first is not lexeme:
                _merge(first, lexeme)
        for key, lexeme in merged.items():
            lexeme.key = key
            lexeme.complaint_only = lexeme.complaints is not None and not any(
                getattr(lexeme, role) for role in ("item", "site", "result", "instruction", "context")
            )
        return merged

    def _key(self, phrase: str, norm: Callable[[str], str]) -> tuple[str, ...]:
        """The normal forms of a phrase; only one with more than plain words needs the tokenizer."""
        if _PLAIN.fullmatch(phrase):
            return tuple(map(norm, phrase.split()))
        return tuple(token.norm_ for token in self.doc(phrase))


def _merge(first: Lexeme, other: Lexeme) -> None:
    """Two spellings with one normal form are one phrase: take the roles that are still empty."""
    for slot in Lexeme.__slots__:
        if getattr(first, slot) is None:
            setattr(first, slot, getattr(other, slot))
    if first.result is not None and other.result is not None and first.result is not other.result:
        for table in ("by_item", "by_kind", "test_only"):
            for name, row in getattr(other.result, table).items():
                getattr(first.result, table).setdefault(name, row)
        first.result.any = first.result.any or other.result.any


def pipeline(extra: tuple[Path, ...] = ()) -> Pipeline:
    """The pipeline of the built-in data (and of a clinic's folders); built once."""
    return built(extra)


@lru_cache(maxsize=4)
def built(extra: tuple[Path, ...]) -> Pipeline:
    """Said and unsaid arguments are different keys of a cache, so `pipeline` hands its one on."""
    return Pipeline(extra)


__all__ = ["DATA", "PhraseTree", "Pipeline", "Words", "built", "pipeline"]
