"""One parse as readable text: for each finding the rules that made it, the words each used, and why.

    1. ankle reflex, left: abnormal (absent)
       "right ankle jerk absent, sorry, left" [0-36]
         item      "ankle jerk"
         result    "absent"
         repair    "left"
         side      left: said by the repair "left"
         status    abnormal: the result "absent"

The reasons are read off the finding's own steps; a finding never has a reason that its words do not give.
"""

from __future__ import annotations

from collections.abc import Iterator

from grammar.models import Finding, Note
from grammar.protocols import Catalogue, catalogue

# Why a side is as it is when none of the finding's own words says it (rules of the side).
_SIDES = frozenset(("right", "left", "both", "other"))  # a repair by these words changes the side only
_UNSAID = {
    "none": "this has no side",
    "unstated": "no side was said, and none is guessed",
}


def explain(note: Note, book: Catalogue | None = None) -> str:
    """The whole note as text: findings with their reasons, then unread text, context and queries."""
    return "\n".join(lines(note, book))


def lines(note: Note, book: Catalogue | None = None) -> Iterator[str]:
    """The lines of `explain`."""
    book = book or catalogue()
    for number, finding in enumerate(note.findings, 1):
        yield from _finding(number, finding, book)
    for finding in note.withdrawn:
        yield f"withdrawn: {_head(finding, book)}"
        yield f'   "{finding.text}" [{finding.start_char}-{finding.end_char}]'
    for kind in ("command", "instruction", "context", "unread"):
        for span in note.cover:
            text = note.transcript[span.start_char : span.end_char].strip()
            if span.kind == kind and text:
                yield f'{kind}: "{text}" [{span.start_char}-{span.end_char}]'
    for query in note.queries:
        rests = ", ".join(str(index + 1) for index in query.findings)
        yield f"query ({query.kind}): {query.message}" + (f" Rests on {rests}." if rests else "")


def _finding(number: int, finding: Finding, book: Catalogue) -> Iterator[str]:
    yield f"{number}. {_head(finding, book)}"
    yield f'   "{finding.text}" [{finding.start_char}-{finding.end_char}]'
    for step in finding.steps:
        yield f'     {step.rule:10} "{step.words}"'
    for repair in finding.repaired:
        yield f'     sound      heard "{repair.heard}", read as "{repair.read_as}"'
    yield f"     side       {finding.side}: {why_side(finding)}"
    yield f"     status     {finding.status}: {why_status(finding)}"


def _head(finding: Finding, book: Catalogue) -> str:
    name = book.item_label(finding.item, finding.site) if finding.item in book.items else finding.item
    side = "" if finding.side == "none" else f", {finding.side if finding.side != 'unstated' else 'side unstated'}"
    more = [finding.grade, *finding.descriptors, *finding.qualifiers]
    return f"{name}{side}: {finding.status}" + (f" ({', '.join(m for m in more if m)})" if any(more) else "")


def _said(finding: Finding, rule: str) -> list[str]:
    return [step.words for step in finding.steps if step.rule == rule]


def why_side(finding: Finding) -> str:
    """The words that gave the side, or the rule by which it needs none."""
    if finding.side in _UNSAID:
        return _UNSAID[finding.side]
    for rule in ("repair", "side"):
        words = _said(finding, rule)
        if words:
            return f'said by the {rule} "{words[-1]}"'
    if finding.side in ("right", "left"):
        for rule in ("place", "item", "result"):
            for words_ in _said(finding, rule):
                if finding.side in words_.lower().split():
                    return f'said in the {rule} "{words_}"'
        return "carried on from the side said before, or the side that an exception left"
    if _said(finding, "negation"):
        return f'"{_said(finding, "negation")[0]}" without a side denies both'
    if finding.status == "not_examined":
        return "not examined without a side means both"
    return "a plural, or a test of both sides by habit with a normal result"


def why_status(finding: Finding) -> str:
    """The words that gave the status."""
    if _said(finding, "uncertainty") and finding.status == "equivocal":
        return f'the uncertain "{_said(finding, "uncertainty")[0]}"'
    if _said(finding, "negation") and finding.status == "normal":
        return f'the sign is denied by "{_said(finding, "negation")[0]}"'
    for rule in ("repair", "result", "grade"):
        words = [said for said in _said(finding, rule) if not set(said.lower().split()) & _SIDES]
        if words:
            return f'the {rule} "{words[-1]}"'
    items = _said(finding, "item")
    return f'naming "{items[-1]}" says so' if items else "the words before it"


__all__ = ["explain", "lines", "why_side", "why_status"]
