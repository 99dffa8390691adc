"""Sides: which result a "right" or "left" belongs to.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.ahead import FELT, PRAISE, VERBS
from grammar.look import PREPOSITIONS
from grammar.mentions import COLON, COMMA, STOP, UNKNOWN
from grammar.next_side import NOT_YET, NextSide


class Sides(NextSide):
    """Sides: which result a "right" or "left" belongs to."""

    def on_side(self, k: int) -> None:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        if self.instructed and not self._side_after_instruction(k):
            self.swallow(m)
            return
        self.led = None
        side = self._resolve_side(lex.side) if lex.side else None
        if side is None or self._other_ones(k):
            return
        if self._both_items(k):
            self.group.mentions.append(m)
            return
        headed, self.heading_side = self.heading_side, self.heading_side if side == self.heading_side else None
        if side in ("right", "left") and self.group.valued:
            self.state.pair_order = None
        if self._side_repaired(k, side):
            self.close()
        group = self.group
        if (
            group.side == "both"
            and side != "both"
            and group.side_mention is not None
            and not group.targets
            and group.valued
            and group.side_mention.lex is not None
            and group.side_mention.lex.text == "both"
            and self.ms[k - 1].kind != COMMA
        ):
            group.side, group.side_mention = side, m
            group.mentions.append(m)
            return
        if self.repair == "open" and group.side is not None and not group.valued:
            group.side, group.side_mention = side, m
            group.mentions.append(m)
            self.repair = None
            return
        if (
            group.places
            and self.is_site(k + 1)
            and not lex.text.startswith("of ")
            and (self._joined_or_comma(k) or self._list_goes_on(k))
            and not ((group.valued or self._there()) and self._told_behind(k + 1) and not self._sided_value(k + 1))
            and not (group.complete and self._said_again(k + 2))
        ):
            self.place_side = (side, m)
            group.mentions.append(m)
            return
        if (
            group.blank
            and k
            and self.ms[k - 1].kind == UNKNOWN
            and self.ms[k - 1].j == m.i
            and lex.text.startswith(PREPOSITIONS)
        ):
            return
        theirs = self.next_is_item(k) and self.own_result_next(k)  # "bilateral ankle jerks absent right knee brisk"
        if self._weak_both(side) and not self._value_follows(k) and self.ms[k - 1].kind != COMMA and not theirs:
            group.side, group.side_mention, group.side_first, group.side_bare = side, m, False, False
            for spot in group.places:
                spot.side = None
            group.mentions.append(m)
            return
        if (
            side == group.side
            and group.targets
            and not group.valued
            and group.side_mention is not None
            and not self.next_is_item(k)
        ):
            group.side_mention = m
            group.mentions.append(m)
            return
        if (
            group.side in ("right", "left")
            and side in ("right", "left")
            and side != group.side
            and group.valued
            and group.side_first
            and group.side_bare
            and lex.text.startswith(PREPOSITIONS)
            and self.next_is_item(k)
            and self._postfix_style(k, k + 1)
        ):
            group.side, group.side_mention, group.side_first = side, m, False
            group.mentions.append(m)
            return
        if group.side is not None or (group.places and group.places[-1].side and group.valued):
            if side == group.side == "both":
                group.mentions.append(m)
                return
            if group.complete or group.targets:
                self._second_side(k, side)
                return
            if not group.valued and not group.places:
                group.side = "both" if {side, group.side} == {"right", "left"} and self._anded(k) else side
                group.side_mention = m
                group.mentions.append(m)
                return
            self.close()
            group = self.group
        elif self._leading_fraction(k):
            self.leading = True
        elif group.complete and not self._prefix_side(k) and not self._except_value(k) and self._starts_next(k):
            kept, self.heading_side = self.heading_side, headed
            self.close(keep_prefix=False)
            self.heading_side = kept
            group = self.group
        if group.blank and self.excepted:
            group.exception = True
        group.side_first = not group.valued and not group.targets
        group.side, group.side_mention = side, m
        group.side_bare = not lex.text.startswith(PREPOSITIONS)
        group.mentions.append(m)

    def _side_repaired(self, k: int, side: str) -> bool:
        """ "absent, sorry, left, right ankle jerk two plus": the side put right stands alone, the other begins anew."""
        group = self.group
        alone = self.repair not in (None, "open") and [group.side_mention] == group.mentions
        other = {side, group.side} == {"right", "left"} and not self._joined(k)
        return alone and other and self.next_is_item(k) and self.own_result_next(k)

    def _both_items(self, k: int) -> bool:
        """ "the right knee and ankle jerks are both brisk": both of the two items, not both sides."""
        group = self.group
        if self.at(k).text != "both" or len(group.targets) != 2 or group.side not in ("right", "left") or group.valued:
            return False
        first, last = group.side_mention, group.targets[0].mention
        return first is not None and last is not None and first.i < last.i and self._value_follows(k)

    def _other_ones(self, k: int) -> bool:
        """ "left plantar up, other reflexes normal": the other items, not the other side."""
        reading = self.item_at(k + 1) if k + 1 < len(self.ms) else None
        return self.at(k).text in ("other", "the other") and reading is not None and reading.number == "many"

    def _there(self) -> bool:
        """ "right arm weakness, left arm normal": the sign was said to be there, so a value is of the next place."""
        group = self.group
        return bool(group.targets) and all(target.sign for target in group.targets)

    def _told_behind(self, k: int) -> bool:
        """A value stands behind the place at k, or a sign that can be one ("left hand wasted", "left arm drifts")."""
        return self._value_follows(k) or (self.is_item(k + 1) and self.at(k + 1).result is not None)

    def _leading_fraction(self, k: int) -> bool:
        """ "4/5 R grip, 5/5 L grip": a typed fraction that opens its part of the line belongs to what follows."""
        group = self.group
        if len(group.mentions) != 1 or len(group.grades) != 1 or self.ms[k - 1] is not group.grades[0]:
            return False
        grade = group.grades[0].grade
        opens = k == 1 or self.leading or self.ms[k - 2].kind in (COLON, COMMA, STOP)
        return grade is not None and grade.den is not None and opens and self.is_item(k + 1)

    def _weak_both(self, side: str) -> bool:
        """ "both hands ... clumsy left": a "both" before the item gives way to the side behind its value."""
        group = self.group
        if side == "both" or not group.targets or not group.valued or group.side in ("right", "left"):
            return False
        if any(p.side in ("right", "left") for p in group.places):
            return False
        first = group.targets[0].mention
        if first is None:
            return False
        marks = [p.side_mention for p in group.places if p.side == "both"]
        if group.side == "both":
            marks.append(group.side_mention)
        return bool(marks) and all(mark is not None and mark.i < first.i for mark in marks)

    def _side_after_instruction(self, k: int) -> bool:
        nxt = k + 1
        lex = self.lex(nxt)
        if self._value_at(nxt):
            return True
        if lex is not None and lex.result is not None and lex.text not in PRAISE and not self.is_item(nxt):
            return True
        while (
            lex is not None
            and (lex.severity or lex.hedge or lex.neg or lex.result is not None or lex.site is not None)
            and not self.is_item(nxt)
        ):
            nxt += 1
            lex = self.lex(nxt)
        return (lex is not None and self.is_item(nxt)) or bool(self.group.mentions)

    def _resolve_side(self, side: str) -> str | None:
        if side in ("right", "left", "both"):
            return side
        last = next((d.side for d in reversed(self.state.drafts[-40:]) if d.side in ("right", "left")), None)
        last = self.group.side if self.group.side in ("right", "left") else last
        if last is None:
            return None
        if side == "other":
            return "left" if last == "right" else "right"
        return last

    def _second_side(self, k: int, side: str) -> None:
        """A side after a side: "right and left", or the start of the next group."""
        m = self.ms[k]
        group = self.group
        if side == group.side and not group.complete and group.targets and self.next_is_item(k):
            group.mentions.append(m)
            return
        if (
            self.repair is None
            and self._anded(k)
            and group.side in ("right", "left")
            and side != group.side
            and not self._interrupted(k)
            and not self._value_follows(k)
            and not self.next_is_item(k)
            and not self.is_site(k + 1)
            and self.tokens[m.j : m.j + 1] != ["of"]
        ):
            group.side = "both"
            group.mentions.append(m)
            return
        if self._side_again(k, side):
            group.side_mention, group.side_first = m, False
            group.mentions.append(m)
            return
        if self._own_behind(k, side):
            if group.side_mention is not None:
                group.mentions.remove(group.side_mention)
            group.side, group.side_mention, group.side_first = side, m, False
            group.mentions.append(m)
            return
        self.close(keep_prefix=False)
        group = self.group
        if self.excepted:
            group.exception = True
        group.side, group.side_mention, group.side_first = side, m, True
        assert m.lex is not None
        group.side_bare = not m.lex.text.startswith(PREPOSITIONS)
        group.mentions.append(m)

    def _side_again(self, k: int, side: str) -> bool:
        """ "the right extensor on the right flexor on the left": the side before the value is said behind it once more,
        for the value that follows has the other side behind it."""
        group = self.group
        again = side == group.side and group.side_first and group.valued and self.at(k).text.startswith(PREPOSITIONS)
        if again and (k + 1 >= len(self.ms) or self.ms[k + 1].kind in (COMMA, STOP)):
            return True  # "right arm still, biceps jerk absent on the right, present on the left"
        if not again or not self.result_of(k + 1) or self.next_is_item(k + 1):
            return False
        other = self.at(k + 2)
        return other.side in ("right", "left") and other.side != side and other.text.startswith(PREPOSITIONS)

    def _interrupted(self, k: int) -> bool:
        """ "on the left is negative and on the right, oh yes, ...": the value of this side is still to come."""
        group = self.group
        values = [*group.results, *group.grades]
        first = group.side_mention
        led = bool(values) and first is not None and all(first.i < m.i for m in values)
        nxt = self.ms[k + 1].kind if k + 1 < len(self.ms) else STOP
        goes_on = nxt == UNKNOWN or (nxt == COMMA and k + 2 < len(self.ms))
        return led and goes_on and self.at(k).text.startswith(PREPOSITIONS)

    def _own_behind(self, k: int, side: str) -> bool:
        """ "she sees only the right one, so extinction on the left": a side that a comma cuts off from the sign gives
        way to the sign's own."""
        group = self.group
        if not group.side_first or group.valued or not group.targets or group.places or group.side_mention is None:
            return False
        first = group.targets[0].mention
        if first is None or self.ms[k - 1] is not group.targets[-1].mention or side not in ("right", "left"):
            return False
        cut = any(m.kind == COMMA and group.side_mention.j <= m.i < first.i for m in self.ms)
        behind = self.at(k).text.startswith(PREPOSITIONS) and not self._value_follows(k) and not self.next_is_item(k)
        return cut and behind and all(target.sign for target in group.targets)

    def _prefix_side(self, k: int) -> bool:
        """ "absent left ankle jerk": a result, a side and their item, in that order at the head of a clause."""
        group = self.group
        if (
            group.targets
            or group.places
            or group.side is not None
            or not (group.results or group.grades or group.notex)
            or not self.next_is_item(k)
        ):
            return False
        first = min(group.mentions, key=lambda m: m.i)
        at = self.ms.index(first)
        before = self.at(at - 1)
        opens = (
            at == 0
            or self.ms[at - 1].kind in (COMMA, COLON)
            or self.ms[at - 1].mark != ""
            or bool(before.joins or before.except_ or before.but or before.text in FELT or self.value_led)
        )
        verb = any(m.lex is not None and m.lex.text.startswith(VERBS) for m in group.results) or (
            group.notex is not None and group.notex.lex is not None and group.notex.lex.text.startswith(NOT_YET)
        )
        item = self._next_item(k)
        graded = bool(group.grades) and self.at(item + 1).text.startswith("with ")  # "a 4+ left knee jerk with clonus"
        free = (
            graded or verb or not self.own_result_next(k) or not self._own_before_comma(item) or self._of_other(item, k)
        )
        return opens and self.ms[k - 1] is group.mentions[-1] and free

    def _of_other(self, item: int, k: int) -> bool:
        """ "slow right finger tapping normal left": what stands behind the item is of the other side than that at k."""
        nxt = item + 1
        while self.at(nxt).joins:
            nxt += 1
        near, far = self.at(nxt).side, self.at(nxt + 1).side
        other = {"right": "left", "left": "right"}.get(self.at(k).side or "")
        if other is None:
            return False
        return (self.result_of(nxt) and far == other) or (near == other and self.result_of(nxt + 1))

    def _except_value(self, k: int) -> bool:
        """ "reflexes 2+ except absent right ankle": the value stands before the place that is excepted."""
        group = self.group
        bare = not group.targets and not group.places and group.side is None
        return self.excepted and bare and self.ms[k - 1] in group.results and self.is_site(k + 1)
