"""Places of the body: which result they belong to, and where one list of places ends.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.ahead import PRAISE
from grammar.drafts import Group, Place
from grammar.look import PREPOSITIONS
from grammar.mentions import COMMA, GRADE, UNKNOWN, Mention
from grammar.sides import Sides
from grammar.state import COMMAND, INSTRUCTION

_WORN = frozenset(("stocking", "glove", "glove_and_stocking"))


class Places(Sides):
    """Places of the body: which result they belong to, and where one list of places ends."""

    def _beside_a_sign(self, k: int) -> bool:
        """ "left facial weakness, arms normal": the sign is there, the result is said of another place."""
        group, first = self.group, k
        areas = self._areas(k)
        while first > 1 and self._side_at(first - 1) and self._value_at(k + 1):
            first -= 1
        return (
            bool(group.targets)
            and not group.valued
            and self.ms[first - 1].kind == COMMA
            and self.result_of(k + 1)
            and all(t.sign and (t.site or self._site_of(t.item, areas) is None) for t in group.targets)
        )

    def _site_of(self, item: str, areas: tuple[str, ...]) -> str | None:
        return next((site for area in areas if (site := self.emitter.site_of(item, area))), None)

    def on_site(self, k: int) -> None:
        m = self.ms[k]
        assert m.lex is not None
        assert m.lex.site is not None
        examined = self._examined(k)
        self.led = None
        if self.instructed and not self.group.results and not self._used_after_instruction(k):
            self.swallow(m)
            return
        if m.lex.text in ("arms", "legs", "face", "upper limbs", "lower limbs") and self._station_word(k):
            self.close()
            self.state.head_region = self.state.head_side = None
            self._steer({"arms": "arms", "upper limbs": "arms", "face": "face"}.get(m.lex.text, "legs"))
            self.state.bound = self.state.prior_side = None
            self.take(m, COMMAND)
            return
        if m.i and self.tokens[m.i - 1].lower() == "my":
            self.take(m, INSTRUCTION)
            return
        if m.lex.text == "throughout" and (self._place_ahead(k) or self.state.head_region is not None):
            self.group.mentions.append(m)
            return
        if examined and self.group.valued and not self.group.targets:
            self.close()  # "... good on the exam of your right foot": the place of what comes, not of what was said
            return
        if self._of_strange(k) or (self.tokens[m.j : m.j + 1] == ["of"] and self.next_is_item(k)):
            return
        if self._beside_a_sign(k):
            beside = self.ms[k - 1] if self._side_at(k - 1) else None
            self.close()
            if beside is not None and beside.lex is not None:  # "left facial droop, left arm 1/5"
                self.group.side, self.group.side_mention, self.group.side_first = beside.lex.side, beside, True
                self.group.mentions.append(beside)
        group = self.group
        if group.places and group.places[-1].mention is self.ms[k - 1] and self._from_there(k):
            group.mentions.append(m)
            return
        side, side_mention = None, None
        if self._how_far(k):
            group.mentions.append(m)
            return
        if self.place_side is not None:
            (side, side_mention), self.place_side = self.place_side, None
            group.places.append(Place(m.lex.site, m, side, side_mention))
            group.side = None
            group.mentions.append(m)
            return
        if self._of_side(k):
            group.places[-1].side, group.places[-1].side_mention = group.side, group.side_mention
            group.mentions.append(m)
            return
        if self._denied(k):
            self.close()
            return
        if self._done_before(k):
            self.close()
            group = self.group
        self._settle_place_sides(k)
        if group.mentions and group.mentions[-1] is group.side_mention and group.side_mention is not None:
            side, side_mention = group.side, group.side_mention
            between = [word.lower() for word in self.tokens[side_mention.j : m.i]]
            apart = "in" in between or "at" in between or ("of" not in between and self._whole_side(side_mention))
            if (group.valued and not group.side_first and apart) or self._told_again(k):
                side, side_mention = None, None
        if not self._excepted_place(k) and (
            (
                group.valued
                and (group.targets or group.places or self._with(k))
                and (self._new_group_at_site(k, group) or self._place_of_next(k, group))
            )
            or (group.valued and group.sided and self._other_limb(k))
            or (group.complete and self._said_again(k + 1))
            or (group.places and self.ms[k - 1].kind == COMMA and self._there() and self._told_behind(k))
            or (group.valued and not group.targets and self._of_bound_place() and self._told_behind(k))
            or self._told_again(k)
        ):
            if side is not None:
                self._pop_side(group)
            self.close()
            group = self.group
            if side is not None:
                group.side, group.side_mention, group.side_first = side, side_mention, True
                group.mentions.append(side_mention)  # type: ignore[arg-type]
        if group.blank and self.excepted:
            group.exception = True
        if side is not None and side_mention is not None:
            earlier = [place for place in group.places if place.side is None]
            group.places.append(Place(m.lex.site, m, side, side_mention))
            if earlier or len(group.places) > 1:
                group.side = None if any(p.side for p in group.places) else group.side
        else:
            part = group.places and group.places[-1].mention is self.ms[k - 1] and self._word_before(k) == "from"
            own = group.places[-1].side if part else None  # "in the LLE from the foot to ..."
            group.places.append(Place(m.lex.site, m, m.lex.site.side or own, None))
        group.mentions.append(m)

    def _done_before(self, k: int) -> bool:
        """ "... impaired on the left perianal pinprick normal", "... and normal on the right little finger normal": the
        side ends what was said, for the place has a value of its own or an unknown word before it."""
        group, place = self.group, self.at(k).site
        ends = group.side in ("right", "left") and group.mentions[-1] is group.side_mention and not group.side_first
        if not (ends and group.valued and not group.places) or place is None:
            return False
        if place.midline and self.next_is_item(k) and self.own_result_next(k):
            return True
        if group.targets or not self._other_half(group):
            return False
        if self.ms[k - 1].kind == UNKNOWN:
            return True
        told = self._value_follows(k) and self.at(k + 2).side not in ("right", "left")
        others = self.state.topic_sites and not {*place.areas} & {*self.state.topic_sites}
        return bool(others and told and self.at(k - 1).text.startswith("on "))

    def _set_off(self, k: int) -> bool:
        """A comma or "and" stands before the place (and its side)."""
        while k > 0 and (lex := self.lex(k - 1)) is not None and lex.side:
            k -= 1
        before = self.ms[k - 1] if k else None
        return before is not None and (before.kind == COMMA or (before.lex is not None and bool(before.lex.joins)))

    def _how_far(self, k: int) -> bool:
        """ "stocking loss to mid shin": how far up it goes, and no place of what follows."""
        group = self.group
        worn = bool(group.places) and {area for p in group.places for area in p.reading.areas} <= _WORN
        return worn and group.valued and self._word_before(k) in ("to", "below") and not self._told_behind(k)

    def _from_there(self, k: int) -> bool:
        """ "5/5 distal to the hips": where the distal part begins."""
        part = self.at(k - 1).site
        return part is not None and part.areas in (("distal",), ("proximal",)) and self._word_before(k) == "to"

    def _examined(self, k: int) -> bool:
        """ "on the exam of your left foot ...": where the sentence looks, until it ends."""
        m, side = self.ms[k], self.ms[k - 1] if self._side_at(k - 1) else None
        lead = [word.lower() for word in self.tokens[max(0, (side or m).i - 3) : m.i]]
        of = lead.index("of") if "of" in lead else 0
        if of and lead[of - 1] in ("exam", "examination") and m.lex is not None and m.lex.site is not None:
            said = side.lex.side if side is not None and side.lex is not None else m.lex.site.side
            self.emitter.exam = Place(m.lex.site, m, said, side)
            if side is not None and self.group.valued and not self.group.targets and self.group.side_mention is side:
                self._pop_side(self.group)
            return True
        return False

    def _of_strange(self, k: int) -> bool:
        """ "the results of your right ankle x-ray": place and side belong to what is outside the catalogue."""
        if not self.at(k + 1).stranger or self.ms[k + 1].i != self.ms[k].j:
            return False
        group = self.group
        if (
            group.side_mention is not None
            and group.side_mention is self.ms[k - 1]
            and group.mentions[-1:] == [self.ms[k - 1]]
        ):
            self._pop_side(group)
        return True

    @staticmethod
    def _whole_side(m: Mention) -> bool:
        """ "on both sides", "on the left side", "bilaterally": complete in itself, no part of the place behind it."""
        text = m.lex.text if m.lex is not None else ""
        return (
            text in ("bilaterally", "both sides")
            or text.endswith(" sides")
            or (text.startswith(PREPOSITIONS) and text.endswith(" side"))
        )

    def _denied(self, k: int) -> bool:
        """ "increased in the left arm, not the leg": the second place is not where it was found."""
        before = self.lex(k - 1)
        return self.group.valued and bool(self.group.places) and before is not None and before.text == "not"

    def _settle_place_sides(self, k: int) -> None:
        """ "lost to the knee on the left and the ankle on the right": each place keeps the side behind it."""
        group = self.group
        behind = group.side_mention
        if behind is None or group.side not in ("right", "left") or not group.places or not self._joined_or_comma(k):
            return
        nxt = self.lex(k + 1)
        own = nxt is not None and nxt.side in ("right", "left") and nxt.side != group.side
        if not own or behind.i < group.places[-1].mention.i or not self.at(k + 1).text.startswith(PREPOSITIONS):
            return
        if behind.lex is None or not behind.lex.text.startswith(PREPOSITIONS):
            return
        for spot in group.places:
            if spot.side is None:
                spot.side, spot.side_mention = group.side, behind
        group.side = group.side_mention = None

    @staticmethod
    def _pop_side(group: Group) -> None:
        group.side, group.side_mention = None, None
        group.mentions.pop()

    def _place_ahead(self, k: int) -> bool:
        """ "throughout the left arm": here the word is a preposition."""
        nxt = k + 1
        while self.at(nxt).side and not self.is_item(nxt) and self.ms[nxt].i == self.ms[nxt - 1].j:
            nxt += 1
        return nxt < len(self.ms) and self.is_site(nxt) and self.ms[nxt].i - self.ms[nxt - 1].j <= 1

    def _with(self, k: int) -> bool:
        """ "legs 5/4 with LLE weakness": the place behind "with" is that of the sign behind it."""
        return self.next_is_item(k) and self._word_before(k) == "with"

    def _of_side(self, k: int) -> bool:
        """ "the median distribution of the right hand": the side is that of the territory just named."""
        group = self.group
        if not group.places or group.places[-1].side is not None or group.side_mention is None:
            return False
        beside = group.mentions[-1] is group.side_mention and group.side_mention.i > group.places[-1].mention.i
        return beside and self._word_before(k) == "of"

    def _used_after_instruction(self, k: int) -> bool:
        other = k + 1
        while (lex := self.lex(other)) is not None and lex.side:
            other += 1
        return self._value_at(other) or (self.result_of(other) and self.at(other).text not in PRAISE)

    def _excepted_place(self, k: int) -> bool:
        """ "except absent right ankle and brisk left knee": value, side and place, in that order."""
        group = self.group
        if not self.excepted or k < 2 or group.targets or group.places or group.side_mention is None:
            return False
        return group.side_mention is self.ms[k - 1] and self.ms[k - 2] in group.results

    def _told_again(self, k: int) -> bool:
        """ "same on the left, ankles the same": behind a comma, a place with a value or a repeating word of its own."""
        group = self.group
        if group.ditto is None or not group.sided or self.ms[k - 1].kind != COMMA:
            return False
        return self._told_behind(k) or bool(self.at(k + 1).ditto)

    def _of_bound_place(self) -> bool:
        """ "tap your knees two plus, ankles absent": the first value is that of the place in the instruction."""
        bound = self.state.bound
        return bound is not None and bound[1] is not None and not self.group.places

    def _other_limb(self, k: int) -> bool:
        """ "in the arms five on the right, four on the left, in the legs five": the legs begin anew."""
        told = {site.partition("_")[0] for site in self.state.topic_sites} & {"arm", "leg"}
        place = self.at(k).site
        here = set(place.areas) & {"arm", "leg"} if place is not None else set()
        return bool(told and here and told != here) and self._value_at(k + 1) and not self._side_at(k + 2)

    def _new_group_at_site(self, k: int, group: Group) -> bool:
        """A further place with a result of its own begins a new group; otherwise it joins the list of places."""
        last_end = max((p.mention.j for p in group.places), default=0)
        value_end = max(
            v.j
            for v in (
                *group.results,
                *group.grades,
                *([group.notex] if group.notex else ()),
                *([group.ditto] if group.ditto else ()),
            )
        )
        if self.excepted and not group.exception:
            return True
        lex = self.lex(k)
        if lex is not None and lex.site is not None and lex.site.areas in (("limbs",), ("proximal",), ("distal",)):
            return not group.places and self._set_off(k) and lex.site.areas != ("limbs",) and bool(group.grades)
        if self._part_told(k, group):
            return True
        if not group.places and not self._set_off(k):
            return False
        sided = self.lex(k + 1)
        if (
            group.places
            and group.places[-1].side
            and self._joined(k)
            and sided is not None
            and sided.side in ("right", "left")
            and not sided.text.startswith(PREPOSITIONS)
        ):
            return False  # "reduced left hand and foot, right side normal"
        if self._runs_on(k, group, value_end) or (self.at(k - 1).side and self._split_behind(k - 1)):
            return False
        other = k + 1
        while other < len(self.ms):
            lex = self.lex(other)
            kind = self.ms[other].kind
            if kind == GRADE:
                return True
            if kind == COMMA or lex is None:
                break
            if lex.result is not None and not self.is_item(other) and not self._reaches(other):
                if self._said_again(other):
                    return True
                return not self.next_is_item(other) and not self._own_place(other)
            if lex.hedge == "strong":
                return True
            if not (lex.joins or lex.site is not None or lex.side or lex.severity) or self.is_item(other):
                break
            other += 1
        if group.places:
            return last_end < value_end and not self._after_value_only(group, value_end)
        return False

    def _part_told(self, k: int, group: Group) -> bool:
        """ "facial sensation normal, cheek reduced on the left": behind the value of the whole, a part with its own."""
        first = k - 2 if self.ms[k - 1].kind == COMMA else k - 1
        told = [*group.results, *(spot.mention for spot in group.places)]
        led = all(spot.mention.i > result.i for spot in group.places for result in group.results)
        plain = led and not group.grades and first >= 0 and self.ms[first] in told
        plain = plain and not (group.sided and not group.places)
        apart = self.ms[k - 1].kind == COMMA
        whole = apart or (not group.places and all(t.item == "facial_sensation" for t in group.targets))
        if not (plain and whole and group.targets) or self.at(k).text.startswith(PREPOSITIONS):
            return False
        if not self.result_of(k + 1) or self.next_is_item(k + 1) or self.is_site(k + 2):
            return False
        return not (self.at(k + 2).side and self.is_site(k + 3))

    def _runs_on(self, k: int, group: Group, value_end: int) -> bool:
        """ "reduced pinprick right thumb index finger normal left": places in a row behind their value are one list,
        and the value behind them has a side of its own."""
        last = group.places[-1].mention if group.places else None
        if last is None or last is not self.ms[k - 1] or last.i < value_end:
            return False
        if not self.result_of(k + 1) or self.next_is_item(k + 1):
            return False
        if self.at(k + 2).side in ("right", "left"):
            return True
        return k + 2 < len(self.ms) and self.is_site(k + 2) and not self._value_follows(k + 2)

    def _place_of_next(self, k: int, group: Group) -> bool:
        """A place directly before an item is that item's, unless a preposition ties it to what was said."""
        if not self.next_is_item(k):
            return False
        before = k
        while before > 0 and (lex := self.lex(before - 1)) is not None and lex.side:
            before -= 1
        lead = [word.lower() for word in self.tokens[max(0, self.ms[before].i - 2) : self.ms[k].i + 1]]
        if group.places and self._joined(before):
            return False
        own_side = group.side_mention is self.ms[before]
        if (
            before < k
            and (own_side or not group.sided)
            and not group.places
            and (
                self.lex(before) is not None and (self.at(before).side == "both" or self._postfix_style(before, k + 1))
            )
        ):
            return False
        if group.places and group.sided:
            return True
        return not any(word in ("in", "at", "of", "over", "to", "on") for word in lead)
