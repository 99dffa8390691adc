"""Every word and phrase that the grammar's data can produce, for speech engines and for checks.

A recogniser with a closed word list hears nothing else, so the list holds words as they are *said* ("hemorrhages",
"twice", "rt"), beside the normal forms that the matcher sees.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from grammar.pipeline import pipeline


@lru_cache(maxsize=4)
def phrases(folders: tuple[Path, ...] = ()) -> tuple[str, ...]:
    """Every phrase as written in the data, sorted."""
    return tuple(sorted({lexeme.text for lexeme in pipeline(folders).builder.lexemes.values()}))


@lru_cache(maxsize=4)
def words(folders: tuple[Path, ...] = ()) -> tuple[str, ...]:
    """Every word as said, sorted: of the phrases, of other spellings and number words, and the small words.

    Signs, digits and half words are left out: nobody says them as such.
    """
    pipe = pipeline(folders)
    said = {token.text.lower() for phrase in phrases(folders) for token in pipe.doc(phrase)}
    said |= {part for word in pipe.norms for part in word.split()}
    said |= set(pipe.small)
    said = {word.rstrip("-") for word in said}
    return tuple(sorted(word for word in said if word and all(c.isalpha() or c in "'’-" for c in word)
                        and word[0].isalpha()))  # fmt: skip


@lru_cache(maxsize=4)
def normal_forms(folders: tuple[Path, ...] = ()) -> tuple[tuple[str, str], ...]:
    """(word as said, its normal form) of every word, sorted."""
    pipe = pipeline(folders)
    return tuple((word, pipe.norm(word)) for word in words(folders))


__all__ = ["normal_forms", "phrases", "words"]
