"""What is taken back or put right in rows that are already there; levels and the coma scale.

A part of the emitter (grammar/emit.py), which is a chain of small classes.
"""

from __future__ import annotations

from grammar.drafts import Draft, Group, Place, Target
from grammar.emit import Emitter
from grammar.lexicon import SiteReading
from grammar.mentions import Mention
from grammar.phrase_files import SitePhrase


class Amender(Emitter):
    """What is taken back or put right in rows that are already there; levels and the coma scale."""

    def retract(self, rows: list[Draft], side: str | None = None) -> None:
        """Take rows back; they stay in the log of what was withdrawn. `side`: of a row of both, only that half."""
        for row in rows:
            if row.alive and row.side == "both" and side in ("right", "left"):
                half = row.copy()
                half.side, half.alive = side, False
                self.state.withdrawn.append(half)
                row.side = "left" if side == "right" else "right"
            elif row.alive:
                row.alive = False
                self.state.withdrawn.append(row)
        drafts = self.state.drafts
        for at in range(len(drafts) - 1, -1, -1):
            if not drafts[at].alive:
                del drafts[at]
            elif at < len(drafts) - 200:
                break

    def replace_side(self, group: Group, old: list[Draft]) -> None:
        """ "right ankle jerk absent, sorry, left", "..., sorry leg": the same finding, side or place said last."""
        side = group.side or next((p.side for p in group.places if p.side), None)
        areas = [area for spot in group.places for area in spot.reading.areas]
        sites = {row.item: [s for s in (self.site_of(row.item, area) for area in areas) if s] for row in old}
        if side is None and not any(sites.values()):
            return
        self._mark(group.mentions)
        for row in old:
            if row.side != "none" and side is not None:
                row.side = side
            if sites[row.item] and row.site not in sites[row.item]:
                row.site = sites[row.item][-1]
            self._respan(row, group)

    def deny_other(self, side: str, ms: list[Mention], *, graded: bool) -> bool:
        """ "normal on the right but not on the left": rows of this side, not what those of the other side are."""
        old = self.state.last_group
        turned = {"normal": "abnormal", "abnormal": "normal"}
        if not old or any(row.status not in turned or {row.side, side} != {"right", "left"} for row in old):
            return False
        if any(row.grade for row in old) and not graded:
            return False  # "two plus on the right but not on the left"
        rows = []
        for row in old:
            other = row.copy()
            other.side, other.status, other.grade = side, turned[row.status], None
            other.descriptors, other.qualifiers = [], []
            other.spans = [self._span(m) for m in ms]
            other.steps = [("negation", *other.spans[0]), ("side", *other.spans[1])]
            rows.append(other)
        self._mark(ms)
        self.state.drafts.extend(rows)
        self.state.last_group = self.state.last_rows = rows
        return True

    def open_correction(self, m: Mention) -> None:
        """ "..., wrong side" with nothing after it: the finding stands as it was said, and it is asked."""
        self.state.corrections.append((*self._span(m), len(self.state.drafts) - 1))

    def replace_result(self, group: Group, old: list[Draft]) -> None:
        """ "flexor, no, extensor": the same item and side with the result said last."""
        self._mark(group.mentions)
        for row in old:
            target = Target(row.item, row.site, None, None)
            value = self._value(group, target)
            if value is None:
                placed = self._placed(group, target)[0]
                if placed is not None:
                    row.grade, row.high = placed.grade, placed.high
                    self._respan(row, group)
                continue
            status, placed, names, _ = value
            if group.results or status != "equivocal" or group.hedge is not None:
                row.status = status
            row.descriptors = names if group.results else row.descriptors
            row.grade, row.high = (placed.grade, placed.high) if placed is not None else (None, None)
            self._respan(row, group)

    def replace_item(self, group: Group, old: list[Draft]) -> None:
        """ "right knee jerk absent, I mean ankle jerk": the same result for the item said last."""
        self._mark(group.mentions)
        first = group.targets[0]
        for row in old:
            row.item = first.item
            sites = self._sites(group, first)
            row.site = sites[0][0]
            if group.side is not None:
                row.side = group.side
            row.descriptors = [d for d in row.descriptors if d in self.items[row.item].describe]
            self._respan(row, group)
        self.state.topic = [first]

    def _respan(self, row: Draft, group: Group) -> None:
        for m in group.mentions:
            start, end = self._span(m)
            row.spans.append((start, end))
            row.steps.append(("repair", start, end))

    def add_level_place(self, group: Group, m: Mention) -> None:
        assert m.grade is not None
        assert m.grade.level is not None
        side, side_mention = None, None
        if group.mentions and group.mentions[-1] is group.side_mention and group.side_mention is not None:
            side, side_mention = group.side, group.side_mention
        for level in self._levels(m.grade.level, m.grade.level_to):
            row = SitePhrase(area=level)
            group.places.append(Place(SiteReading(row, "one"), m, side, side_mention))
        if side is not None and len(group.places) > 1:
            group.side = None
        group.mentions.append(m)

    def _levels(self, low: str, high: str | None) -> list[str]:
        """The dermatomes of the catalogue from one level to another."""
        if high is None:
            return [low]
        known = [a for a in self.items["pinprick"].sites if a[0] in "CTLS" and a[1:].isdecimal()]
        if low not in known or high not in known:
            return [low]
        return known[known.index(low) : known.index(high) + 1] or [low]

    def gcs(self, m: Mention) -> None:
        """A part of the Glasgow Coma Scale."""
        assert m.part is not None
        name, value = m.part
        self._mark([m])
        low, high = self.scales["gcs"].parts[name]
        start, end = self._span(m)
        if not low <= value <= high:
            self.state.out_of_scale.append(("consciousness", None, f"{name} {low} to {high}", "", start, end))
            return
        self.state.gcs[name] = value
        self.gcs_span = (min(start, self.gcs_span[0]) if self.gcs_span else start, end)

    def gcs_total(self) -> None:
        """The sum of the three parts, when no total was said."""
        if len(self.state.gcs) != 3 or self.gcs_span is None:
            return
        start, end = self.gcs_span
        self.gcs_span = None
        total = sum(self.state.gcs.values())
        for row in self.state.drafts:
            if row.item == "consciousness" and row.grade is not None:
                return
        row = Draft("consciousness", None, "none", "normal" if total == 15 else "abnormal")
        row.grade = str(total)
        row.spans = [(start, end)]
        row.steps = [("sum of the coma-scale parts", start, end)]
        self.state.drafts.append(row)
        self.state.gcs_row = row
