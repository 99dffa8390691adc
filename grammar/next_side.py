"""Is a side that of what was said, or of what comes?

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.ahead import COPULA, VERBS
from grammar.drafts import Group
from grammar.look import PREPOSITIONS
from grammar.mentions import COMMA
from grammar.steering import Steering

# "Not tested" said as a verb, with its item behind it: "i have not tested the left plantar, the right ...".
NOT_YET = (*VERBS, "have n", "haven", "did not get", "not done", "not tested")


class NextSide(Steering):
    """Is a side that of what was said, or of what comes?"""

    def _starts_next(self, k: int) -> bool:
        """A bare side before an item begins the next finding ("... absent right ankle jerk ...")."""
        m = self.ms[k]
        assert m.lex is not None
        if self._locates(k) or self._said_behind(k):
            return False
        if self.group.targets and not self.group.sided and (self._split_behind(k) or self._measured(k)):
            return False
        ahead = self.item_at(k + 1) if k + 1 < len(self.ms) else None
        if ahead is not None and ahead.targets[0][0] == "weber" and self.group.valued and not self.group.sided:
            return False  # "hearing reduced right, Weber lateralises left": its side stands behind it
        if any(t.item == "weber" for t in self.group.targets) and not self.group.sided:
            return False
        if self._other_than_carried(k) or (self.group.valued and self.at(k + 1).text in COPULA):
            return True
        place = self.group.targets and self.is_site(k + 1) and not self._value_follows(k + 1)
        place = place or (self.group.notex is not None and self.ms[k - 1] is self.group.notex)
        if self.excepted and not (self.group.exception and (place or m.lex.text.startswith(PREPOSITIONS))):
            return True
        if self.group.targets and not any(self.items[t.item].sided for t in self.group.targets):
            return True
        if self.repair is not None and self.next_is_item(k) and not self._repaired_there(k):
            return True
        if m.lex.text.endswith((" is", " was", " one")):
            return bool(self.group.targets) and self._value_follows(k)
        if self._value_follows(k) and self._value_sided(k):
            return False
        nxt = k + 1
        while (
            (lex := self.lex(nxt)) is not None
            and not self.is_item(nxt)
            and (lex.severity or lex.neg or lex.hedge or lex.result is not None)
        ):
            nxt += 1
        before = self.ms[k - 1] if k else None
        comma = before is not None and before.kind == COMMA
        prepositional = m.lex.text.startswith(PREPOSITIONS)
        if self.is_site(k + 1) and self.at(k + 2).item and self.at(k + 2).result and not prepositional:
            return True  # "no tremor right arm drifts"
        if (
            lex is not None
            and self.is_site(nxt)
            and self._value_follows(nxt)
            and not (self._own_place(nxt + 1) and not self._joined(k))
            and (self._joined(k) or not (prepositional or comma))
        ):
            return True
        if comma and prepositional and k + 2 < len(self.ms) and self.ms[k + 1].kind == COMMA and self.is_item(k + 2):
            return True
        other_side = self.state.prior_side not in (None, m.lex.side)
        many = any(t.reading is not None and t.reading.number == "many" for t in self.group.targets)  # takes no side
        carried = bool(self.group.targets) and self.group.side is None and self.state.prior_first and other_side
        carried = carried and not many
        denied = not self.group.valued and bool(self.at(k + 1).neg)  # "past pointing on the right, no tremor"
        if carried and prepositional and self.is_item(nxt) and not denied and not self._side_behind(nxt):
            return True
        if lex is None or not (self.is_item(nxt) or (comma and self.is_site(nxt))):
            said = self.group.targets or self.group.places
            goes_on = self._value_follows(k) or self.at(k + 1).compare == "worse"
            return bool(comma and goes_on and said and (prepositional or self.group.valued))
        if self._joined(k) and self.is_item(nxt):
            return True
        if prepositional and not comma:
            return False
        if comma:
            return True
        if m.lex.side == "both":
            reading = self.item_at(nxt)
            return (
                nxt == k + 1
                and not self._plural_prefix(k)
                and reading is not None
                and reading.number == "many"
                and not self._both_behind(nxt)
            )
        return not self._postfix_style(k, nxt)

    def _said_behind(self, k: int) -> bool:
        """ "heel walk unable R normal L toe walk OK b/l": the item that follows has a side behind its value, so the
        bare one before it is that of the value before."""
        lex, item = self.at(k), k + 1
        bare = lex.side in ("right", "left") and not lex.text.startswith(PREPOSITIONS) and self.group.complete
        if not bare or item >= len(self.ms) or not self.is_item(item) or self._joined_or_comma(k):
            return False
        other = item + 1
        while other < len(self.ms) and (self.result_of(other) or self.at(other).severity):
            other += 1
        behind = self.at(other)
        if other == item + 1 or behind.text == "both" or (other + 1 < len(self.ms) and self.is_item(other + 1)):
            return behind.text in ("bilaterally", "both sides", "on both sides") and other > item + 1
        return behind.side in (lex.side, "both")

    def _repaired_there(self, k: int) -> bool:
        """ "correction four minus on the left power otherwise full": the side stands behind the value put right."""
        if not (self.group.valued and self.at(k).text.startswith(PREPOSITIONS)):
            return False
        item = self._next_item(k)
        return bool(self.group.targets) or self.own_result(item) or bool(self.at(item + 1).rest)

    def _other_half(self, group: Group) -> bool:
        """ "... absent on the right and two plus on the left": the value of the other side of what was just said."""
        if group.side not in ("right", "left") or group.side_first or not group.valued or group.places:
            return False
        rows = self.state.last_group
        return bool(rows) and all(row.side in ("right", "left") and row.side != group.side for row in rows)

    def _measured(self, k: int) -> bool:
        """ "clonus right ankle four beats", "fasc L calf +": the place and what is behind it are those of the sign."""
        targets = self.group.targets
        if self.group.valued or not self.is_site(k + 1):
            return False
        if self.at(k + 2).text == "present" and self.ms[k + 2].j == self.ms[k + 2].i + 1:
            return all(t.sign for t in targets)
        result = self.at(k + 2).result
        if result is not None and result.any is None and all(t.sign and t.item in result.by_item for t in targets):
            return not self.next_is_item(k + 2)  # "clonus left ankle sustained"
        if not self._value_at(k + 2):
            return False
        return all(t.sign and self.emitter.grade_suits(t.item, self.ms[k + 2]) for t in targets)

    def _other_than_carried(self, k: int) -> bool:
        """ "left hip flexion 4, dorsiflexion 3 right all 5": a value under a carried side stands, and the other side
        with a value of its own begins anew."""
        group, lex = self.group, self.at(k)
        if lex.side not in ("right", "left") or lex.text.startswith(PREPOSITIONS) or not group.valued or group.sided:
            return False
        carried = self.state.prior_side if self.state.prior_first else self.state.topic_side if group.places else None
        if carried in (None, lex.side) or not self._value_follows(k):
            return False
        return self.at(k + 2).side not in ("right", "left") or self._value_follows(k + 2)

    def _locates(self, k: int) -> bool:
        """ "facial droop left lower face": the side and the part of the face say where the droop is."""
        group = self.group
        reading = self.item_at(k + 1) if k + 1 < len(self.ms) else None
        if reading is None or len(group.targets) != 1 or group.neg is not None or group.sided or group.valued:
            return False
        if self.at(k).side not in ("right", "left"):
            return False
        here, (item, site) = group.targets[0], reading.targets[0]
        valued = self.result_of(k + 2) and item != "power"
        if not here.sign or here.site is not None or site is None or reading.sign or valued:
            return False
        return here.item == item or self._muscle_site(here, reading) is not None

    def _side_behind(self, item_at: int) -> bool:
        """The item at k has a side of its own behind its value."""
        other = item_at + 1
        while other < len(self.ms) and (self.result_of(other) or self.at(other).severity):
            other += 1
        return self.at(other).side in ("right", "left")

    def _plural_prefix(self, k: int) -> bool:
        """ "... two plus both sides ankle jerks": only "both" itself can stand before the next item."""
        lex = self.lex(k)
        return lex is not None and lex.text not in ("both", "bilateral", "either", "neither", "each")

    def _value_sided(self, k: int) -> bool:
        group = self.group
        placed = bool(group.places) and group.valued and self.ms[k - 1].kind == COMMA  # "both arms weak, right 4"
        return group.side is None and not group.targets and not placed
