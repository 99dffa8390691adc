"""Where it was found: the site and the side of one target of a group.

No side without words for it: a missing side is `both` only where the words are plural, the test is done on both
sides by habit and was normal, or a sign was said to be absent; otherwise it stays `unstated`.

A part of the emitter (grammar/emit.py), which is a chain of small classes.
"""

from __future__ import annotations

import tomllib
from functools import lru_cache

from grammar.about import SUMMED
from grammar.data_files import DATA
from grammar.drafts import SENSORY, Draft, Group, Place, Target
from grammar.lexicon import ItemReading
from grammar.meaning import Meaning
from grammar.phrase_files import ResultPhrase
from grammar.protocols import Item
from grammar.state import UNREAD

# Items that are said to be of all limbs (or of the usual place) when no place is named.
OPPOSITE = frozenset(("right", "left"))
_PLACED = frozenset(("tone", "power", "coordination", "reflex", "muscle_bulk", "clonus", "tinel"))


@lru_cache(maxsize=1)
def _areas() -> dict[str, dict[str, tuple[str, ...]]]:
    """item -> {place as said -> sites of that item}."""
    raw = tomllib.loads((DATA / "rules" / "areas.toml").read_text(encoding="utf-8"))
    table: dict[str, dict[str, tuple[str, ...]]] = {}
    for item, sites in raw.items():
        words = table.setdefault(item, {})
        for site, named in sites.items():
            for word in named:
                words[word] = (*words.get(word, ()), site)
    for item in SENSORY:
        table.setdefault(item, table["sensation"])
    return table


class Whereabouts(Meaning):
    """Where it was found: the site and the side of one target of a group."""

    def _sites(self, group: Group, target: Target) -> list[tuple[str | None, Place | None]]:
        """(site, place as said) pairs of a target."""
        item = self.items[target.item]
        limbs = any(area in ("arm", "leg") for spot in group.places for area in spot.reading.areas)
        if limbs and not group.targets and item.station == "face":
            return []  # "left facial weakness, arms normal": nothing was examined of the arms
        if target.item == "eye_movements" and target.sign and self._of_limb(group):
            return []  # "cannot abduct the right thumb"
        if not group.targets and not item.sites and self._other_part(item, group):
            return []
        if target.site is not None and (group.targets or not group.places):
            return [(target.site, group.places[0] if group.places else None)]
        if not item.sites and not item.sided and not group.targets and group.places:
            return []  # "gait unsteady, feet intact"
        if not item.sites:
            return [(None, group.places[0] if group.places else None)]
        if any(spot.reading.areas == ("same",) for spot in group.places):
            return self._same_place(target, group.places[0])
        found: list[tuple[str | None, Place | None]] = []
        for spot in group.places:
            for area in spot.reading.areas:
                found.extend((site, spot) for site in self.sites_of(target.item, area))
        if target.site is not None and not found:
            return [(target.site, group.places[0])]
        if len(group.places) > 1 and target.item in SENSORY:
            ends = ("distal",), ("proximal",)  # "in the right ankle, intact distally"
            found = [pair for pair in found if pair[1] is None or pair[1].reading.areas not in ends] or found
        if len(found) > 1:
            found = [pair for pair in found if pair[0] != "limbs" or (pair[1] and pair[1].side)] or found
        if found:
            return self._joined_proximal(found)
        if group.places and target.item in SENSORY:
            return [(None, group.places[0])]
        if group.places and target.item in _PLACED:
            return []  # "clonus at the jaw": better unread than a finding of the whole body
        spot_or_none = group.places[0] if group.places else None
        if self.exam is not None and group.targets and not group.places and target.item in SUMMED:
            site = next((s for area in self.exam.reading.areas if (s := self.site_of(target.item, area))), None)
            if site is not None:
                return [(site, self.exam if group.side is None else None)]
        if not group.targets and self.state.topic_sites and not group.places and not group.rest:
            return [(site, spot_or_none) for site in self.state.topic_sites]
        if (shared := self._limb_of_first(group, target)) is not None:
            return [(shared, spot_or_none)]
        limb = self.state.limb[0] if group.rest and self.state.limb is not None and target.item in SUMMED else None
        site = self.site_of(target.item, limb) if limb is not None else None
        if site is not None:
            return [(site, spot_or_none)]
        if not group.places and target.item in SENSORY and self._elsewhere(group, target):
            return []
        if target.item in ("tinel", "clonus") and self._at_unread(target):
            return []
        if target.item == "muscle_bulk" and group.neg is None and self._of_strange_muscle(group):
            return []
        return [(self._default_site(target), spot_or_none)]

    def _limb_of_first(self, group: Group, target: Target) -> str | None:
        """ "arm strength and reflexes normal": the limb that is named with the first is that of both."""
        if len(group.targets) != 2 or group.targets[1] is not target or group.places or target.mention is None:
            return None
        first, reading = group.targets[0], target.reading
        heads = reading is not None and reading.heading and first.site in ("arm", "leg")
        beside = first.mention is not None and first.mention.j + 1 == target.mention.i
        named = first.mention is not None and first.mention.lex is not None and first.mention.lex.text.split()[0]
        return first.site if heads and beside and named in ("arm", "leg") else None

    def _elsewhere(self, group: Group, target: Target) -> bool:
        """ "no sensory abnormality in the thoracic spine": a place was said that is not understood; none is guessed."""
        tokens = self.state.tokens
        first = min((m.i for m in group.mentions), default=0)
        lead = [word.lower() for word in tokens[max(0, first - 2) : first]]
        if lead[:1] in (["above"], ["below"]) and lead[1:] in (["that"], ["this"]):
            return True  # "absent below T6, above that normal"
        ends = [m.j for m in group.mentions] + ([target.mention.j] if target.mention is not None else [])
        for end in set(ends):
            if tokens[end : end + 1] == ["there"] and tokens[end + 1 : end + 2] not in (
                ["is"],
                ["are"],
                ["was"],
                ["'s"],
            ):
                return True  # "light touch preserved there": the place said before
            if end < len(tokens) and tokens[end].lower() in ("in", "over", "below", "above"):
                at = end + 1
                while at < len(tokens) and tokens[at].lower() in ("the", "his", "her", "their", "both", "all"):
                    at += 1
                if tokens[end + 1 : end + 2] in (["it"],):
                    return True  # "normal above it"
                if end + 1 < at < len(tokens) and self.state.content[at] and at not in self.known:
                    return True
        return False

    @staticmethod
    def _other_part(item: Item, group: Group) -> bool:
        """ "finger nose normal. Legs not examined": a limb where the item named before is never tested."""
        areas = {area for spot in group.places for area in spot.reading.areas}
        if item.id == "plantar" and areas == {"arm"}:
            return True  # "plantars upgoing. Upper limbs normal"
        if item.station == "arms":
            return areas == {"leg"}
        return item.station == "couch" and areas == {"limbs"}

    @staticmethod
    def _of_limb(group: Group) -> bool:
        areas = {area for p in group.places for area in p.reading.areas}
        return bool(
            areas & {"arm", "leg", "hand", "thumb", "fingers", "index_finger", "little_finger", "thigh", "foot"}
        )

    def _same_place(self, target: Target, spot: Place) -> list[tuple[str | None, Place | None]]:
        """ "in this area": the places, with their sides, of the finding before."""
        rows = [row for row in self.state.last_group if row.site in self.items[target.item].sites]
        return [(row.site, Place(spot.reading, spot.mention, row.side, None)) for row in rows] or [(None, spot)]

    def _joined_proximal(self, found: list) -> list:
        sites = [site for site, _ in found]
        for limb in ("arm", "leg"):
            for part in ("proximal", "distal"):
                if limb in sites and part in sites:
                    spot = next(s for site, s in found if site == limb)
                    return [(f"{limb}_{part}", spot)]
        named = (site for site in self.state.topic_sites if site.startswith(("arm", "leg")))
        before = self.state.head_region or next(named, None)
        if before is not None and set(sites) <= {"proximal", "distal"}:
            return [(f"{before[:3]}_{site}", spot) for site, spot in found]
        return [pair for pair in found if pair[0] not in ("proximal", "distal")] or [("limbs", found[0][1])]

    def site_of(self, item: str, area: str) -> str | None:
        """The site of an item that a place names, the first if it names several."""
        return next(iter(self.sites_of(item, area)), None)

    def sites_of(self, item: str, area: str) -> tuple[str, ...]:
        """The sites of an item that a place names: for power, the elbow is where it bends and stretches."""
        if area in self.items[item].sites:
            return (area,)
        mapped = _areas().get(item, {}).get(area)
        if mapped is not None:
            return mapped
        if item == "power" and area in ("proximal", "distal"):
            return (area,)
        return (area,) if item in ("light_touch", "pinprick", "sensation") and area in ("v1", "v2", "v3") else ()

    def _of_strange_muscle(self, group: Group) -> bool:
        """ "temporalis wasted": of a muscle that is not understood, so not of the limbs."""
        at = min((m.i for m in group.mentions), default=0) - 1
        if at >= 0 and self.state.tokens[at].lower() in ("is", "are", "looks"):
            at -= 1
        return at >= 0 and bool(self.state.content[at]) and self.state.classes[at] == UNREAD

    def _at_unread(self, target: Target) -> bool:
        """ "Tinel popliteal fossa negative": a place that is not understood, so not the usual one."""
        tokens = self.state.tokens
        at = target.mention.j if target.mention is not None else len(tokens)
        while at < len(tokens) and tokens[at].lower() in ("at", "over", "in", "the", "right", "left"):
            at += 1
        return at < len(tokens) and bool(self.state.content[at]) and at not in self.known

    def _default_site(self, target: Target) -> str | None:
        if target.item in ("power", "reflex", "tone", "muscle_bulk", *SENSORY, "coordination"):
            if self.led is not None and self.led in self.items[target.item].sites:
                return self.led
            if self.state.head_region is not None and self.state.head_region in self.items[target.item].sites:
                return self.state.head_region
            if self.state.region is not None and self.state.region in self.items[target.item].sites:
                return self.state.region
            if target.item == "tone" and not target.sign and self.state.entered == "arms" and not self.state.region:
                return "arm"
            return "limbs"
        if target.item == "clonus":
            return "ankle"
        if target.item == "tinel":
            return "wrist"
        return None

    def _both_beside(self, group: Group, spot: Place) -> bool:
        """ "his left leg and arms were 4/5": the side is of the first place, and the plural behind it is both."""
        first, said = group.places[0], group.side_mention
        if first is spot or first.reading.number != "one" or spot.reading.number != "many" or said is None:
            return False
        joined = "and" in self.state.tokens[first.mention.j : spot.mention.i]
        return (
            joined
            and {*spot.reading.areas} <= {"arm", "leg", "hand", "foot"}
            and said.i < first.mention.i
            and said.j == first.mention.i
        )

    def _side(
        self,
        group: Group,
        target: Target,
        spot: Place | None,
        status: str,
        heading_side: str | None,
        reading: ResultPhrase | None,
        own: bool,
        site: str | None,
    ) -> str | tuple[str, str]:
        """The side of one row; see the head of this file for what may become `both`."""
        item = self.items[target.item]
        phrase: ItemReading | None = target.reading
        if not item.sided:
            return "none"
        if (
            site in ("neck_flexion", "neck_extension", "jaw", "head")
            or (site == "neck" and group.side is None)
            or (target.item == "fasciculations" and site == "tongue")
        ):
            return "none"
        if reading is not None and reading.midline and status == "normal":
            return "none"
        if phrase is not None and phrase.side in ("right", "left"):
            return phrase.side
        if spot is not None and spot.side is not None:
            return spot.side
        if group.side is not None:
            return "both" if spot is not None and self._both_beside(group, spot) else group.side
        if group.compare in ("right", "left"):
            return "both"
        if item.default == "midline" and group.side is None:
            rests = target.item == "tongue" and not self._to_a_side(target, reading)
            return "none" if status in ("normal", "not_examined") or rests else "unstated"
        if spot is not None and spot.reading.midline:
            return "none"
        if phrase is not None and phrase.side is not None and not (group.neg and phrase.side == "unstated"):
            return phrase.side
        if group.neg is None and any(
            m.lex is not None and m.lex.result is not None and m.lex.result.any is not None and m.lex.result.any.soft
            for m in group.results
        ):
            return "both"
        if group.uncarried:
            return self._unsided(group, target, spot, status, site)
        if heading_side is not None:
            return heading_side
        if not own and self.told_side in ("right", "left", "both"):
            return self.told_side
        if not own and self.state.pair_first and group.compare is None and status != "not_examined":
            return self._second_column()
        if (along := self._along_with(group, target, status)) is not None:
            return along
        if any(p.reading.number == "many" and p.side is None for p in group.places):
            return "both"
        one_place = spot is not None and spot.reading.number == "one" and bool(item.sites)
        if phrase is not None and phrase.number == "many" and not one_place:  # "reflexes normal, finger brisk"
            return "both"
        if (
            phrase is not None
            and phrase.number == "one"
            and any(t.reading is not None and t.reading.number == "many" for t in group.targets)
        ):
            return "both"
        single = item.default == "single" and phrase is not None and phrase.number == "one" and bool(group.results)
        if status == "not_examined" or (group.neg is not None and status == "normal" and not single):
            return "both"  # a sign that is denied; but "the knee jerk is not brisk" is one jerk
        if group.rest:
            limb = self.state.limb
            if limb is not None and limb == (site, limb[1]) and limb[1] is not None:
                return limb[1]
            return self._unsided(group, target, spot, status, site)
        if not own and spot is not None and self.state.topic_side in ("right", "left"):
            return self.state.topic_side
        plural = spot is None or spot.reading.number != "one"
        if not own and plural and self.state.topic_side == "both" and self._both_before(target):
            return "both"
        if self.state.prior_side is not None and self._carries(target, status):
            return self.state.prior_side
        return self._unsided(group, target, spot, status, site)

    def _both_before(self, target: Target) -> bool:
        """ "a bilateral tremor is present at rest": more about what was said of both sides in this sentence."""
        rows, inside = self.state.last_group, self.state.drafts[self.state.sentence_from :]
        return bool(rows) and all(r.item == target.item and r.side == "both" and r in inside for r in rows)

    def _along_with(self, group: Group, target: Target, status: str) -> str | None:
        """ "left hemiparesis with decreased strength in the arm and leg", "tone increased on the right with brisk
        reflexes": what comes along with a finding of one side is of that side."""
        first = min(m.i for m in group.mentions)
        rows = self.state.last_group
        led = first > 0 and self.state.tokens[first - 1].lower() == "with"
        if not led or not rows or status != "abnormal" or target.site is not None or not self.items[target.item].sites:
            return None
        inside = self.state.drafts[self.state.sentence_from :]
        told = {row.side if row.status == "abnormal" and row in inside else None for row in rows}
        told |= {row.side for row in inside if row.side in OPPOSITE}
        side = told.pop()
        return side if not told and side in OPPOSITE else None

    def _found_there(self, group: Group) -> list[Draft]:
        """ "no drift except on the left": the sign that was denied is there on that side."""
        said = group.side or next((p.side for p in group.places if p.side), None)
        topic = {t.item for t in self.state.topic if t.sign}
        denied = [row for row in self.state.last_group if row.item in topic]
        blank = group.exception and not (group.targets or group.valued or group.neg or group.hedge)
        if not blank or said not in ("right", "left") or not denied:
            return []
        if any(row.status != "normal" or row.side != "both" for row in denied) or denied != self.state.last_group:
            return []
        return [Draft(row.item, row.site, said, "abnormal") for row in denied]

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
        spared = target.mention is not None and target.mention.lex is not None and "spar" in target.mention.lex.text
        if self.state.prior_first or spared:  # "weakness on the left sparing the forehead"
            return True
        if target.item == "sensory_level":
            return False  # "left arm 3/5, sensory level at T4": it is that of both sides as a rule
        return status != "normal" or self.items[target.item].default == "single"

    @staticmethod
    def _to_a_side(target: Target, reading: ResultPhrase | None) -> bool:
        """ "the tongue deviates": to a side that was not said."""
        said = target.reading is not None and target.sign and "deviates" in target.reading.descriptors
        return said or (reading is not None and reading.descriptor == "deviates")

    def _unsided(self, group: Group, target: Target, spot: Place | None, status: str, site: str | None) -> str:
        """No side was said and none is carried."""
        item = self.items[target.item]
        singular = (target.reading is not None and target.reading.number == "one") or (
            spot is not None and spot.reading.number == "one"
        )
        headed = self.led or self.state.head_region is not None or self.state.region is not None
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
