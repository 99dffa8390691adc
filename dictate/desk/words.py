"""Findings, slots and states in words, for pages, history and comparisons. No word here is a diagnosis."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import timedelta

from dictate.clinic import catalogue
from grammar.models import Finding, Slot

SIDE_WORDS = {
    "right": "right",
    "left": "left",
    "both": "both sides",
    "none": "",
    "unstated": "side not stated",
}
STATUS_WORDS = {
    "normal": "normal",
    "abnormal": "abnormal",
    "equivocal": "doubtful",
    "not_examined": "not examined",
}
STATE_WORDS = {
    "draft": "draft",
    "asked_back": "asked back",
    "ready": "ready to sign",
    "signed": "signed",
    "amended": "amended and signed",
}
SLOT_WORDS = {
    "recorded": "recorded",
    "recorded_by_summary": "only by a summary",
    "not_examined": "not examined",
    "side_unstated": "side not stated",
    "asked_no_result": "asked for, no result said",
    "missing": "missing",
}
ORIGIN_WORDS = {
    "machine": "heard",
    "phrase": "typed",
    "catalogue": "entered by hand",
    "dictated": "dictated later",
}


def plain(identifier: str) -> str:
    """An identifier of the catalogue as words: broad_based -> broad based."""
    return identifier.replace("_", " ")


def item_words(item: str, site: str | None) -> str:
    """The label of an item and site; an unknown item keeps its identifier."""
    known = catalogue()
    return known.item_label(item, site) if item in known.items else plain(item)


def result_words(finding: Finding) -> str:
    """Status, grade, descriptors and qualifiers: what stands in a cell of the findings."""
    if finding.status == "not_examined":
        return "not examined" + (f" ({finding.reason})" if finding.reason else "")
    parts = [finding.grade] if finding.grade else []
    parts += [plain(word) for word in finding.descriptors]
    status = STATUS_WORDS[finding.status]
    if not parts or status not in parts:
        parts.insert(0, status)
    text = ", ".join(dict.fromkeys(parts))
    if finding.qualifiers:
        text += f" ({', '.join(plain(word) for word in finding.qualifiers)})"
    return text


def finding_words(finding: Finding) -> str:
    """A finding in one line: item, side, result."""
    side = SIDE_WORDS[finding.side]
    return f"{item_words(finding.item, finding.site)}{', ' + side if side else ''}: {result_words(finding)}"


def slot_words(slot: Slot) -> str:
    """A slot in words: item and side."""
    side = SIDE_WORDS[slot.side]
    return f"{item_words(slot.item, slot.site)}{', ' + side if side else ''}"


def sides_of(finding: Finding) -> tuple[str, ...]:
    """The columns that a finding fills."""
    return ("right", "left") if finding.side == "both" else (finding.side,)


Comparison = tuple[str, str, str, str]
"""What changed: item and site in words, side in words, before, after (empty when nothing was there)."""


def compared(before: Iterable[Finding], after: Iterable[Finding]) -> list[Comparison]:
    """The places whose results differ between two sets of findings, in the order of the catalogue."""
    old, new = _by_place(before), _by_place(after)
    order = list(catalogue().items)
    places = sorted(
        old.keys() | new.keys(),
        key=lambda place: (
            order.index(place[0]) if place[0] in order else len(order),
            place[1] or "",
            place[2],
        ),
    )
    lines = []
    for place in places:
        texts = [", also ".join(found.get(place, ())) for found in (old, new)]
        if texts[0] != texts[1]:
            item, site, side = place
            lines.append((item_words(item, site), SIDE_WORDS[side], texts[0], texts[1]))
    return lines


def _by_place(findings: Iterable[Finding]) -> dict[tuple[str, str | None, str], list[str]]:
    found: dict[tuple[str, str | None, str], list[str]] = {}
    for finding in findings:
        for side in sides_of(finding):
            texts = found.setdefault((finding.item, finding.site, side), [])
            text = result_words(finding)
            if text not in texts:
                texts.append(text)
    return found


def station_order(findings: Sequence[Finding]) -> list[tuple[str, list[int]]]:
    """Station identifiers with the indices of their findings; stations in the order of the examination."""
    known = catalogue()
    grouped: dict[str, list[int]] = {station: [] for station in known.stations}
    for index, finding in enumerate(findings):
        item = known.items.get(finding.item)
        grouped.setdefault(item.station if item else "addon", []).append(index)
    return [(station, indices) for station, indices in grouped.items() if indices]


def age_words(age: timedelta) -> str:
    """How long ago something was, in the largest unit that fits: 5 min, 3 h, 2 days."""
    minutes = max(0, int(age.total_seconds() // 60))
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h"
    return f"{minutes // (24 * 60)} days"
