"""Groups -> draft rows: the rows of a group, made, compared and added to the state."""

from __future__ import annotations

from grammar.drafts import Draft, Group, Target
from grammar.earlier import OTHER_SIDE, Earlier
from grammar.mentions import Mention
from grammar.scales import Placed
from grammar.state import UNREAD

# Descriptions that never stand beside a normal result.
_ABNORMAL = frozenset(
    (
        "extensor",
        "brisk",
        "reduced",
        "absent",
        "increased",
        "spastic",
        "rigid",
        "lead_pipe",
        "flaccid",
        "paratonic",
        "pronator",
        "downward",
        "upward",
        "past_pointing",
        "dysmetria",
        "ataxic",
        "clumsy",
        "unsteady",
        "unable",
        "weak",
        "positive",
        "impaired",
        "unequal",
        "sluggish",
        "fixed",
        "dilated",
        "deviates",
        "wasted",
        "fasciculating",
        "slurred",
        "dysarthric",
        "dysphonic",
        "hypophonic",
        "papilloedema",
        "optic_atrophy",
        "haemorrhages",
        "sustained",
        "unsustained",
        "gaze_palsy",
        "homonymous_hemianopia",
        "pill_rolling",
        "drowsy",
        "confused",
        "unresponsive",
        "slow",
        "irregular",
        "needs_arms",
        "pendular",
    )
)


def _unlike(first: Draft, second: Draft) -> bool:
    """Trace and absent are two results, though both are abnormal."""
    return any(
        "absent" in one.descriptors and other.grade not in (None, "0")
        for one, other in ((first, second), (second, first))
    )


class Emitter(Earlier):
    """Turns groups into draft rows of the state."""

    def emit(self, group: Group, heading_side: str | None) -> None:
        """Add the rows of a group to the state, or leave its words unread when they make no finding."""
        own = bool(group.targets)
        free = not own and self.state.bound is None and not group.places
        if free and min((m.i for m in group.mentions), default=-2) == self.opening:
            return
        self.implied = False
        targets = self._targets(group)
        rows: list[Draft] = []
        if group.ditto is not None and not group.results and not group.grades:
            rows = self._ditto_rows(group, targets)
        else:
            for target in targets:
                rows.extend(self._rows(group, target, heading_side, own))
        if targets and not own and (self.implied or not self.state.topic):
            self.state.topic = list(targets)
        if own:
            self.told_side = None
            self.state.topic = [t for t in targets]
            self.state.topic_sites = []
            self.state.bound = None
        sites = [row.site for row in rows if row.site is not None]
        if sites and group.places:
            self.state.topic_sites = list(dict.fromkeys(sites))
        said = group.side or next((p.side for p in reversed(group.places) if p.side), None)
        if own or said:
            self.state.topic_side = said
        if group.side in ("right", "left"):
            paired = not own and self._other_half(rows, group)
            self.state.prior_side = None if paired else group.side
            self.state.prior_first = group.side_first
        elif said in ("right", "left"):
            self.state.prior_side, self.state.prior_first = said, False
        elif group.side == "both" or any(p.reading.number == "many" for p in group.places):
            self.state.prior_side = None
        if not rows and not own and not group.grades and self._all_equal(group):
            return
        if not rows and group.compare == "worse" and self._worse_side(group):
            return
        rows = rows or self._found_there(group)
        if not rows and group.exception and group.mentions:
            first, last = min(group.mentions, key=lambda m: m.i), max(group.mentions, key=lambda m: m.i)
            self.state.exceptions.append((self._span(first)[0], self._span(last)[1], len(self.state.drafts) - 1))
        if not rows:
            if group.reason is not None:  # a reason of nothing is unread, not silently gone
                low, high = group.reason
                self.state.classes[low:high] = bytes([UNREAD]) * (high - low)
            if own and not group.valued and group.neg is None and targets:
                self.state.pending = group  # an item without a result waits for the next utterance
            return
        if any(m.i and self.state.tokens[m.i - 1].lower() == "all" for m in group.results):
            self._all_equal(group)
        self._keep_limb(rows, group)
        self._share_limb(rows, group)
        self.state.groups += 1
        steps = [(self._rule(m, group), *self._span(m)) for m in sorted(group.mentions, key=lambda m: m.i)]
        for row in rows:
            row.group = self.state.groups
            self._finish(row, group, steps)
        self._add(rows, group)
        if own:
            columns = self.state.pair_order is not None and group.side is None and group.valued
            self.state.pair_first = [row for row in rows if row.side in ("both", "unstated")] if columns else []

    def _other_half(self, rows: list[Draft], group: Group) -> bool:
        """ "right hemianopia, left full": both sides were told, so neither is carried on."""
        last = self.state.last_group
        sides = {row.side for row in last}
        return (
            bool(rows and last)
            and sides == {OTHER_SIDE.get(group.side or "")}
            and {r.slot for r in rows} <= {r.slot for r in last}
        )

    def _rows(self, group: Group, target: Target, heading_side: str | None, own: bool) -> list[Draft]:
        target = self._of_tongue(group, self._of_face(group, target))
        value = self._value(group, target)
        if value is None:
            return []
        status, placed, descriptors, reading = value
        if self.doubtful and status == "abnormal" and not group.valued and group.hedge is None:
            return []
        if target.item == "general_statement" and not self._general(group, target, status):
            return []
        rows = []
        for site, placement in self._sites(group, target):
            item = target.item
            if item in ("light_touch", "pinprick", "sensation") and site in ("v1", "v2", "v3"):
                item = "facial_sensation"
            elif item in ("light_touch", "pinprick", "sensation") and site == "face":
                item, site = "facial_sensation", None
            if (
                placed is not None
                and placed.pair is not None
                and group.side is None
                and (placement is None or placement.side is None)
            ):
                side: str | tuple[str, str] = "unstated"
            else:
                side = self._side(group, target, placement, status, heading_side, reading, own, site)
            for one in (side,) if isinstance(side, str) else side:
                row = Draft(item, site, one, status)
                row.descriptors = list(descriptors)
                self._grade(row, placed, target, group)
                rows.append(row)
        if placed is not None and placed.pair is not None:
            rows = self._pair_rows(rows, placed)
        if group.compare in OTHER_SIDE and group.side in (None, "both") and status == "abnormal":
            rows = self._compared(rows, group.compare)
        return rows

    def _pair_rows(self, rows: list[Draft], placed: Placed) -> list[Draft]:
        """Typed pairs: equal values are both sides; unequal ones keep both values with the side unstated."""
        assert placed.pair is not None
        first, second = placed.pair
        out = []
        for row in rows:
            if row.side in ("right", "left"):
                out.append(row)
            elif first == second:
                row.side = "both" if row.side == "unstated" else row.side
                out.append(row)
            else:
                order = self.state.pair_order
                for index, value in enumerate((first, second)):
                    half = row.copy()
                    half.grade = value
                    half.side = order[index] if order is not None else "unstated"
                    scale = self.scales[self.items[row.item].scale or "reflex"]
                    half.status = "normal" if value in scale.normal else "abnormal"
                    out.append(half)
        return out

    def _compared(self, rows: list[Draft], worse: str) -> list[Draft]:
        out = []
        for row in rows:
            if row.side not in ("both", "unstated"):
                out.append(row)
                continue
            for side in ("right", "left"):
                half = row.copy()
                half.side = side
                if side == worse:
                    half.qualifiers.append("worse")
                out.append(half)
        return out

    def _ditto_rows(self, group: Group, targets: list[Target]) -> list[Draft]:
        """ "ditto", "the same on the left": the last result again."""
        last = [row for row in self.state.last_rows if row.alive]
        if not last:
            return []
        rows = []
        if group.targets or group.places:
            for target in targets:
                for site, spot in self._sites(group, target):
                    for old in last:
                        row = old.copy()
                        if not group.places and target.site is None and old.site in self.items[target.item].sites:
                            site = old.site
                        row.item, row.site = target.item, site
                        row.spans, row.steps, row.qualifiers = [], [], []
                        if spot is not None and spot.side:
                            row.side = spot.side
                        elif group.side is not None:
                            row.side = group.side
                        row.descriptors = [d for d in row.descriptors if d in self.items[row.item].describe]
                        rows.append(row)
                        if group.side is not None:
                            break
            return rows
        for old in last[-1:] if group.side is not None else ():
            row = old.copy()
            row.spans, row.steps, row.qualifiers = [], [], []
            row.side = group.side or row.side
            same = [d for d in last if d.group == old.group]
            rows.extend(self._dittoed(same, group))
        return rows

    def _dittoed(self, same: list[Draft], group: Group) -> list[Draft]:
        out = []
        for old in same:
            row = old.copy()
            row.spans, row.steps, row.qualifiers = [], [], []
            row.side = group.side or row.side
            out.append(row)
        return out

    def _finish(self, row: Draft, group: Group, steps: list[tuple[str, int, int]]) -> None:
        """What the words of the group add to a row of it; `steps` are the rule and span of each."""
        if row.status in ("abnormal", "equivocal") and group.neg is None:  # "not quite normal" is no "marked"
            for m in (*group.sevs, *(m for m in group.results if m.lex is not None and m.lex.severity)):
                assert m.lex is not None
                if m.lex.text.endswith("ly") and self._of_other(m, row, group):
                    continue  # "mildly confused, with sweating and a tremor"
                if m.lex.severity in self.kept and m.lex.severity not in row.qualifiers:
                    row.qualifiers.append(m.lex.severity)
        row.qualifiers.extend(self._directions(group))
        if row.status == "abnormal" and len(row.descriptors) > 1:
            row.descriptors = [d for d in row.descriptors if d != "normal"]
        if row.status == "normal":
            row.descriptors = [d for d in row.descriptors if d not in _ABNORMAL]
        if group.hedged:
            row.qualifiers.append("hedged")
        row.steps.extend(steps)
        spans = [(start, end) for _, start, end in steps]
        if group.reason is not None:
            low, high = group.reason
            row.reason = "\0"
            spans.append((self.state.starts[low], self.state.ends[high - 1]))
        if not row.spans:
            row.spans = spans

    @staticmethod
    def _of_other(m: Mention, row: Draft, group: Group) -> bool:
        """The adverb at m is said of the adjective behind it, which is another item."""
        behind = [t.item for t in group.targets if t.mention is not None and t.mention.i == m.j]
        return bool(behind) and row.item not in behind and m in group.sevs

    def _directions(self, group: Group) -> list[str]:
        """ "below the knee", "to the ankles", "from the knee down": how far a place reaches."""
        tokens = self.state.tokens
        found = []
        for spot in group.places:
            at = spot.mention.i - 1
            while at >= 0 and tokens[at].lower() in ("the", "his", "her", "both", "left", "right"):
                at -= 1
            word = tokens[at].lower() if at >= 0 else ""
            if word in ("below", "above", "to", "beyond"):
                said = " ".join(tokens[spot.mention.i : spot.mention.j])
                found.append(f"{word} {said}")
            behind = tokens[spot.mention.j].lower() if spot.mention.j < len(tokens) else ""
            if word == "from" and behind in ("down", "downwards", "up", "upwards"):
                found.append(f"from {' '.join(tokens[spot.mention.i : spot.mention.j])} {behind}")
        return found

    def _rule(self, m: Mention, group: Group) -> str:
        if m is group.neg:
            return "negation"
        if m is group.side_mention:
            return "side"
        if m is group.hedge:
            return "uncertainty"
        if m in group.grades:
            return "grade"
        if m in group.results or m is group.notex or m is group.ditto:
            return "result"
        if m in group.sevs:
            return "severity"
        if m in [place.mention for place in group.places]:
            return "place"
        if m in [target.mention for target in group.targets]:
            return "item"
        return "link"

    def _add(self, rows: list[Draft], group: Group) -> None:
        self._mark([m for m in group.mentions if m not in group.results or self._used(m, rows, group)])
        drafts = self.state.drafts
        kept = []
        for row in rows:
            if group.exception and row.side in ("right", "left"):
                self._carve(row)
            if self._halves(row):
                kept.append(row)
                continue
            twin = self._twin(row)
            if twin is not None:
                if twin.grade is None and row.grade is not None:
                    twin.grade, twin.high, twin.spans, twin.steps = row.grade, row.high, row.spans, row.steps
                twin.descriptors.extend(d for d in row.descriptors if d not in twin.descriptors)
                kept.append(twin)
                continue
            drafts.append(row)
            kept.append(row)
        if self.state.last_rows and self.state.last_rows[-1].slot in {r.slot for r in rows} and not group.targets:
            self.state.last_rows = [*self.state.last_rows, *kept]
        else:
            self.state.last_rows = kept
        self.state.last_group = kept

    def _twin(self, row: Draft) -> Draft | None:
        """The row that says the same already, or that only lacks the grade."""
        for d in reversed(self.state.drafts[-60:]):
            if d.item != row.item or d.site != row.site or d.side != row.side or d.status != row.status:
                continue
            if d.alive and (d.grade == row.grade or (None in (d.grade, row.grade) and not _unlike(d, row))):
                return d
        return None

    def _used(self, m: Mention, rows: list[Draft], group: Group) -> bool:
        """The result word took part in some row; if not, it stays unread."""
        targets = group.targets or self.state.topic
        made = [Target(row.item, row.site, None, None) for row in rows] if not group.targets else []
        return any(self.reading(t, m) is not None for t in (*targets, *made)) or not targets

    def _halves(self, row: Draft) -> bool:
        """ "right pupil 4, left pupil 3, both reactive": the rows of the two sides already say it."""
        if row.side != "both" or row.grade is not None:
            return False
        if row.item == "straight_leg_raise" and row.status == "abnormal":
            for half in self.state.drafts[self.state.sentence_from :]:
                if half.slot == row.slot and half.status == "equivocal" and not half.descriptors and half.grade:
                    half.status = "abnormal"  # "SLR 50 R, 40 L, both painful": the angles alone were no result
        halves = {
            d.side: d
            for d in self.state.drafts[-60:]
            if d.item == row.item and d.site == row.site and d.status == row.status and d.side in ("right", "left")
        }
        if len(halves) < 2:
            return False
        for half in halves.values():
            half.descriptors.extend(d for d in row.descriptors if d not in half.descriptors)
        return True

    def _carve(self, row: Draft) -> None:
        """An exception wins for its slot: the row for both sides keeps the other side only."""
        for old in reversed(self.state.drafts[-200:]):
            if old.alive and old.slot == row.slot and old.side == "both":
                old.side = OTHER_SIDE[row.side]
                return
