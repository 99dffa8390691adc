"""How findings, slots and hints are put into words for the board, the terminal and the voice."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from grammar.models import Finding, Slot

SIDE_WORDS = {"right": "RIGHT", "left": "LEFT", "both": "BOTH SIDES", "none": "", "unstated": "WHICH SIDE?"}
STATUS_WORDS = {
    "normal": "normal",
    "abnormal": "abnormal",
    "equivocal": "equivocal",
    "not_examined": "not examined",
}
STATE_WORDS = {
    "missing": "",
    "asked_no_result": "asked, no result yet",
    "side_unstated": "which side?",
    "recorded": "recorded",
    "recorded_by_summary": "by summary",
    "not_examined": "not examined",
}


def plain(identifier: str) -> str:
    """`past_pointing` -> `past pointing`."""
    return identifier.replace("_", " ")


def result(finding: Finding) -> str:
    """Grade, description and status: "2+, normal"; "up-going, abnormal"; "not examined (plaster)"."""
    words = [finding.grade] if finding.grade else []
    words += [plain(word) for word in (*finding.descriptors, *finding.qualifiers)]
    status = STATUS_WORDS[finding.status]
    if status not in words:
        words.append(status)
    text = ", ".join(word for word in words if word)
    return f"{text} ({finding.reason})" if finding.reason else text


def sides(slots: Iterable[Slot]) -> str:
    """The side when one alone is open; nothing when both are, or when the item lies in the midline."""
    seen = {slot.side for slot in slots}
    return f"{min(seen)} only" if seen in ({"right"}, {"left"}) else ""


def label(catalogue: Any, place: str) -> str:
    """The label of "item" or "item:site"."""
    item, _, site = place.partition(":")
    return str(catalogue.item_label(item, site or None))


def listed(words: Sequence[str], most: int) -> str:
    """`a; b; and 3 more` (labels may hold commas themselves)."""
    if len(words) <= most:
        return "; ".join(words)
    return f"{'; '.join(words[:most])}; and {len(words) - most} more"


def counted(count: int, one: str, many: str | None = None) -> str:
    """ "1 query", "2 queries"."""
    return f"{count} {one if count == 1 else many or one + 's'}"
