"""Words that several formats share: names of items, sites, sides, states; stations in their order."""

from __future__ import annotations

from collections.abc import Iterable

from dictate.clinic import catalogue
from grammar.models import Finding, Note, Side, Slot, SlotState

SIDE_WORDS: dict[Side, str] = {
    "right": "right",
    "left": "left",
    "both": "both sides",
    "none": "",
    "unstated": "SIDE NOT STATED",
}
STATE_WORDS: dict[SlotState, str] = {
    "recorded": "recorded",
    "recorded_by_summary": "covered by a summary statement only",
    "not_examined": "not examined",
    "side_unstated": "done, but the side was not stated",
    "asked_no_result": "asked for, no result said",
    "missing": "nothing said",
}
# A slot in one of these states was not shown to be examined.
OPEN_STATES: tuple[SlotState, ...] = ("not_examined", "side_unstated", "asked_no_result", "missing")
UNKNOWN_STATION = "other"


def spaced(name: str) -> str:
    """An identifier as words: "ankle_dorsiflexion" is "ankle dorsiflexion"."""
    return name.replace("_", " ")


def item_label(item: str, site: str | None = None) -> str:
    """Item and site ("Reflex: knee"); an item that the catalogue does not know is shown by its identifier."""
    entry = catalogue().items.get(item)
    label = entry.label if entry else spaced(item)
    return f"{label}: {site_label(site)}" if site else label


def site_label(site: str) -> str:
    """A site as people write it: dermatomes and trigeminal branches in capitals."""
    return site.upper() if site in ("v1", "v2", "v3") else spaced(site)


def scale_of(item: str) -> str | None:
    """Name of the scale that the item's grades lie on."""
    entry = catalogue().items.get(item)
    return entry.scale if entry else None


def station_of(item: str) -> str:
    """The station in which the item is examined."""
    entry = catalogue().items.get(item)
    return entry.station if entry else UNKNOWN_STATION


def stations() -> dict[str, str]:
    """Station -> label, in the order of the examination."""
    return {name: station.label for name, station in catalogue().stations.items()} | {UNKNOWN_STATION: "Other"}


def by_station(findings: Iterable[Finding]) -> dict[str, list[Finding]]:
    """Findings under their station, stations in order, empty ones left out."""
    groups: dict[str, list[Finding]] = {name: [] for name in stations()}
    for finding in findings:
        groups[station_of(finding.item)].append(finding)
    return {name: found for name, found in groups.items() if found}


def result_words(finding: Finding) -> str:
    """Status, grade, descriptors and qualifiers of a finding in words; never empty."""
    parts = [spaced(finding.status)]
    if finding.grade is not None:
        parts.append(f"grade {finding.grade}")
    parts += [spaced(word) for word in (*finding.descriptors, *finding.qualifiers)]
    if finding.reason:
        parts.append(f"reason: {finding.reason}")
    return ", ".join(parts)


def place_words(item: str, site: str | None, side: Side) -> str:
    """Item, site and side: "Reflex: knee, right"."""
    return ", ".join(filter(None, [item_label(item, site), SIDE_WORDS[side]]))


def slot_words(slot: Slot) -> str:
    """A slot with its state and reason: "Fundi, left: not examined (small pupils)"."""
    reason = f" ({slot.reason})" if slot.reason else ""
    return f"{place_words(slot.item, slot.site, slot.side)}: {STATE_WORDS[slot.state]}{reason}"


def open_slots(note: Note) -> list[Slot]:
    """Required places that were not shown to be examined."""
    return [slot for slot in note.slots if slot.state in OPEN_STATES]
