"""What a group says of rows that are there: the limb of a list, equal sides, the worse side.

A part of the emitter (grammar/emit.py), which is a chain of small classes.
"""

from __future__ import annotations

from grammar.drafts import Draft, Group
from grammar.whereabouts import Whereabouts

_LIMB_SITES = {
    "arm": (
        "arm",
        "shoulder",
        "elbow",
        "wrist",
        "finger",
        "thumb",
        "grip",
        "biceps",
        "triceps",
        "brachio",
        "fore",
        "hand",
    ),
    "leg": ("leg", "hip", "knee", "ankle", "great_toe", "toe", "foot", "thigh", "calf"),
}

OTHER_SIDE = {"right": "left", "left": "right"}


class Earlier(Whereabouts):
    """What a group says of rows that are there: the limb of a list, equal sides, the worse side."""

    def _share_limb(self, rows: list[Draft], group: Group) -> None:
        """ "intact strength and normal tone in the arms": the limb is that of both, each with its value before it."""
        sites = {row.site for row in rows}
        if not group.targets or not group.results or len(sites) != 1 or not sites <= {"arm", "leg"}:
            return
        first = min(group.mentions, key=lambda m: m.i)
        if first not in group.results or any(row.status != "normal" for row in rows):
            return
        start, site = self._span(first)[0], sites.pop()
        for row in self.state.last_group:
            if row.site != "limbs" or row.side != "both" or row.status != "normal" or not row.spans or row.grade:
                continue
            low, high = min(row.spans), max(row.spans)
            between = "".join(self.state.text)[high[1] : start].split() if high[1] < start else []
            led = row.steps and min(row.steps, key=lambda step: step[1])[0] == "result"
            if between == ["and"] and led and low[1] <= high[0] and site in self.items[row.item].sites:
                row.site, row.side = site, rows[0].side
                row.spans.extend(self._span(spot.mention) for spot in group.places)
                row.steps.extend(("place", *self._span(spot.mention)) for spot in group.places)

    def _keep_limb(self, rows: list[Draft], group: Group) -> None:
        """Remember of which limb the talk is ("in the legs hip flexion four, the rest full") until it is of another."""
        areas = {area for spot in group.places for area in spot.reading.areas}
        limbs = areas & {"arm", "leg"}
        if len(limbs) == 1 and group.targets and all(area.startswith(_LIMB_SITES[min(limbs)]) for area in areas):
            side = next((spot.side for spot in group.places if spot.side in OTHER_SIDE), None)
            before = group.side_mention.j if group.side_mention is not None else -1
            if side is None and any(spot.mention.i == before for spot in group.places):
                side = group.side if group.side in OTHER_SIDE else None  # "right leg"
            self.state.limb = (limbs.pop(), side)
        elif self.state.limb is not None:
            limb, side = self.state.limb
            here = _LIMB_SITES.get(limb, ())
            if not all(row.site is not None and row.site.startswith(here) for row in rows):
                self.state.limb = None

    def _all_equal(self, group: Group) -> bool:
        """ "biceps 2+, triceps 2+, all equal": the sides of the rows of this sentence that had none."""
        if (
            group.places
            or not group.results
            or not all(
                m.lex is not None
                and m.lex.result is not None
                and m.lex.result.any is not None
                and m.lex.result.any.soft
                for m in group.results
            )
        ):
            return False
        rows = [row for row in self.state.drafts[self.state.sentence_from :] if row.side == "unstated"]
        for row in rows:
            row.side = "both"
            row.spans.extend(self._span(m) for m in group.mentions)
            row.steps.extend(("side", *self._span(m)) for m in group.mentions)
        self._mark(group.mentions)
        return bool(rows)

    def _worse_side(self, group: Group) -> bool:
        """ "both knee jerks brisk, right more so": the rows of both sides, the worse one marked."""
        rows = [row for row in self.state.last_group if row.side == "both" and row.status == "abnormal"]
        if group.side not in ("right", "left") or not rows:
            return False
        for row in rows:
            half = row.copy()
            half.side = group.side
            half.qualifiers.append("worse")
            row.side = OTHER_SIDE[group.side]
            half.spans.extend(self._span(m) for m in group.mentions)
            self.state.drafts.insert(self.state.drafts.index(row) + 1, half)
        self._mark(group.mentions)
        return True
