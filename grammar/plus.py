"""Typed signs: a plus between two names is "and" ("knee + ankle jerks absent", "UE + LE", "L5 + S1"); a plus or a minus
that ends its clause says that a sign is there or not ("corneals + b/l", "intention tremor R +, L -"); a Roman number
before a colon is a cranial nerve ("VII: R weakness")."""

from __future__ import annotations

import itertools

from grammar.mentions import COLON, COMMA, GRADE, MARK, PHRASE, STOP, UNKNOWN, Mention
from grammar.numbers import Grade
from grammar.pipeline import Pipeline, Words

# A plus is a grade of these, and no "present".
_GRADED = frozenset(("reflex", "power", "muscle_bulk"))
# Typed movements that are a column's head when they stand in a row with words that are not understood.
_SHORT = frozenset(("sa", "sab", "ef", "ee", "wf", "ff", "fe", "fab", "hf", "kf", "ke", "inv", "ev"))
_NERVES = {"V": 5, "VII": 7}


def plus_is_and(words: Words, mentions: list[Mention], base: int) -> None:
    """Turn each plus that stands free between two names into the sign "&", unless the second name has a plus of its own
    ("knee + ankle ++"). The tokens of `words` are counted from `base`."""
    behind_all: list[Mention | None] = [*mentions[3:], None]
    for before, plus, after, behind in zip(mentions, mentions[1:], mentions[2:], behind_all, strict=False):
        if plus.grade is None or not plus.grade.lone or plus.j != plus.i + 1 or not words.blank[plus.i - 1 - base]:
            continue
        beside = before.j == plus.i and after.i == plus.j
        if (
            beside
            and _names(before)
            and _names(after)
            and not (behind is not None and _signs_only(words, behind, base))
        ):
            plus.kind, plus.grade, plus.mark = MARK, None, "&"


def signs_are_results(pipe: Pipeline, mentions: list[Mention]) -> None:
    """Turn a plus that ends its clause, and the minus that answers it, into "present" and "absent"."""
    there = False
    for k, m in enumerate(mentions):
        if m.kind == STOP:
            there = False
        lone = m.grade is not None and m.grade.lone and m.j == m.i + 1
        if not (lone or (there and m.mark == "-")) or not _ends(mentions, k):
            continue
        if lone and _of_sign(mentions, k):
            m.kind, m.grade, m.lex, there = PHRASE, None, pipe.by_key[("present",)], True
        elif there and m.mark == "-" and m.kind == MARK and (_side(mentions[k - 1]) or _answers(mentions, k)):
            m.kind, m.mark, m.lex = PHRASE, "", pipe.by_key[("absent",)]


def rows_of_heads(mentions: list[Mention]) -> None:
    """ "HF HE HAdd HAbd KF KE AF": the heads of a table, of which not all are understood, name nothing."""
    if not any(m.lex is not None and m.lex.text in _SHORT for m in mentions):
        return
    for row in (mentions, mentions[::-1]):
        for before, m in itertools.pairwise(row):
            beside = before.kind == UNKNOWN and 0 <= max(m.i - before.j, before.i - m.j) <= 1
            if beside and m.lex is not None and m.lex.text in _SHORT:
                m.kind, m.lex = UNKNOWN, None


def nerve_numbers(words: Words, mentions: list[Mention], base: int) -> None:
    """A Roman number that opens its clause, before a colon: the fifth or the seventh nerve."""
    for k, m in enumerate(mentions[:-1]):
        if m.kind != UNKNOWN or mentions[k + 1].kind != COLON or m.j != m.i + 1:
            continue
        number = _NERVES.get(words.texts[m.i - base])
        if number is not None and (k == 0 or mentions[k - 1].kind in (STOP, COMMA)):
            m.kind, m.grade = GRADE, Grade(number, m.j)
            m.grade.unit = "nerves"


def _ends(mentions: list[Mention], k: int) -> bool:
    """Nothing of its clause stands behind it but a side."""
    nxt = k + 1
    while nxt < len(mentions) and _side(mentions[nxt]):
        nxt += 1
    return k > 0 and (nxt >= len(mentions) or mentions[nxt].kind in (STOP, COMMA))


def _answers(mentions: list[Mention], k: int) -> bool:
    """It stands behind the name of a sign, or between a comma and its side: "Hoffmann + R, - L"."""
    if mentions[k - 1].kind == COMMA:
        return k + 1 < len(mentions) and _side(mentions[k + 1])
    return _of_sign(mentions, k)


def _of_sign(mentions: list[Mention], k: int) -> bool:
    """The item before it, past sides and places, is not one that a plus grades."""
    for m in reversed(mentions[max(0, k - 4) : k]):
        lex = m.lex
        if lex is None:
            return False
        if lex.item is not None and lex.site is None:
            return all(item not in _GRADED for item, _ in lex.item.targets)
        if not (lex.side or lex.site):
            return False
    return False


def _side(m: Mention) -> bool:
    return m.lex is not None and m.lex.side is not None


def _names(m: Mention) -> bool:
    """It names an item, a place or a root."""
    if m.grade is not None:
        return m.grade.level is not None
    return m.lex is not None and (m.lex.item is not None or m.lex.site is not None)


def _signs_only(words: Words, m: Mention, base: int) -> bool:
    """A grade that is written with signs alone: "++"."""
    return m.kind == GRADE and all(norm in ("+", "-") for norm in words.norms[m.i - base : m.j - base])
