"""What the desk asks of the grammar: read a phrase, catalogue values of an item, omissions and queries
anew.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dictate.clinic import catalogue, parse
from dictate.errors import DeskError
from grammar import completeness, consistency
from grammar.codes import codes_for
from grammar.models import Finding, Note
from grammar.suggestions import suggest

if TYPE_CHECKING:
    from dictate.desk.editing import Wish

STATUSES = ("normal", "abnormal", "equivocal", "not_examined")
WORKED_OUT = ("side_unstated", "conflict", "asymmetry", "consistency")
"""Kinds of query that the consistency check makes from findings alone."""
GCS_SUM = "Glasgow Coma Scale parts"
"""A query of that kind which nevertheless rests on the spoken parts."""
HINTS = {
    "snellen": "for example 6/9 or 20/40",
    "count": "right out of asked, for example 8/10",
    "degrees": "0 to 180 degrees",
    "beats": "number of beats",
    "millimetres": "millimetres, 0 to 12",
    "level": "for example T10",
    "gcs": "3 to 15",
}
SHAPES = {"snellen": r"(\d{1,2})/(\d{1,4}(?:\.\d)?)", "count": r"(\d{1,3})/(\d{1,3})"}


@dataclass(frozen=True, slots=True)
class Choices:
    """What a form may offer for an item."""

    sides: tuple[str, ...]
    sites: tuple[str, ...]
    grades: tuple[str, ...]
    grade_hint: str
    descriptors: tuple[str, ...]


def choices(item: str) -> Choices:
    """The catalogue's values for an item."""
    known = catalogue().items.get(item)
    if known is None:
        raise DeskError(f"The catalogue has no item {item!r}.")
    scale = catalogue().scales[known.scale] if known.scale else None
    sides = ("right", "left", "both", "none", "unstated") if known.sided else ("none",)
    grades = scale.values if scale else ()
    hint = "" if grades or known.scale is None else HINTS.get(known.scale, known.scale)
    if item == "cranial_nerves":
        hint = "a range, for example 2-12"
    return Choices(sides, known.sites, grades, hint, known.describe)


def require_catalogue_values(wish: Wish) -> None:
    """DeskError, saying what is wrong, unless every value is one that the catalogue knows."""
    known = choices(wish.item)
    if wish.side not in known.sides:
        raise DeskError(f"{wish.item} has no side {wish.side!r}.")
    if wish.status not in STATUSES:
        raise DeskError(f"There is no result {wish.status!r}.")
    if wish.site is not None and wish.site not in known.sites:
        raise DeskError(f"{wish.item} has no site {wish.site!r}.")
    strange = [word for word in wish.descriptors if word not in known.descriptors]
    if strange:
        raise DeskError(f"The catalogue does not describe {wish.item} as {strange[0]!r}.")
    if wish.grade is not None:
        fault = grade_fault(wish.item, wish.grade)
        if fault:
            raise DeskError(fault)


def grade_fault(item: str, grade: str) -> str:
    """Why the value does not lie on the item's scale; empty when it does."""
    known = catalogue().items[item]
    if known.scale is None:
        if item == "cranial_nerves" and re.fullmatch(r"([1-9]|1[0-2])-([1-9]|1[0-2])", grade):
            return ""
        return f"{item} has no grade."
    scale = catalogue().scales[known.scale]
    if scale.values:
        return "" if grade in scale.values else f"{grade!r} is not on the scale: {', '.join(scale.values)}."
    shape = SHAPES.get(known.scale)
    if shape:
        found = re.fullmatch(shape, grade)
        fits = found is not None and (not scale.numerators or int(found[1]) in scale.numerators)
        if found is not None and known.scale == "count":
            fits = int(found[1]) <= int(found[2]) != 0
    elif scale.pattern:
        fits = re.fullmatch(scale.pattern, grade) is not None
    else:
        fits = re.fullmatch(r"\d{1,3}(\.\d)?", grade) is not None
        fits = fits and float(grade) >= (scale.min or 0) and (scale.max is None or float(grade) <= scale.max)
    return "" if fits else f"{grade!r} is not a value of {item} ({HINTS.get(known.scale, known.scale)})."


def coded(finding: Finding) -> Finding:
    """The finding with the codes of its present values."""
    f = finding
    codes = codes_for(f.item, f.site, f.side, f.status, f.descriptors, f.qualifiers)
    return finding.model_copy(update={"codes": tuple(codes)})


def read_phrase(phrase: str, note: Note) -> Note:
    """What the grammar reads in a phrase on its own (no side or station is carried over from the
    examination).
    """
    return parse(phrase, complaint=note.complaint).note


def rechecked(note: Note) -> Note:
    """The note with omissions, queries and suggestions worked out anew from its findings.

    Queries that come from the words themselves (a value outside its scale) cannot be worked out from
    findings; they stay.
    """
    known, findings = catalogue(), note.findings
    spoken = [query for query in note.queries if query.kind not in WORKED_OUT or query.message.startswith(GCS_SUM)]
    return note.model_copy(
        update={
            "slots": tuple(completeness.check(known, findings, [(i, None) for i in note.asked], note.complaint)),
            "queries": (*consistency.check(known, findings), *spoken),
            "suggestions": tuple(suggest(known, findings, note.complaint)),
        }
    )
