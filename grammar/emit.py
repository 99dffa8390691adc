"""Groups -> draft rows: the status, grade, side and site of each target, by the rules of the note.

No side without words for it: a missing side is `both` only where the words are plural, the test is done on both
sides by habit and was normal, or a sign was said to be absent; otherwise it stays `unstated`.
"""

from __future__ import annotations

import tomllib
from functools import lru_cache

from grammar.data_files import DATA
from grammar.drafts import SENSORY, Draft, Group, Place, Target
from grammar.lexicon import ItemReading, ResultPhrase, SitePhrase, SiteReading
from grammar.mentions import Mention
from grammar.pipeline import Pipeline
from grammar.scales import Placed, place
from grammar.state import FINDING, State

_SUMMARY = {"power", "reflex", "tone", "muscle_bulk", "sensation", "light_touch", "pinprick", "temperature",
            "vibration", "joint_position", "coordination"}
_GENERAL = frozenset((
    "normal", "intact", "grossly intact", "grossly normal", "unremarkable", "non focal", "nonfocal", "wnl", "nad",
    "within normal limits", "essentially normal", "completely normal", "entirely normal", "normal throughout",
    "no abnormality", "no abnormalities", "no abnormality detected", "no deficit", "no deficits", "fine",
))
# Tests of strength without a scale of their own: five out of five is their normal result.
_STRENGTH = frozenset(("shoulder_shrug", "head_turn", "jaw_power", "facial_power", "toe_walk", "heel_walk"))
_OTHER_SIDE = {"right": "left", "left": "right"}


@lru_cache(maxsize=1)
def _areas() -> dict[str, dict[str, str]]:
    """item -> {place as said -> site of that item}."""
    raw = tomllib.loads((DATA / "rules" / "areas.toml").read_text(encoding="utf-8"))
    table = {item: {word: site for site, words in sites.items() for word in words} for item, sites in raw.items()}
    for item in SENSORY:
        table.setdefault(item, table["sensation"])
    return table


class Emitter:
    """Turns groups into draft rows of the state."""

    def __init__(self, pipe: Pipeline, state: State) -> None:
        self.items = pipe.catalogue.items
        self.scales = pipe.catalogue.scales
        self.kept = pipe.builder.severity_kept
        self.state = state

    # ---- what fits what ------------------------------------------------------------------------------------

    def reading(self, target: Target, m: Mention) -> ResultPhrase | None:
        if m.lex is None or m.lex.result is None:
            return None
        item = self.items[target.item]
        test = target.reading is not None and target.reading.test
        kind = "sign" if target.sign else "test" if test else item.kind
        if target.sign and item.kind == "function":
            specific = m.lex.result.by_kind.get("sign")
            if specific is not None:
                return specific
            if target.item in m.lex.result.by_item and m.lex.result.by_item[target.item].status != "normal":
                return m.lex.result.by_item[target.item]
            return m.lex.result.any
        found = m.lex.result.reading(target.item, kind, as_test=test)
        return found

    def grade_suits(self, item: str, m: Mention) -> bool:
        scale = self.items[item].scale
        if item == "cranial_nerves":
            return m.grade is not None and m.grade.hi is not None
        if scale is None or m.grade is None:
            return False
        return place(scale, self.scales[scale], m.grade) is not None

    def _value_suits(self, target: Target, group: Group) -> bool:
        if group.grades:
            return any(self.grade_suits(target.item, m) for m in group.grades)
        if group.results:
            return any(self.reading(target, m) is not None for m in group.results)
        return True

    def suits_topic(self, group: Group) -> bool:
        """The result of the group can be meant for what was named last."""
        topic = self.state.topic or self._bound()
        return any(self._value_suits(t, group) for t in topic)

    def _bound(self) -> list[Target]:
        """The item an instruction put under way, when it says exactly what is tested."""
        bound = self.state.bound
        if bound is None or (self.items[bound[0]].sites and bound[1] is None and bound[0] != "facial_power"):
            return []
        return [Target(*bound, None, None)]

    def suits_targets(self, group: Group, m: Mention) -> bool:
        return any(self.reading(t, m) is not None for t in group.targets)

    def compatible(self, targets: list[Target], group: Group, m: Mention) -> bool:
        """The new result word says the same status as those before it, for some target."""
        for target in targets:
            new = self.reading(target, m)
            if new is None:
                continue
            if new.soft or (m.lex is not None and m.lex.text.startswith("with ")):
                return True
            if not self.items[target.item].sided and group.results and not group.sided:
                return True
            if group.grades and not group.results:
                placed = self._placed(group, target)[0]
                return not (placed is not None and placed.normal is False and new.status == "normal")
            olds = [self.reading(target, r) for r in group.results]
            if all(old is None or old.status == new.status or old.soft for old in olds):
                return True
        return False

    # ---- the rows of a group -------------------------------------------------------------------------------

    def emit(self, group: Group, heading_side: str | None) -> None:
        """Add the rows of a group to the state, or leave its words unread when they make no finding."""
        own = bool(group.targets)
        targets = self._targets(group)
        rows: list[Draft] = []
        if group.ditto is not None and not group.results and not group.grades:
            rows = self._ditto_rows(group, targets)
        else:
            for target in targets:
                rows.extend(self._rows(group, target, heading_side, own))
        if own:
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
            self.state.prior_side = group.side
            self.state.prior_first = group.side_first
        elif said in ("right", "left"):
            self.state.prior_side, self.state.prior_first = said, False
        elif group.side == "both" or any(p.reading.number == "many" for p in group.places):
            self.state.prior_side = None
        if not rows and not own and not group.grades and self._all_equal(group):
            return
        if not rows:
            if own and not group.valued and group.neg is None and targets:
                self._keep_waiting(group)
            return
        if any(m.i and self.state.tokens[m.i - 1].lower() == "all" for m in group.results):
            self._all_equal(group)
        self.state.groups += 1
        for row in rows:
            row.group = self.state.groups
            self._finish(row, group)
        self._add(rows, group)
        if own:
            columns = self.state.pair_order is not None and group.side is None and group.valued
            self.state.pair_first = [row for row in rows if row.side in ("both", "unstated")] if columns else []

    def _all_equal(self, group: Group) -> bool:
        """"biceps 2+, triceps 2+, all equal": the sides of the rows of this sentence that had none."""
        if group.places or not group.results or not all(
                m.lex is not None and m.lex.result is not None and m.lex.result.any is not None
                and m.lex.result.any.soft for m in group.results):
            return False
        rows = [row for row in self.state.drafts[self.state.sentence_from :] if row.side == "unstated"]
        for row in rows:
            row.side = "both"
            row.spans.extend(self._span(m) for m in group.mentions)
            row.steps.extend(("side", *self._span(m)) for m in group.mentions)
        self._mark(group.mentions)
        return bool(rows)

    def _keep_waiting(self, group: Group) -> None:
        """An item without a result: it waits for the next utterance."""
        self.state.pending = group

    def _targets(self, group: Group) -> list[Target]:
        """What the group is about: its own items, else the last topic, else what its values imply."""
        if group.targets:
            return self._settle_muscles(group)
        implied = self._implied(group)
        if implied:
            return implied
        if self._foreign(group):
            return []
        topic = list(self.state.topic) or self._bound()
        if not topic or not (group.valued or group.hedge is not None or group.neg is not None
                             or (group.sevs and group.sided)):
            return []
        if group.rest and not group.sided:
            head = topic[0]
            if head.item in _SUMMARY and group.places:
                return [Target(head.item, None, None, None)]
            if head.item in _SUMMARY:
                return [Target(head.item, "limbs", None, None)]
            return []
        fits = [t for t in topic if self._value_suits(t, group)]
        if not group.sided and not group.places and self.state.pair_order is None and group.ditto is None \
                and self.state.last_group and not group.exception and not self.state.bound:
            waiting = [t for t in fits if not self._said(t)]
            return waiting
        return fits

    def _foreign(self, group: Group) -> bool:
        """A result that belongs to words not understood ("decreased flexion of ...") is nobody's ellipsis."""
        tokens, content, small = self.state.tokens, self.state.content, self.state.classes
        for m in (*group.results, *group.grades):
            after = m.j
            if after < len(tokens) and content[after] and not small[after] and after not in self.known:
                return True
        return False

    known: frozenset[int] = frozenset()
    doubtful = False

    def _said(self, target: Target) -> bool:
        return any(row.item == target.item for row in self.state.last_group)

    def _settle_muscles(self, group: Group) -> list[Target]:
        """Biceps and triceps are muscles or reflexes by their grade, their neighbours or the station."""
        if not any(t.reading is not None and t.reading.alt is not None for t in group.targets):
            return group.targets
        reflex = self._speaks_of_reflex(group)
        primitive = any(m.lex is not None and "grasp_reflex" in m.lex.result.by_item for m in group.results
                        if m.lex is not None and m.lex.result is not None) or group.neg is not None
        out = []
        for t in group.targets:
            alt = t.reading.alt if t.reading is not None else None
            if t.reading is not None and alt is not None and (
                    primitive if alt[0] == "grasp_reflex" else
                    self._speaks_of_bulk(group) if alt[0] == "muscle_bulk" else reflex):
                t = Target(alt[0], alt[1], t.reading, t.mention)
            out.append(t)
        return out

    def _speaks_of_bulk(self, group: Group) -> bool:
        """The first dorsal interosseous is looked at, not pushed against."""
        if group.grades:
            return False
        if any(m.lex is not None and m.lex.result is not None and "muscle_bulk" in m.lex.result.by_item
               and "power" not in m.lex.result.by_item for m in group.results):
            return True
        return any(t.item == "muscle_bulk" for t in group.targets) or bool(
            self.state.drafts and self.state.drafts[-1].item == "muscle_bulk")

    def _speaks_of_reflex(self, group: Group) -> bool:
        grades = [m.grade for m in group.grades if m.grade is not None]
        if any(g.den == 5 or g.sign == "-" or (g.n == 5 and not g.unit) for g in grades):
            return False
        if any(t.item == "reflex" for t in group.targets) or any(g.trace or g.sign == "+" and g.n < 4 for g in grades):
            return True
        if any(t.item == "power" and (t.reading is None or t.reading.alt is None) for t in group.targets):
            return False
        for m in group.results:
            if m.lex is not None and m.lex.result is not None:
                if "reflex" in m.lex.result.by_item and "power" not in m.lex.result.by_item:
                    return True
                if "power" in m.lex.result.by_item and "reflex" not in m.lex.result.by_item:
                    return False
        recent = next((row.item for row in reversed(self.state.drafts[-40:]) if row.item in ("reflex", "power")), None)
        context = self.state.heading if self.state.heading in ("reflex", "power") else recent
        if context is not None:
            return context == "reflex"
        return True

    def _implied(self, group: Group) -> list[Target]:
        """A grade can name its item by itself: "right leg four out of five", "knees 2/2", "ankles trace"."""
        grades = [m.grade for m in group.grades if m.grade is not None]
        topic_item = self.state.topic[0].item if self.state.topic else None
        if any(m.lex is not None and m.lex.text in ("full power", "full strength", "at full strength")
               for m in group.results) and (topic_item != "power" or group.rest or group.places):
            return [Target("power", None, None, None)]
        if group.rest and any(g.den == 5 for g in grades) and not group.places:
            return [Target("power", "limbs", None, None)]
        if any(g.den == 5 for g in grades) and topic_item != "power":
            if group.places or self.state.heading == "power":
                return [Target("power", None, None, None)]
            return []
        if self._joint_reflex(group, grades, topic_item):
            return [Target("reflex", None, None, None)]
        if group.places and group.results and topic_item not in _SUMMARY:
            for m in group.results:
                if m.lex is not None and m.lex.text in ("weak", "weaker", "plegic", "paralysed") and any(
                        a in ("arm", "leg") for p in group.places for a in p.reading.areas):
                    return [Target("power", None, None, None)]
        return []

    def _joint_reflex(self, group: Group, grades: list, topic_item: str | None) -> bool:
        joints = any(a in ("knee", "ankle") for p in group.places for a in p.reading.areas)
        if not joints or topic_item in ("reflex", "clonus") or topic_item in SENSORY:
            return False
        if any(g.trace or (g.sign == "+" and g.den in (None, 4)) or (
                g.den is not None and g.den < 5 and g.n < 5) for g in grades):
            return True
        if self.state.heading == "reflex" or (self.state.drafts and self.state.drafts[-1].item == "reflex"):
            return bool(grades) or any(m.lex is not None and m.lex.result is not None
                                       and "reflex" in m.lex.result.by_item for m in group.results)
        return False

    # ---- one target ----------------------------------------------------------------------------------------

    def _rows(self, group: Group, target: Target, heading_side: str | None, own: bool) -> list[Draft]:
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
            if placed is not None and placed.pair is not None and group.side is None and (
                    placement is None or placement.side is None):
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
        if group.compare is not None and group.side in (None, "both") and status == "abnormal":
            rows = self._compared(rows, group.compare)
        return rows

    def _general(self, group: Group, target: Target, status: str) -> bool:
        """A general statement is only ever "the examination is normal"; nothing else is made of it."""
        if target.reading is not None and target.reading.status == "normal":
            return status == "normal"
        return status == "normal" and not group.places and all(
            m.lex is not None and m.lex.text in _GENERAL for m in group.results)

    def _value(
        self, group: Group, target: Target
    ) -> tuple[str, Placed | None, list[str], ResultPhrase | None] | None:
        """(status, grade, descriptors, deciding result) of a target; None when nothing was said of it."""
        descriptors = list(target.reading.descriptors) if target.reading is not None else []
        placed, outside = self._placed(group, target)
        if outside:
            return None
        status: str | None = None
        decided: ResultPhrase | None = None
        if group.notex is not None:
            status, decided = "not_examined", self.reading(target, group.notex)
            descriptors = [decided.descriptor] if decided is not None and decided.descriptor in self.items[
                target.item].describe and decided.descriptor else []
            return status, None, descriptors, decided
        negated = group.neg is not None
        for m in group.results:
            reading = self.reading(target, m)
            if reading is None:
                continue
            if reading.needs_side and not group.sided:
                reading = self._other_reading(target, m) or reading
            name = reading.descriptor
            if name and name in self.items[target.item].describe and name not in descriptors:
                descriptors.append(name)
            if reading.qualifies:
                continue
            if status is None or (status == "normal" and reading.status != "normal"):
                if decided is None or decided.soft or not reading.soft:
                    status, decided = reading.status, reading
            if reading.grade is not None and placed is None and self._says_grade(m, target):
                placed = Placed(reading.grade, True)
        if placed is not None and placed.normal is not None:
            if status is None or (status == "normal" and not placed.normal) or (decided is not None and decided.soft):
                status = "normal" if placed.normal else "abnormal"
        elif placed is not None and status is None:
            status = self._bare_grade_status(target, placed)
        status = self._signs(group, target, status, negated, descriptors)
        if status is None:
            return None
        if negated and status == "normal" and target.item != "reflex":
            descriptors = [d for d in descriptors if d not in self._sign_names(target)]
        if group.hedge is not None and not negated:
            status = "equivocal"
        return status, placed, descriptors, decided

    def _says_grade(self, m: Mention, target: Target) -> bool:
        """Only "full power" and the like mean grade 5; "full" alone does so where the item is power as a whole."""
        assert m.lex is not None
        return m.lex.text != "full" or target.site in ("arm", "leg", None) or "_" not in (target.site or "_")

    def _other_reading(self, target: Target, m: Mention) -> ResultPhrase | None:
        return None

    def _sign_names(self, target: Target) -> tuple[str, ...]:
        return target.reading.descriptors if target.reading is not None and target.sign else ()

    def _bare_grade_status(self, target: Target, placed: Placed) -> str | None:
        if target.item == "pupils":
            return "normal"
        if target.item == "straight_leg_raise" and placed.grade is not None:
            return "normal" if int(placed.grade) >= 80 else None
        return "normal" if target.item == "cranial_nerves" else None

    def _signs(
        self, group: Group, target: Target, status: str | None, negated: bool, descriptors: list[str]
    ) -> str | None:
        """What negation, and naming a sign, do to the status."""
        carried = target.reading.status if target.reading is not None else None
        if target.item == "weber" and status is None and group.side in ("right", "left"):
            return "abnormal"
        if status is None and carried is not None and not negated:
            return carried
        if negated:
            if status is not None:
                if target.sign and group.results:
                    return "normal" if status == "abnormal" else status
                return {"normal": "abnormal", "abnormal": "normal"}.get(status, status)
            if carried is not None:
                return "abnormal" if carried == "normal" else "normal"
            if target.sign or self.items[target.item].kind != "function":
                return "normal"
            if "absent" in self.items[target.item].describe and "absent" not in descriptors:
                descriptors.append("absent")
            return "abnormal"
        if status is None and not group.targets and group.sevs and group.sided and (
                target.sign or (self.state.last_group and self.state.last_group[-1].status == "abnormal")):
            return "abnormal"
        if status is None and (target.sign or group.hedge is not None):
            if target.sign or target.reading is not None or self.state.topic:
                return "abnormal"
        if status is None and not target.reading and self.items[target.item].kind == "sign" and group.hedge:
            return "abnormal"
        return status

    def _placed(self, group: Group, target: Target) -> tuple[Placed | None, bool]:
        """The grade of the group on this target's scale; True when it lies outside that scale."""
        if target.item == "cranial_nerves":
            for m in group.grades:
                if m.grade is not None and m.grade.unit == "nerves":
                    return Placed(f"{m.grade.n}-{m.grade.hi}" if m.grade.hi else str(m.grade.n)), False
            return None, False
        scale = self.items[target.item].scale
        if scale is None and target.item in _STRENGTH:
            for m in group.grades:
                if m.grade is not None and m.grade.den == 5:
                    return Placed(None, m.grade.n == 5 and not m.grade.sign), False
        if scale is None:
            return None, bool(group.grades and not group.results and not target.sign and group.neg is None
                              and group.notex is None)
        for m in group.grades:
            assert m.grade is not None
            found = place(scale, self.scales[scale], m.grade)
            if found is None:
                continue
            if found.bounds is not None:
                start, end = self._span(m)
                self.state.out_of_scale.append((target.item, target.site, found.bounds, group.side or "", start, end))
                self._mark([m])
                return None, True
            return found, False
        return None, False

    def _grade(self, row: Draft, placed: Placed | None, target: Target, group: Group) -> None:
        if placed is None:
            return
        row.grade = placed.grade
        row.high = placed.high
        if target.item == "clonus" and row.grade == "0":
            row.grade = None

    # ---- sites and sides -----------------------------------------------------------------------------------

    def _sites(self, group: Group, target: Target) -> list[tuple[str | None, Place | None]]:
        """(site, place as said) pairs of a target."""
        item = self.items[target.item]
        if target.site is not None and (group.targets or not group.places):
            return [(target.site, group.places[0] if group.places else None)]
        if not item.sites:
            return [(None, group.places[0] if group.places else None)]
        found: list[tuple[str | None, Place | None]] = []
        for spot in group.places:
            for area in spot.reading.areas:
                site = self._site_of(target.item, area)
                if site is not None:
                    found.append((site, spot))
        if target.site is not None and not found:
            return [(target.site, group.places[0])]
        if len(found) > 1:
            found = [pair for pair in found if pair[0] != "limbs"] or found
        if found:
            return self._joined_proximal(found)
        if group.places and target.item in SENSORY:
            return [(None, group.places[0])]
        if group.places and target.item in ("tone", "power", "coordination") and any(
                area in ("abdomen", "trunk", "eye", "ear") for p in group.places for area in p.reading.areas):
            return []
        spot_or_none = group.places[0] if group.places else None
        if not group.targets and self.state.topic_sites:
            return [(site, spot_or_none) for site in self.state.topic_sites]
        return [(self._default_site(target), spot_or_none)]

    @staticmethod
    def _joined_proximal(found: list) -> list:
        sites = [site for site, _ in found]
        for limb in ("arm", "leg"):
            for part in ("proximal", "distal"):
                if limb in sites and part in sites:
                    spot = next(s for site, s in found if site == limb)
                    return [(f"{limb}_{part}", spot)]
        return [pair for pair in found if pair[0] not in ("proximal", "distal")] or [("limbs", found[0][1])]

    def _site_of(self, item: str, area: str) -> str | None:
        sites = self.items[item].sites
        if area in sites:
            return area
        mapped = _areas().get(item, {}).get(area)
        if mapped is not None:
            return mapped
        if item == "power" and area in ("proximal", "distal"):
            return area
        if item in ("light_touch", "pinprick", "sensation") and area in ("v1", "v2", "v3"):
            return area
        return None

    def _default_site(self, target: Target) -> str | None:
        if target.item in ("power", "reflex", "tone", "muscle_bulk", *SENSORY, "coordination"):
            if self.state.head_region is not None and self.state.head_region in self.items[target.item].sites:
                return self.state.head_region
            if self.state.region is not None and self.state.region in self.items[target.item].sites:
                return self.state.region
            if target.item == "tone" and self.state.entered == "arms" and self.state.region is None:
                return "arm"
            return "limbs"
        if target.item == "clonus":
            return "ankle"
        if target.item == "tinel":
            return "wrist"
        return None

    def _side(
        self, group: Group, target: Target, spot: Place | None, status: str, heading_side: str | None,
        reading: ResultPhrase | None, own: bool, site: str | None,
    ) -> str | tuple[str, str]:
        """The side of one row; see the head of this file for what may become `both`."""
        item = self.items[target.item]
        phrase: ItemReading | None = target.reading
        if not item.sided:
            return "none"
        if site in ("neck_flexion", "neck_extension", "jaw", "head") or (site == "neck" and group.side is None) or (
                target.item == "fasciculations" and site == "tongue"):
            return "none"
        if reading is not None and reading.midline and status == "normal":
            return "none"
        if spot is not None and spot.side is not None:
            return spot.side
        if group.side is not None:
            return group.side
        if group.compare is not None:
            return "both"
        if item.default == "midline" and group.side is None:
            return "none" if status in ("normal", "not_examined") or target.item == "tongue" else "unstated"
        if spot is not None and spot.reading.midline:
            return "none"
        if phrase is not None and phrase.side is not None and not (group.neg and phrase.side == "unstated"):
            return phrase.side
        if any(p.reading.number == "many" and p.side is None for p in group.places):
            return "both"
        if phrase is not None and phrase.number == "many":
            return "both"
        if phrase is not None and phrase.number == "one" and any(
                t.reading is not None and t.reading.number == "many" for t in group.targets):
            return "both"
        if any(m.lex is not None and m.lex.result is not None and m.lex.result.any is not None
               and m.lex.result.any.soft for m in group.results):
            return "both"
        negated_sign = group.neg is not None and status == "normal"
        if heading_side is not None:
            return heading_side
        if status == "not_examined":
            return "both"
        if negated_sign:
            return "both"
        if not own and self.state.pair_first and group.compare is None:
            return self._second_column()
        if group.rest:
            return self._unsided(group, target, spot, status, site)
        if not own and spot is not None and self.state.topic_side in ("right", "left"):
            return self.state.topic_side
        if self.state.prior_side is not None and self._carries(target, status):
            return self.state.prior_side
        return self._unsided(group, target, spot, status, site)

    def _second_column(self) -> str:
        """The second value of a pair in "R then L" order: the first value was the first side's."""
        assert self.state.pair_order is not None
        first, second = self.state.pair_order
        for row in self.state.pair_first:
            row.side = first
        self.state.pair_first = []
        return second

    def _carries(self, target: Target, status: str) -> bool:
        """A side said before its item is carried on; one said behind a result only to what would be unstated."""
        if self.state.prior_first:
            return True
        return status != "normal" or self.items[target.item].default == "single"

    def _unsided(self, group: Group, target: Target, spot: Place | None, status: str, site: str | None) -> str:
        """No side was said and none is carried."""
        item = self.items[target.item]
        singular = (target.reading is not None and target.reading.number == "one") or (
            spot is not None and spot.reading.number == "one")
        headed = self.state.head_region is not None or self.state.region is not None
        if site == "limbs" and not singular and status == "normal":
            return "both"
        if site in ("arm", "leg") and target.site is None and spot is None and headed and not singular:
            return "both"
        if status != "normal":
            return "unstated"
        if item.default == "single" and target.item != "temporal_artery":
            by_test = target.reading is not None and target.reading.test
            return "both" if by_test else "unstated"
        if spot is not None and spot.reading.number == "one":
            return "unstated"
        if singular and (item.default == "single" or (target.item in ("pupils", "visual_fields", "fundi"))):
            return "unstated"
        return "both"

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
        """"ditto", "the same on the left": the last result again."""
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

    # ---- adding to the state -------------------------------------------------------------------------------

    def _finish(self, row: Draft, group: Group) -> None:
        if row.status in ("abnormal", "equivocal"):
            for m in group.sevs:
                assert m.lex is not None
                if m.lex.severity in self.kept and m.lex.severity not in row.qualifiers:
                    row.qualifiers.append(m.lex.severity)
        if group.hedged:
            row.qualifiers.append("hedged")
        ms = sorted(group.mentions, key=lambda m: m.i)
        spans: list[tuple[int, int]] = []
        for m in ms:
            start, end = self._span(m)
            spans.append((start, end))
            row.steps.append((self._rule(m, group), start, end))
        if group.reason is not None:
            low, high = group.reason
            row.reason = "\0"
            spans.append((self.state.starts[low], self.state.ends[high - 1]))
        if not row.spans:
            row.spans = spans

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
        if any(p.mention is m for p in group.places):
            return "place"
        if any(t.mention is m for t in group.targets):
            return "item"
        return "link"

    def _span(self, m: Mention) -> tuple[int, int]:
        """Character offsets of a mention in the transcript."""
        return self.state.starts[m.i], self.state.ends[m.j - 1]

    def _mark(self, mentions: list[Mention]) -> None:
        for m in mentions:
            m.used = True
            for t in range(m.i, m.j):
                self.state.classes[t] = FINDING

    def _add(self, rows: list[Draft], group: Group) -> None:
        self._mark(group.mentions)
        drafts = self.state.drafts
        kept = []
        for row in rows:
            if group.exception and row.side in ("right", "left"):
                self._carve(row)
            if group.results and any(m.lex is not None and m.lex.compare for m in group.results):
                self._worse(row)
            if self._halves(row):
                kept.append(row)
                continue
            twin = next((d for d in reversed(drafts[-60:]) if d.alive and d.slot == row.slot and d.side == row.side
                         and d.status == row.status and (d.grade == row.grade or None in (d.grade, row.grade))), None)
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

    def _halves(self, row: Draft) -> bool:
        """"right pupil 4, left pupil 3, both reactive": the rows of the two sides already say it."""
        if row.side != "both" or row.grade is not None:
            return False
        halves = {d.side: d for d in self.state.drafts[-60:] if d.slot == row.slot and d.status == row.status
                  and d.side in ("right", "left")}
        if len(halves) < 2:
            return False
        for half in halves.values():
            half.descriptors.extend(d for d in row.descriptors if d not in half.descriptors)
        return True

    def _carve(self, row: Draft) -> None:
        """An exception wins for its slot: the row for both sides keeps the other side only."""
        for old in reversed(self.state.drafts[-200:]):
            if old.alive and old.slot == row.slot and old.side == "both":
                old.side = _OTHER_SIDE[row.side]
                return

    def _worse(self, row: Draft) -> None:
        pass

    # ---- corrections ---------------------------------------------------------------------------------------

    def retract(self, rows: list[Draft]) -> None:
        """Take rows back; they stay in the log of what was withdrawn."""
        for row in rows:
            if row.alive:
                row.alive = False
                self.state.withdrawn.append(row)
        drafts = self.state.drafts
        for at in range(len(drafts) - 1, -1, -1):
            if not drafts[at].alive:
                del drafts[at]
            elif at < len(drafts) - 200:
                break

    def replace_side(self, group: Group, old: list[Draft]) -> None:
        """"right ankle jerk absent, sorry, left": the same finding on the side said last."""
        side = group.side or next((p.side for p in group.places if p.side), None)
        self._mark(group.mentions)
        if side is None:
            return
        for row in old:
            if row.side != "none":
                row.side = side
            for spot in group.places:
                sites = [s for s in (self._site_of(row.item, area) for area in spot.reading.areas) if s]
                row.site = sites[0] if sites else row.site
            self._respan(row, group)

    def replace_result(self, group: Group, old: list[Draft]) -> None:
        """"flexor, no, extensor": the same item and side with the result said last."""
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
            row.status, placed, names, _ = value
            row.descriptors = names
            row.grade, row.high = (placed.grade, placed.high) if placed is not None else (None, None)
            self._respan(row, group)

    def replace_item(self, group: Group, old: list[Draft]) -> None:
        """"right knee jerk absent, I mean ankle jerk": the same result for the item said last."""
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

    # ---- levels and the coma scale -------------------------------------------------------------------------

    def add_level_place(self, group: Group, m: Mention) -> None:
        assert m.grade is not None and m.grade.level is not None
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

    gcs_span: tuple[int, int] | None = None

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
