"""Items in lists: what joins the list of a group, and what opens the next group.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.ahead import PRAISE, REVEALS, VERBS
from grammar.drafts import SENSORY, Group, Target
from grammar.mentions import COLON, COMMA, MARK, PHRASE, STOP, UNKNOWN, Mention
from grammar.state import COMMAND
from grammar.untested import Untested

FAMILIES = {
    "power": {"power"},
    "reflex": {"reflex", "plantar", "clonus", "hoffmann", "power"},
    "sensation": SENSORY | {"fingertip_touch", "extinction", "sensory_level", "cortical_sensation"},
    "coordination": {
        "finger_nose",
        "heel_shin",
        "rapid_alternating_movements",
        "fine_finger_movements",
        "intention_tremor",
        "coordination",
        "gait",
        "tandem_gait",
        "romberg",
    },
    "tone": {"supinator_catch", "cogwheel_rigidity", "clonus", "tone"},
    "muscle_bulk": {"muscle_bulk", "fasciculations"},
    "gait": {
        "tandem_gait",
        "toe_walk",
        "heel_walk",
        "hop",
        "romberg",
        "arm_swing",
        "stance",
        "gait",
        "postural_stability",
        "rise_from_chair",
    },
}


class Listing(Untested):
    """Items in lists: what joins the list of a group, and what opens the next group."""

    def _heading_over(self, group: Group, targets: list[Target]) -> bool:
        """ "Power: hip flexion ..." or "reflexes, biceps ..." names a family first, then its member."""
        if len(group.targets) != 1 or group.neg is not None:
            return False
        head = group.targets[0]
        new = targets[0]
        if (
            head.item == new.item == "power"
            and head.site in ("arm", "leg", "limbs")
            and not self._and_between(head, new)
        ):
            return new.site not in ("arm", "leg", "limbs", None)
        if head.reading is None or not head.reading.heading or head.site is not None:
            return False
        if group.mentions and self._and_between(head, targets[0]):
            return False
        if head.item == "cranial_nerves":
            return self.items[new.item].station == "face" or new.item == "fundi"
        if head.item == "general_statement":
            return True
        return new.item in FAMILIES.get(head.item, ()) and (new.item != head.item or new.site is not None)

    def _and_between(self, first: Target, second: Target) -> bool:
        assert first.mention is not None
        assert second.mention is not None
        low, high = first.mention.j, second.mention.i
        return any(
            m.i >= low and m.j <= high and (m.mark == "/" or (m.lex is not None and m.lex.joins)) for m in self.ms
        )

    def _joins(self, k: int, targets: list[Target]) -> bool:
        """The new item joins the list of the group."""
        group = self.group
        last = group.targets[-1]
        if (last.item, targets[0].item, self.at(k - 1).text) == ("reflex", "power", "with"):
            return False  # "absent left supinator with finger flexion": what was seen beside it
        own = self.own_result(k) or (self.is_item(k + 1) and self.own_result(k + 1))
        if self.at(k - 1).text == "with" and last.sign and not targets[0].sign and group.places and own:
            return False  # "right leg weakness, with hip abduction of 1/5"
        claims = targets[0].reading is not None and targets[0].reading.status == "normal"
        if claims and self.ms[k - 1].kind == COMMA and self._plainly_none():
            return False  # "no papilloedema, PERRLA"
        if group.valued and not self._prefix_list(k, targets[0]):
            return False
        if group.valued:
            return True
        new = targets[0]
        if group.neg is not None or group.hedge is not None:
            if (
                group.side is not None
                and group.side_mention is not None
                and last.mention is not None
                and group.side_mention.i >= last.mention.j
            ):
                return False
            if self.ms[k - 1].kind == COMMA and self._said_of_itself(k, new):
                return False
            return (
                (new.sign or self.items[new.item].kind != "function" or self._deniable(new))
                and not self._own_presence(k)
                and (not self.own_result(k) or (new.sign and self._joined_or_comma(k)))
                and not self._neg_between(last, new)
            )
        if last.reading is not None and last.reading.status is not None:
            return False
        if last.sign and not new.sign and self._said_there(last):
            return False
        if last.reading is not None and last.reading.side and new.item != last.item and not self._joined_or_comma(k):
            return False  # "bitemporal hemianopia limited abduction of the right eye"
        if self._heading_over(group, targets):
            return True
        if group.places and not last.sign and not self._listed(last, new):
            return new.item == last.item and self.own_result(k)
        if last.sign != new.sign and not self._and_between(last, new):
            return False
        if self.ms[k - 1].kind == UNKNOWN and not self._listed(last, new):
            return False  # "fundi included tone normal"
        behind = last.mention.j if last.mention is not None else 0
        if last.sign and new.sign and any(place.mention.i >= behind for place in group.places):
            return False
        if last.reading is not None and last.reading.heading and last.site is None and not self._listed(last, new):
            return new.reading is not None and new.reading.heading and self.own_result(k)
        if (
            group.side is not None
            and last.mention is not None
            and group.side_mention is not None
            and group.side_mention.i >= last.mention.j
            and not (self._listed(last, new) and self.own_result(k))
        ):
            return False
        apart = not self._listed(last, new) or group.sided or group.compare is not None or self._value_at(k + 1)
        return not (last.sign and new.sign and apart)

    def _plainly_none(self) -> bool:
        """The group is denied by "no" or "without", which deny signs and never a normal state."""
        neg = self.group.neg
        return neg is not None and neg.lex is not None and neg.lex.text in ("no", "without")

    def _deniable(self, new: Target) -> bool:
        """A test, or a word that is a sign as well: "no snout, grasp or palmomental"."""
        reading = new.reading
        if reading is None:
            return False
        return reading.test or (reading.alt is not None and self.items[reading.alt[0]].kind == "sign")

    def _said_there(self, sign: Target) -> bool:
        """ "ptosis on the left and the tongue is normal", "there is a tremor and ...": the sign was said to be there;
        the result of what follows is not its own."""
        behind = sign.mention.j if sign.mention is not None else 0
        marks = [place.mention for place in self.group.places]
        side = self.group.side_mention
        marks += [side] if side is not None else []
        beside = side is not None and sign.mention is not None and side.j == sign.mention.i
        tied = side is not None and side.lex is not None and side.lex.text.startswith("of ")
        led = beside and (self.group.side_bare or tied)
        return led or self._stated() or any(mark.i >= behind for mark in marks)

    def _said_of_itself(self, k: int, new: Target) -> bool:
        """A sign after a comma with its own side, place or result word is said to be there: it ends a negation."""
        nxt = k + 1
        lex = self.lex(nxt)
        if lex is not None and (lex.side in ("right", "left") or (lex.site is not None and not self.is_item(nxt))):
            return not (
                self.ms[nxt].kind == PHRASE
                and lex.side is None
                and lex.site is not None
                and any(m.lex is not None and m.lex.text in ("or", "nor") for m in self.ms[k - 2 : k + 1])
            )
        first = self.at(k).text.split()[:1]
        word = self.pipe.by_key.get(tuple(first)) if len(self.at(k).text.split()) > 1 else None
        return word is not None and word.result is not None and bool(new.reading and new.reading.descriptors)

    def _prefix_list(self, k: int, new: Target) -> bool:
        """ "normal strength and sensation", "absent: knee jerks, ankle jerks": one result before a list."""
        group = self.group
        first, last = group.targets[0].mention, group.targets[-1].mention
        if first is None or last is None or group.ditto is not None:
            return False
        values = [*group.results, *group.grades, *([group.notex] if group.notex else ())]
        if any(v.i >= first.i for v in values) or (group.side_mention is not None and group.side_mention.i > last.i):
            return False
        if self.said_for is group and self._list_closes(k):
            return self._listed(group.targets[-1], new)
        return (self._listed(group.targets[-1], new) and not self.own_result(k) and self.ms[k - 1].kind != PHRASE) or (
            self._joined(k) and not self.own_result(k) and self._listed(group.targets[-1], new)
        )

    def _listed(self, first: Target, second: Target) -> bool:
        """Only commas, slashes and "and" stand between them."""
        if first.mention is None or second.mention is None:
            return False
        low, high = first.mention.j, second.mention.i
        seen = False
        for m in self.ms:
            if m.i < low or m.j > high:
                continue
            if m.kind in (COMMA, MARK) or (m.lex is not None and m.lex.joins):
                seen = True
        return seen or low == high

    def _neg_between(self, first: Target, second: Target) -> bool:
        if first.mention is None or second.mention is None:
            return False
        return any(
            m.i >= first.mention.j and m.j <= second.mention.i and m.lex is not None and m.lex.neg for m in self.ms
        )

    def _own_presence(self, k: int) -> bool:
        """A sign with its own side or place behind it, or a severity before it, ends a negation that runs on
        without "or": "no drift postural tremor on the right", "no rest tremor mild postural tremor"."""
        before = self.ms[k - 1] if k else None
        if before is not None and before.lex is not None and before.lex.severity:
            return True
        lead = [word.lower() for word in self.tokens[max(0, self.ms[k].i - 3) : self.ms[k].i]]
        if any(pair in (["there", "is"], ["there", "are"], ["there", "'s"]) for pair in (lead[-2:], lead[:2])):
            return True  # "no fasciculations there is pronator drift"
        if "there's" in lead:
            return True
        listed = before is not None and (before.kind == COMMA or (before.lex is not None and before.lex.joins))
        lex = self.lex(k + 1)
        if lex is None or listed:
            return False
        return lex.side is not None or (lex.site is not None and not self.is_item(k + 1))

    def _ellipsis_done(self, k: int) -> bool:
        """What was said since the last item is a finding of its own for that item, not the start of this one."""
        group = self.group
        if group.neg is not None or not (
            group.valued
            or group.hedge is not None
            or (group.sevs and group.side_mention is not None and not group.side_bare)
        ):
            return False
        if not (self.state.topic or self.state.bound):
            return self._of_nothing(k)
        if self._opened_clause(k) or self._excepted_place(k):
            return False
        if self.state.pair_order is not None and self.state.pair_first and group.mentions == group.grades:
            return True  # the second column of a table
        if not self._other_half(group) and (self._value_before(k) or self._clause_prefix(k)):
            return False
        if self.value_led and self._led_again(k):
            return False
        if self._other_half(group) and self.own_result(k):
            return True
        if self._named_again(k):
            return False
        if self._led_in(k) and not self.own_result(k):
            return False
        if group.sided or group.places:
            if not group.valued and group.hedge is None:
                return True
            if not self.emitter.suits_topic(group) or (not group.valued and group.side_bare):
                return False
            return not (group.side_first and self.next_bare(group))
        if group.ditto is not None:
            return not (group.ditto.lex is not None and group.ditto.lex.text.endswith((" for", " with", " is", " are")))
        return self.own_result(k) and self.emitter.suits_topic(group) and not self._praise_only(group)

    def _of_nothing(self, k: int) -> bool:
        """ "left wrist negative, phalen positive right": nothing was named before, and the item has its own result."""
        group = self.group
        spots = [*(p.mention for p in group.places), *([group.side_mention] if group.side_mention is not None else [])]
        first = min(group.results, key=lambda m: m.i, default=None)
        led = first is not None and bool(group.places) and all(spot.i < first.i for spot in spots)
        return led and self.ms[k - 1] in group.results and self.own_result(k)

    def _led_again(self, k: int) -> bool:
        """ "absent right ankle jerk extensor left plantar": values stand before their items here."""
        group, reading = self.group, self.item_at(k)
        values = [*group.results, *group.grades]
        if len(values) != 1 or reading is None or reading.sign or group.places or self.own_result(k):
            return False
        if group.mentions != [values[0], group.side_mention] or self.ms[k - 1] is not group.side_mention:
            return False
        if not group.side_bare:
            return False
        targets = [Target(item, site, reading, self.ms[k]) for item, site in reading.targets]
        if group.grades:
            return any(self.emitter.grade_suits(t.item, values[0]) for t in targets)
        return any(self.emitter.reading(t, values[0]) is not None for t in targets)

    def _opened_clause(self, k: int) -> bool:
        """ "knees 2+, absent right ankle jerk, left 2+": result and bare side open the clause of the item at k."""
        group = self.group
        ms = group.mentions
        if len(ms) < 2 or ms[-1] is not group.side_mention or not group.side_bare or self.ms[k - 1] is not ms[-1]:
            return False
        first = self.ms.index(ms[0]) if ms[0] in self.ms else 0
        opens = first > 0 and self.ms[first - 1].kind == COMMA and self.ms[first:k] == ms
        heads = k + 1 < len(self.ms) and self.ms[k + 1].kind == COLON  # "..., neg R Power: ..."
        return opens and bool(group.results) and not heads and not self._own_before_comma(k)

    def _led_in(self, k: int) -> bool:
        """ "in this area she has normal light touch": the place opens the clause, its result stands before the item."""
        group = self.group
        if not group.places or self.ms[k - 1] not in group.results or group.places[0].mention not in self.ms:
            return False
        at = self.ms.index(group.places[0].mention)
        first = self.at(at).text.split()[:1]
        verb = any(word.lower() in REVEALS for word in self.tokens[self.ms[at].j : self.ms[k - 1].i])
        return verb or first in (["in"], ["over"]) or self._word_before(at) in ("in", "over")

    def _named_again(self, k: int) -> bool:
        """ "left leg normal tone": the topic itself is named once more, directly behind its value."""
        named = self.item_at(k)
        if named is None or self.own_result(k) or self.ms[k - 1] not in (*self.group.results, *self.group.grades):
            return False
        return {item for item, _ in named.targets} == {t.item for t in self.state.topic}

    def _clause_prefix(self, k: int) -> bool:
        """ "weak left corneal response", "decreased RUE swing": a clause that opens with a result and leads to
        its item without a break."""
        group = self.group
        first = min(group.mentions, key=lambda m: m.i)
        verb = first.lex is not None and first.lex.text.startswith(VERBS)
        if (
            (first not in group.results and first is not group.notex)
            or group.grades
            or (self.own_result(k) and not verb and not (self._leads_clause(first) and not self._own_before_comma(k)))
        ):
            return False
        at = self.ms.index(first)
        before = self.at(at - 1)
        opens = (
            at == 0
            or self.ms[at - 1].kind in (COMMA, COLON)
            or self.ms[at - 1].mark != ""
            or bool(before.except_ or before.but)
            or self.classes[self.ms[at - 1].i] == COMMAND
        )
        bare = group.side_mention is None or group.side_bare or bool(group.places)
        return opens and bare and k - at == len(group.mentions)

    def _leads_clause(self, m: Mention) -> bool:
        """ "Motor: normal tone, power 5/5": the value opens its sentence, or stands right behind a heading."""
        at = self.ms.index(m)
        return (
            at == 0 or self.ms[at - 1].kind == COLON or (self.ms[at - 1].kind == COMMA and self.group.mentions == [m])
        )

    def _value_before(self, k: int) -> bool:
        """ "4/5 in the left dorsiflexors", "2+ biceps b/l": a value that opens its clause, then its item."""
        group = self.group
        if not group.grades and not group.results:
            return False
        first = min(group.mentions, key=lambda m: m.i)
        at = self.ms.index(first)
        opens = (
            at == 0
            or self.ms[at - 1].kind in (COMMA, COLON, STOP)
            or self.ms[at - 1].mark != ""
            or bool(self.at(at - 1).joins or self.at(at - 1).except_)
            or any(word.lower() in REVEALS for word in self.tokens[self.ms[at - 1].j : first.i])
        )
        start = self.ms[k].i
        while start > 0 and self.tokens[start - 1].lower() in ("the", "his", "her", "both", "left", "right", "l", "r"):
            start -= 1
        named = self.item_at(k)
        sign = named is not None and named.sign
        tied = start > 0 and not sign and self.tokens[start - 1].lower() in ("in", "of", "at", "for")
        if tied and not self.own_result(k):
            return True
        near = self.ms[k - 2] if self.ms[k - 1].kind == UNKNOWN and k > 1 else self.ms[k - 1]
        own = self._own_before_comma(k) and not self.at(k + 1).text.startswith("with ")  # "a 4+ knee jerk with clonus"
        return opens and bool(group.grades) and not own and near in group.mentions

    @staticmethod
    def _praise_only(group: Group) -> bool:
        return all(r.lex is not None and r.lex.text in PRAISE for r in group.results) and not group.grades

    def next_bare(self, group: Group) -> bool:
        """ "on the left normal tone": a side and a result that both stand before their item."""
        return (
            bool(group.results)
            and not group.grades
            and self.state.last_group != []
            and all(row.side in ("both", group.side) for row in self.state.last_group)
        )
