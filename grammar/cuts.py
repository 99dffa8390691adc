"""Where the longest phrase is not what was said: it is cut shorter, or another one begins a word later.

A part of grammar/mentions.py, which settles what the tokens of a text are.
"""

from __future__ import annotations

from grammar.lexicon import Lexeme
from grammar.pipeline import Pipeline

# "Reflexes R L" on a line of its own heads two columns.
_COLUMNED = frozenset(("reflexes", "reflex", "jerks", "dtrs", "power", "strength"))
Found = tuple[int, Lexeme] | None
Spans = dict[int, tuple[int, Lexeme]]
_TO_PLACE = frozenset(("of", "over", "in", "on"))


def headed(norms: list[str], i: int, end: int) -> bool:
    """The two sides stand in brackets, before a colon or on a line of their own: the head of two columns."""
    before = norms[i - 1] if i else ""
    after = norms[end] if end < len(norms) else ""
    if before in _COLUMNED and not after.strip() and (i == 1 or not norms[i - 2].strip()):
        return True
    return before in ("(", "[") or after in (":", ")", "]") or (not before.strip() and not after.strip())


def cut_no(
    pipe: Pipeline, norms: list[str], spans: Spans, i: int, span: tuple[int, Lexeme], named: bool
) -> tuple[int, Lexeme]:
    """ "no trouble finding words", "not dysarthric" with nothing `named`: a denied sign, and no result of a word."""
    behind = spans.get(i + 1)
    if behind is None or behind[1].item is None or not behind[1].item.sign:
        return span
    if norms[i] not in ("no", "not") or span[1].result is None or span[1].item is not None:
        return span
    alone = norms[i] == "not" and not named and placeless(pipe, behind)
    if behind[0] < span[0] or (behind[0] == span[0] and not alone):
        return span
    return i + 1, pipe.by_key[(norms[i],)]


def placeless(pipe: Pipeline, found: Found) -> bool:
    """A sign of an item that has no places: "dysarthric", unlike "wasted"."""
    item = found[1].item if found is not None else None
    return item is not None and item.sign and not any(pipe.catalogue.items[name].sites for name, _ in item.targets)


def cut_pair(pipe: Pipeline, norms: list[str], i: int, span: tuple[int, Lexeme], spans: Spans) -> tuple[int, Lexeme]:
    """ "... on the right and the left is normal": two sides, each with a result of its own."""
    end, lex = span
    if lex.pair_order and lex.side is None and norms[i] in ("right", "left") and not headed(norms, i, end):
        first = pipe.by_key.get((norms[i],))
        return (i + 1, first) if first is not None and first.side else span
    if lex.item is not None and end > i + 1 and (led_place(norms, i, lex) or placed_behind(norms, i, end, spans)):
        place, item = pipe.by_key.get((norms[i],)), pipe.by_key.get(tuple(norms[i + 1 : end]))
        own = item.item.targets[0][0] if item is not None and item.item is not None else None
        the = norms[i - 1] == "the"  # "over the face, sensation ..."; but a "jaw power" of its own is not cut
        if place is not None and place.site is not None and own is not None and (the or own == lex.item.targets[0][0]):
            return i + 1, place  # "reduced over the face, sensation normal in the arms", "... hand, bulk normal in ..."
    place = pipe.by_key.get(tuple(norms[i : end - 1])) if lex.instruction is not None and lex.item is None else None
    if place is not None and place.site is not None and norms[end - 1] == "up" and norms[end : end + 1] == ["to"]:
        return end - 1, place  # "lost in the left leg up to T9"
    if lex.instruction is not None and lex.item is None and i + 1 < end < len(norms):
        item, result = pipe.by_key.get(tuple(norms[i : end - 1])), pipe.by_key.get(tuple(norms[end - 1 : end + 1]))
        if item is not None and item.item is not None and result is not None and result.result is not None:
            return end - 1, item  # "right big toe up going" is no "big toe up"
    if lex.side != "both" or "and" not in norms[i:end] or end >= len(norms) or norms[end] not in ("is", "was"):
        return span
    cut = norms.index("and", i, end)
    first = pipe.by_key.get(tuple(norms[i:cut]))
    return (cut, first) if first is not None and first.side else span


def led_place(norms: list[str], i: int, lex: Lexeme) -> bool:
    """ "reduced over the face, sensation ...", "increased in the right leg, power ...": the place is tied to what was
    said before, and a family of tests ("power") begins anew."""
    sided = i > 0 and norms[i - 1] in ("right", "left", "both")
    if sided and (
        lex.item is None or lex.text.split()[-1] not in ("power", "tone", "strength", "sensation", "reflexes")
    ):
        return False
    i -= 1 if sided else 0
    the = i > 0 and norms[i - 1] == "the"
    return (the or sided) and i > int(the) and norms[i - 1 - int(the)] in _TO_PLACE


def placed_behind(norms: list[str], i: int, end: int, spans: Spans) -> bool:
    """ "... and the right hand bulk normal in both thighs": the item has its place behind its value."""
    if i == 0 or norms[i - 1] not in ("right", "left") or end not in spans or spans[end][1].result is None:
        return False
    at = spans[end][0]
    if at < len(norms) and norms[at] in _TO_PLACE:
        at = at + 1 if at not in spans else spans[at][0]
    else:
        return False
    while at < len(norms) and norms[at] in ("the", "both"):
        at += 1
    place = spans[at][1].site if at in spans else None
    return place is not None and norms[i] not in norms[at : spans[at][0]]


def denied_word(pipe: Pipeline, norms: list[str], spans: Spans, i: int, end: int, named: bool) -> bool:
    """ "is not wasted": the copula is a small word before a result of its own, "not wasted"."""
    inner = spans.get(i + 1)
    if end != i + 2 or norms[i] not in ("is", "are", "was", "were") or norms[i + 1] != "not" or inner is None:
        return False
    if not named and placeless(pipe, spans.get(i + 2)):
        return False  # "she is not dysarthric": a sign of its own is denied
    return inner[0] > end and inner[1].result is not None


def denied_short(pipe: Pipeline, norms: list[str], i: int, span: Found) -> Found:
    """ "wasn't seen" is "not seen", where that is a result of its own."""
    for end in range(min(len(norms), i + 4), i + 1, -1):
        lex = pipe.by_key.get(("not", *norms[i + 1 : end])) if span is None or span[0] == i + 1 else None
        if lex is not None and lex.result is not None:
            return end, lex
    return span
