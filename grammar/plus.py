"""A typed plus between two names is "and": "knee + ankle jerks absent", "UE + LE", "L5 + S1"."""

from __future__ import annotations

from spacy.tokens import Doc

from grammar.mentions import GRADE, MARK, Mention


def plus_is_and(doc: Doc, mentions: list[Mention], base: int) -> None:
    """Turn each plus that stands free between two names into the sign "&", unless the second name has a plus of its own
    ("knee + ankle ++"). The tokens of `doc` are counted from `base`."""
    behind_all: list[Mention | None] = [*mentions[3:], None]
    for before, plus, after, behind in zip(mentions, mentions[1:], mentions[2:], behind_all, strict=False):
        if plus.grade is None or not plus.grade.lone or plus.j != plus.i + 1 or not doc[plus.i - 1 - base].whitespace_:
            continue
        beside = before.j == plus.i and after.i == plus.j
        if beside and _names(before) and _names(after) and not (behind is not None and _signs_only(doc, behind, base)):
            plus.kind, plus.grade, plus.mark = MARK, None, "&"


def _names(m: Mention) -> bool:
    """It names an item, a place or a root."""
    if m.grade is not None:
        return m.grade.level is not None
    return m.lex is not None and (m.lex.item is not None or m.lex.site is not None)


def _signs_only(doc: Doc, m: Mention, base: int) -> bool:
    """A grade that is written with signs alone: "++"."""
    return m.kind == GRADE and all(token.norm_ in ("+", "-") for token in doc[m.i - base : m.j - base])
