"""Findings while they are being read: targets, groups (one result for one list of targets) and draft rows."""

from __future__ import annotations

from grammar.lexicon import ItemReading, SiteReading
from grammar.mentions import Mention
from grammar.numbers import Grade
from grammar.phrase_files import ResultPhrase

SENSORY = frozenset(("sensation", "light_touch", "pinprick", "temperature", "vibration", "joint_position"))

# The roots of a whole limb: fewer of them are no summary of it.
LIMB_ROOTS = {(low, high): "arm" for low in ("C4", "C5") for high in ("C8", "T1")} | {
    (low, high): "leg" for low in ("L1", "L2") for high in ("S1", "S2")
}


class Target:
    """One item (and site) that was named, with the mention that named it."""

    __slots__ = ("item", "mention", "reading", "site")

    def __init__(self, item: str, site: str | None, reading: ItemReading | None, mention: Mention | None) -> None:
        self.item = item
        self.site = site
        self.reading = reading
        self.mention = mention

    @property
    def sign(self) -> bool:
        """Naming it says that it is present."""
        return self.reading is not None and self.reading.sign


class Place:
    """A site as said, with the side that was said with it."""

    __slots__ = ("mention", "reading", "side", "side_mention")

    def __init__(self, reading: SiteReading, mention: Mention, side: str | None, side_mention: Mention | None) -> None:
        self.reading = reading
        self.mention = mention
        self.side = side
        self.side_mention = side_mention


class Group:
    """What was said in one breath about one list of targets: places, a side, a result."""

    __slots__ = (
        "compare",
        "ditto",
        "exception",
        "grades",
        "hedge",
        "hedged",
        "led",
        "mentions",
        "neg",
        "notex",
        "places",
        "reason",
        "rest",
        "results",
        "sevs",
        "side",
        "side_bare",
        "side_first",
        "side_mention",
        "targets",
        "uncarried",
    )

    def __init__(self) -> None:
        self.uncarried = False
        self.led: tuple[str, str | None] | None = None
        self.targets: list[Target] = []
        self.places: list[Place] = []
        self.side: str | None = None
        self.side_mention: Mention | None = None
        self.side_bare = False
        self.side_first = False
        self.results: list[Mention] = []
        self.grades: list[Mention] = []
        self.neg: Mention | None = None
        self.hedged = False
        self.hedge: Mention | None = None
        self.sevs: list[Mention] = []
        self.notex: Mention | None = None
        self.reason: tuple[int, int] | None = None
        self.ditto: Mention | None = None
        self.compare: str | None = None
        self.rest = False
        self.exception = False
        self.mentions: list[Mention] = []

    @property
    def valued(self) -> bool:
        """Some result was said."""
        return bool(self.results or self.grades or self.notex or self.ditto)

    @property
    def complete(self) -> bool:
        """Enough was said for a finding, if the targets are known."""
        if self.side in ("right", "left") and any(t.item == "weber" for t in self.targets):
            return True
        return (
            self.valued
            or bool(self.targets and (self.neg is not None or self.hedge is not None))
            or any(t.sign or (t.reading is not None and t.reading.status) for t in self.targets)
        )

    @property
    def blank(self) -> bool:
        """Nothing was said yet."""
        return not self.mentions

    @property
    def sided(self) -> bool:
        return self.side is not None or any(place.side for place in self.places)


class Draft:
    """One row that may still be corrected; frozen into a Finding at the end."""

    __slots__ = (
        "alive",
        "descriptors",
        "grade",
        "group",
        "high",
        "item",
        "qualifiers",
        "reason",
        "side",
        "site",
        "spans",
        "status",
        "steps",
    )

    def __init__(self, item: str, site: str | None, side: str, status: str) -> None:
        self.item = item
        self.site = site
        self.side = side
        self.status = status
        self.grade: str | None = None
        self.high: str | None = None
        self.descriptors: list[str] = []
        self.qualifiers: list[str] = []
        self.reason: str | None = None
        self.spans: list[tuple[int, int]] = []
        self.steps: list[tuple[str, int, int]] = []
        self.alive = True
        self.group = 0

    @property
    def slot(self) -> tuple[str, str | None]:
        return self.item, self.site

    def copy(self) -> Draft:
        """A row of the same content (used when one row is split by sides)."""
        other = Draft(self.item, self.site, self.side, self.status)
        for name in ("grade", "high", "reason", "group"):
            setattr(other, name, getattr(self, name))
        for name in ("descriptors", "qualifiers", "spans", "steps"):
            setattr(other, name, list(getattr(self, name)))
        return other


__all__ = ["SENSORY", "Draft", "Grade", "Group", "Place", "ResultPhrase", "Target"]
