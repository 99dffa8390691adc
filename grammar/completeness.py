"""The omission check: the state of every required slot. A slot is one item (and site) on one side.

A slot is `recorded` only by a current finding for exactly that slot; a listed summary makes it
`recorded_by_summary`, visibly weaker. The best state wins: the first of `RANK`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from functools import lru_cache

from grammar.data_files import DATA
from grammar.models import Finding, Side, Slot, SlotState
from grammar.protocols import Catalogue

RANK: dict[SlotState, int] = {
    "recorded": 0,
    "recorded_by_summary": 1,
    "not_examined": 2,
    "side_unstated": 3,
    "asked_no_result": 4,
    "missing": 5,
}


@lru_cache(maxsize=1)
def summaries() -> dict[str, dict[str, tuple[str, ...]]]:
    """slot item -> {summary "item" or "item:site" -> sites of the slot item that it covers ("*": all)}."""
    raw = tomllib.loads((DATA / "rules" / "summaries.toml").read_text(encoding="utf-8"))
    return {item: {name: tuple(sites) for name, sites in rows.items()} for item, rows in raw.items()}


@lru_cache(maxsize=1)
def nerves() -> dict[str, tuple[int, ...]]:
    """slot item -> the cranial nerves that it tests."""
    raw = tomllib.loads((DATA / "rules" / "nerves.toml").read_text(encoding="utf-8"))
    return {item: tuple(numbers) for item, numbers in raw.items()}


class RequiredSlot:
    """A required slot, and the summaries that cover it, as (item, site or "")."""

    __slots__ = ("by", "items", "name", "rows", "side", "site", "summaries")

    def __init__(self, name: str, site: str | None, side: Side, by: str) -> None:
        self.name = name
        self.site = site
        self.side: Side = side
        self.by = by
        self.rows: dict[SlotState, Slot] = {}
        self.summaries = tuple(
            (item, place)
            for summary, sites in summaries().get(name, {}).items()
            if sites == ("*",) or (site or "") in sites
            for item, _, place in [summary.partition(":")]
        )
        # What has to be said of any of these before the slot can be anything but missing.
        self.items = frozenset((name, *(item for item, _ in self.summaries)))

    def row(self, state: SlotState) -> Slot:
        """The slot in a state without a reason; it is frozen, so it is made once."""
        if state not in self.rows:
            self.rows[state] = Slot(
                item=self.name, site=self.site, side=self.side, state=state, required_by=self.by, reason=None
            )
        return self.rows[state]


class Required:
    """The slots of a protocol in order, the same with nothing said of any, and the places of the slots of each item."""

    __slots__ = ("missing", "places_of", "slots")

    def __init__(self, slots: tuple[RequiredSlot, ...]) -> None:
        self.slots = slots
        self.missing = [slot.row("missing") for slot in slots]
        self.places_of: dict[str, list[int]] = {}
        for place, slot in enumerate(slots):
            for item in slot.items:
                self.places_of.setdefault(item, []).append(place)


@lru_cache(maxsize=64)
def required(catalogue: Catalogue, complaints: tuple[str, ...]) -> Required:
    """What the core screen and the add-ons require, each slot once."""
    wanted: dict[tuple[str, str | None, Side], str] = {}
    parts = [(slots, "core_screen") for slots in catalogue.core_screen.values()]
    parts += [(catalogue.addons[name], name) for name in complaints if name in catalogue.addons]
    for slots, by in parts:
        for slot in slots:
            name, _, site = slot.partition(":")
            for side in slot_sides(catalogue, name, site or None):
                wanted.setdefault((name, site or None, side), by)
    return Required(tuple(RequiredSlot(*slot, by) for slot, by in wanted.items()))


def slot_sides(catalogue: Catalogue, name: str, site: str | None) -> tuple[Side, ...]:
    """The sides on which an item is required: right and left, or `none` for midline things."""
    item = catalogue.items[name]
    if not item.sided or item.default == "midline" or site in ("jaw", "neck", "perianal", "trunk", "abdomen", "head"):
        return ("none",)
    return ("right", "left")


def check(
    catalogue: Catalogue,
    findings: Sequence[Finding],
    asked: Iterable[tuple[str, str | None]],
    complaints: Iterable[str],
) -> list[Slot]:
    """The state of every required slot, in the order of the protocol."""
    by_item: dict[str, list[Finding]] = {}
    for finding in findings:
        by_item.setdefault(finding.item, []).append(finding)
    asked_set = set(asked)
    protocol = required(catalogue, tuple(complaints))
    slots = list(protocol.missing)
    spoken_of = by_item.keys() | {name for name, _ in asked_set}
    for place in {place for item in spoken_of for place in protocol.places_of.get(item, ())}:
        slots[place] = _slot(protocol.slots[place], by_item, asked_set)
    return slots


def _slot(wanted: RequiredSlot, by_item: dict[str, list[Finding]], asked: set[tuple[str, str | None]]) -> Slot:
    name, site, side = wanted.name, wanted.site, wanted.side
    best: SlotState = "missing"
    reason: str | None = None
    if (name, site) in asked or (name, None) in asked:
        best = "asked_no_result"
    for finding in by_item.get(name, ()):
        state = _exact(finding, side) if finding.site == site else None
        if state is not None and RANK[state] < RANK[best]:
            best, reason = state, finding.reason if state == "not_examined" else None
    for item, summary_site in wanted.summaries:
        for finding in by_item.get(item, ()):
            if (finding.site or "") != summary_site or not _in_range(name, finding):
                continue
            state = _summary(finding, side)
            if state is not None and RANK[state] < RANK[best]:
                best, reason = state, finding.reason if state == "not_examined" else None
    row = wanted.row(best)
    return row if reason is None else row.model_copy(update={"reason": reason})


def _in_range(name: str, finding: Finding) -> bool:
    """A summary of cranial nerves with a range covers what the nerves of that range do."""
    if finding.item != "cranial_nerves" or finding.grade is None:
        return True
    low, _, high = finding.grade.partition("-")
    if not low.isdecimal() or not (high or low).isdecimal():
        return False
    return all(int(low) <= number <= int(high or low) for number in nerves().get(name, ()))


def _exact(finding: Finding, side: Side) -> SlotState | None:
    if finding.side == "unstated":
        return "side_unstated"
    if side != "none" and finding.side not in (side, "both"):
        return None
    if finding.status == "not_examined":
        return "not_examined"
    return "recorded"


def _summary(finding: Finding, side: Side) -> SlotState | None:
    if finding.side == "unstated":
        return None
    if side != "none" and finding.side not in (side, "both", "none"):
        return None
    if finding.status == "not_examined":
        return "not_examined"
    return None if finding.item == "cranial_nerves" and finding.status != "normal" else "recorded_by_summary"
