"""What a group is about: its own items, the topic, or what its values imply.

A part of the emitter (grammar/emit.py), which is a chain of small classes.
"""

from __future__ import annotations

from grammar.drafts import SENSORY, Group, Target
from grammar.fits import Fits
from grammar.mentions import Mention

SUMMED = {
    "power",
    "reflex",
    "tone",
    "muscle_bulk",
    "sensation",
    "light_touch",
    "pinprick",
    "temperature",
    "vibration",
    "joint_position",
    "coordination",
}


_FILLERS = frozenset(("uh", "um", "er", "erm"))
_LINKS = frozenset(("is", "was", "are", "were", "the", "a", "an", "score", "scored", "scores", "total")) | _FILLERS
_BEFORE_OWNER = frozenset(("with", "of", "for"))
_BEFORE_TEST = _BEFORE_OWNER | {"on", "in", "the"}  # "26/30 on the ..."
_BEFORE_DATE = frozenset(("on", "since", "dated", "until", "from", "by"))  # "on 6/9 her left eye was patched"
_LIMBS = frozenset(("arm", "leg"))
_HANDS = frozenset(("hand", "fingers"))
# Words that say by themselves what was examined, and the places of which they say it.
_OWN_WORDS = {
    "power": (frozenset(("weak", "weaker", "not weak", "plegic", "paralysed", "paretic")), _LIMBS),
    "tone": (frozenset(("spastic", "rigid", "flaccid", "hypertonic", "hypotonic")), _LIMBS),
    "fine_finger_movements": (frozenset(("clumsy", "fumbling")), _HANDS),
    "sensation": (frozenset(("numb",)), _LIMBS | _HANDS | {"foot", "forearm", "thigh"}),
    "muscle_bulk": (frozenset(("wasted", "not wasted")), _LIMBS | _HANDS | {"forearm", "thigh", "calf", "foot"}),
}


class About(Fits):
    """What a group is about: its own items, the topic, or what its values imply."""

    def _targets(self, group: Group) -> list[Target]:
        """What the group is about: its own items, else the last topic, else what its values imply."""
        if group.targets:
            return self._settle_muscles(group)
        implied = self._implied(group)
        self.implied = bool(implied)
        if implied and (group.places or not self._foreign(group)):
            return implied
        if self._foreign(group):
            return []
        topic = list(self.state.topic) or self._bound(group)
        if not topic or not (
            group.valued or group.hedge is not None or group.neg is not None or (group.sevs and group.sided)
        ):
            return []
        if group.rest and not group.sided:
            head = topic[0]
            if head.item in SUMMED and group.places:
                return [Target(head.item, None, None, None)]
            if any((row.item, row.site) == (head.item, "limbs") for row in self.state.last_group):
                return []  # "coordination slowed but otherwise unremarkable"
            if head.item in SUMMED:
                limb = self.state.limb[0] if self.state.limb is not None else None
                return [Target(head.item, limb if limb in self.items[head.item].sites else "limbs", None, None)]
            return []
        if (whole := self._whole_side(group, topic[0])) is not None:
            return [whole]
        fits = [t for t in topic if self._value_suits(t, group)]
        if (
            not group.sided
            and not group.places
            and self.state.head_region is None
            and self.state.pair_order is None
            and group.ditto is None
            and self.state.last_group
            and not group.exception
            and not self.state.bound
        ):
            if group.hedge is not None and group.results and not group.grades:
                fits = [Target(t.item, t.site, None, t.mention) for t in fits]
                return fits  # "tongue wasting and possible fasciculations"
            return [t for t in fits if not self._said(t) or self._adds(group)]
        return fits

    def _whole_side(self, group: Group, topic: Target) -> Target | None:
        """ "right arm 2/5, right leg 3/5. Left side 5/5": arm and leg of the other side at once."""
        side = group.side_mention
        if side is None or side.lex is None or not side.lex.text.endswith(" side") or group.places:
            return None
        if topic.item != "power" or not (group.grades or group.results) or group.side not in ("right", "left"):
            return None
        told = {
            row.site for row in self.state.drafts[-6:] if row.item == "power" and row.side not in (group.side, "both")
        }
        full = any(m.lex is not None and "full" in m.lex.text for m in group.results)
        return Target("power", "limbs", None, None) if full or {"arm", "leg"} <= told else None

    def _foreign(self, group: Group) -> bool:
        """A result that belongs to words not understood ("decreased flexion of ...", "terminal positive ...") is
        nobody's ellipsis."""
        tokens, content, small = self.state.tokens, self.state.content, self.state.classes
        before = min((m.i for m in group.mentions), default=0) - 1
        while before >= 0 and (
            tokens[before].lower() in _LINKS
            or (tokens[before] == "," and _FILLERS & {t.lower() for t in tokens[max(0, before - 1) : before + 2]})
        ):
            before -= 1
        if before in self.strange:
            return True
        if before >= 0 and content[before] and not small[before] and before not in self.known:
            return True
        if not group.places and any(t.item in SUMMED and t.site is None for t in self.state.topic):
            for m in group.grades:  # "Reflexes: R zzz 2+": a place that is not understood is not all of them
                near = m.i - 1
                if near >= 0 and content[near] and not small[near] and near not in self.known:
                    return True
        for m in (*group.results, *group.grades):
            after = m.j
            counted = m.grade is not None and m.grade.den is not None and m.grade.den > 5
            leads = _BEFORE_TEST if counted else _BEFORE_OWNER
            while after < len(tokens) and tokens[after].lower() in leads:
                after += 1
            if after > m.j and any(spot.mention.i == after for spot in group.places):
                after = next(spot.mention.j for spot in group.places if spot.mention.i == after)  # "with toe raises"
            if after < len(tokens) and content[after] and not small[after] and after not in self.known:
                return True
        return False

    def _adds(self, group: Group) -> bool:
        """A further description of what was said of both sides at once ("3 mm ... and briskly reactive")."""
        rows = self.state.last_group
        return (
            bool(group.results)
            and not group.grades
            and all(row.side in ("both", "none") and row.grade is not None and not row.descriptors for row in rows)
        )

    def _said(self, target: Target) -> bool:
        return any(row.item == target.item for row in self.state.last_group)

    def _settle_muscles(self, group: Group) -> list[Target]:
        """Biceps and triceps are muscles or reflexes by their grade, their neighbours or the station."""
        if not any(t.reading is not None and t.reading.alt is not None for t in group.targets):
            return group.targets
        reflex = self._speaks_of_reflex(group)
        primitive = (
            any(
                m.lex is not None and "grasp_reflex" in m.lex.result.by_item
                for m in group.results
                if m.lex is not None and m.lex.result is not None
            )
            or group.neg is not None
        )
        out = []
        for t in group.targets:
            alt = t.reading.alt if t.reading is not None else None
            if (
                t.reading is not None
                and alt is not None
                and (
                    primitive
                    if alt[0] == "grasp_reflex"
                    else self._speaks_of_bulk(group)
                    if alt[0] == "muscle_bulk"
                    else reflex
                )
            ):
                t = Target(alt[0], alt[1], t.reading, t.mention)
            out.append(t)
        return out

    def _speaks_of_bulk(self, group: Group) -> bool:
        """The first dorsal interosseous is looked at, not pushed against."""
        if group.grades:
            return False
        if any(
            m.lex is not None
            and m.lex.result is not None
            and "muscle_bulk" in m.lex.result.by_item
            and "power" not in m.lex.result.by_item
            for m in group.results
        ):
            return True
        return any(t.item == "muscle_bulk" for t in group.targets) or bool(
            self.state.drafts and self.state.drafts[-1].item == "muscle_bulk"
        )

    def _speaks_of_reflex(self, group: Group) -> bool:
        grades = [m.grade for m in group.grades if m.grade is not None]
        if any(g.den == 5 or g.sign == "-" or (g.n == 5 and not g.unit) for g in grades):
            return False
        if any(t.item == "reflex" for t in group.targets) or any(
            g.trace or (g.sign == "+" and g.n < 4) for g in grades
        ):
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
        if context is None and any(g.n == 4 and not g.sign and g.den is None for g in grades):
            return False
        if context is not None:
            return context == "reflex"
        return not any(m.lex is not None and m.lex.text == "weak" for m in group.results)  # a muscle is weak

    def _implied(self, group: Group) -> list[Target]:
        """A grade can name its item by itself: "right leg four out of five", "knees 2/2", "ankles trace"."""
        grades = [m.grade for m in group.grades if m.grade is not None]
        topic_item = self.state.topic[0].item if self.state.topic else None
        bound = self.state.bound
        if topic_item is None and bound is not None and (bound[0] == "power" or (bound[0] == "reflex" and bound[1])):
            topic_item = bound[0]
        if any(
            m.lex is not None
            and m.lex.text in ("full power", "full strength", "at full strength")
            and not self._back_to(m)
            for m in group.results
        ) and (topic_item != "power" or group.rest or group.places):
            return [Target("power", None, None, None)]
        if topic_item is None and any(g.n in (6, 20) and g.den is not None and g.den not in (4, 5) for g in grades):
            if any(m.i and self.state.tokens[m.i - 1].lower() in _BEFORE_DATE for m in group.grades):
                return []
            eye = any(area == "eye" for p in group.places for area in p.reading.areas)
            return (
                [Target("visual_acuity", None, None, None)] if (eye or group.sided) and not self._foreign(group) else []
            )
        if (
            topic_item is None
            and (group.sided or group.places)
            and any(g.sign == "+" and (g.n < 4 or g.den == 4) and g.den in (None, 4) and not g.unit for g in grades)
            and not self._foreign(group)
        ):
            return [Target("reflex", None, None, None)]
        if group.places and topic_item != "power" and any(self._by_mrc(m) for m in group.grades):
            return [Target("power", None, None, None)]
        if topic_item == "power" and self.state.head_region is not None and self._all_of_it(group):
            return [Target("power", self.state.head_region, None, None)]
        if group.rest and any(g.den == 5 for g in grades) and not group.places:
            return [Target("power", self.state.limb[0] if self.state.limb is not None else "limbs", None, None)]
        if any(g.den == 5 for g in grades) and topic_item != "power":
            if group.places or self.state.heading == "power" or self.state.head_region in _LIMBS:
                return [Target("power", None, None, None)]
            return []
        if self._joint_reflex(group, grades, topic_item):
            return [Target("reflex", None, None, None)]
        own = self._named_by_word(group, topic_item)
        return [Target(own, None, None, None)] if own is not None else []

    def _all_of_it(self, group: Group) -> bool:
        """ "L leg: all 5" under the heading of a limb: one value for its power as a whole."""
        first = min(group.mentions, key=lambda m: m.i, default=None)
        if first is None or first.grade is None or group.places or group.sided:
            return False
        return first.i > 0 and self.state.tokens[first.i - 1].lower() == "all"

    def _back_to(self, m: Mention) -> bool:
        """ "she is not back to full strength": talk of how she is getting on."""
        words = [word.lower() for word in self.state.tokens[max(0, m.i - 2) : m.i]]
        return words[-1:] in (["to"], ["at"]) and m.i - 2 not in self.known and bool(self.state.content[m.i - 2])

    def _by_mrc(self, m: Mention) -> bool:
        """ "MRC grade four in the right arm": the scale says what was graded."""
        return "mrc" in [word.lower() for word in self.state.tokens[max(0, m.i - 2) : m.i]]

    def _named_by_word(self, group: Group, topic_item: str | None) -> str | None:
        """ "right leg weak", "left arm spastic", "right hand clumsy": the word names what was examined, unless the
        sided item under way has that word for a result of its own."""
        areas = {area for p in group.places for area in p.reading.areas}
        for m in group.results:
            if m.lex is None or m.lex.result is None:
                continue
            item = next((item for item, (words, _) in _OWN_WORDS.items() if m.lex.text in words), None)
            if item is None or not areas & _OWN_WORDS[item][1]:
                continue
            kept = topic_item is not None and self.items[topic_item].sided and topic_item in m.lex.result.by_item
            mixed = item == topic_item and any(t.item != item for t in self.state.topic)
            strong = not kept or (topic_item in (*SENSORY, "reflex") and item != "sensation")
            if mixed or (item != topic_item and strong):
                return item
        return None

    def _joint_reflex(self, group: Group, grades: list, topic_item: str | None) -> bool:
        joints = any(a in ("knee", "ankle") for p in group.places for a in p.reading.areas)
        if not joints or topic_item in ("reflex", "clonus", "tone") or topic_item in SENSORY:
            return False
        if any(
            g.trace or (g.sign == "+" and g.den in (None, 4)) or (g.den is not None and g.den < 5 and g.n < 5)
            for g in grades
        ):
            return True
        if self.state.heading == "reflex" or (self.state.drafts and self.state.drafts[-1].item == "reflex"):
            return bool(grades) or any(
                m.lex is not None and m.lex.result is not None and "reflex" in m.lex.result.by_item
                for m in group.results
            )
        return False
