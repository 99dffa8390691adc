"""Looking ahead: whose result, whose side, whose place is it?

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.drafts import Group, Target
from grammar.lexicon import ItemReading, Lexeme
from grammar.look import PREPOSITIONS, Look
from grammar.mentions import COMMA, GRADE, STOP, UNKNOWN, Mention
from grammar.state import INSTRUCTION, UNREAD

# Words that are praise as often as they are a result; they are a result only beside an item that waits for one.
PRAISE = frozenset(
    (
        "good",
        "well",
        "fine",
        "grand",
        "lovely",
        "excellent",
        "perfect",
        "brilliant",
        "okay",
        "ok",
        "great",
        "smooth",
        "clear",
        "no problem",
        "easily",
    )
)

REVEALS = frozenset(
    (
        "reveals",
        "revealed",
        "shows",
        "showed",
        "demonstrates",
        "demonstrated",
        "showing",
        "revealing",
        "demonstrating",
        "characterized",
        "characterised",
    )
)

# Results said as a verb, with their item as the object: "couldn't get the left ankle jerk".
VERBS = ("could", "couldn", "can", "cannot", "unable", "did n", "didn", "fails", "failed to", "not able")


COPULA = frozenset(("isn't", "aren't", "wasn't", "weren't", "is not", "are not", "was not", "were not"))

# Words that say that a sign was seen; of a place they say nothing.
SEEN = frozenset(("noted", "seen", "present", "found", "appreciated", "evident", "observed", "detected"))
# "felt reduced": the verb of a result that follows.
FELT = SEEN - {"present", "evident"} | {"felt", "feels"}

# Words of what was seen, behind an instruction: "stick out your tongue it goes to the left".
_TELLING = frozenset(
    ("goes", "went", "pulls", "pulled", "deviates", "drifts", "falls", "lower", "higher", "weaker", "good")
)


class Ahead(Look):
    """Looking ahead: whose result, whose side, whose place is it?"""

    def swallow(self, m: Mention) -> None:
        """Take a word behind an instruction as part of it, until `settle` has seen all of them."""
        self.take(m, INSTRUCTION)
        self.swallowed.append(m)

    def settle(self) -> None:
        """Words behind an instruction that say a side and how it is there ("it goes to the left", "left side lower")
        are no part of it: they are unread, never silently gone."""
        if not self.swallowed:
            return
        words = [m.lex for m in self.swallowed if m.lex is not None]
        span = self.tokens[self.swallowed[0].i : self.swallowed[-1].j]
        told = any(lex.compare or (lex.result is not None and lex.text not in PRAISE) for lex in words)
        if (told or any(word.lower() in _TELLING for word in span)) and any(lex.side for lex in words):
            for m in self.swallowed:
                self.take(m, UNREAD)
        self.swallowed = []

    value_led = False

    def _values_lead(self, k: int, depth: int) -> bool:
        """ "fixed left pupil, brisk left knee jerk": a value and a bare side stand before the item at k, and the same
        before the item that follows, which has no value behind it."""
        first, second = k - 2, k + 1
        while second < len(self.ms) and (self.ms[second].kind == COMMA or self.at(second).joins):
            second += 1
        if first < 0 or not (self._leads_item(first) and self._leads_item(second)):
            return False
        free = first == 0 or self.ms[first - 1].kind == COMMA or bool(self.at(first - 1).joins) or self.value_led
        return free and not self.own_result(second + 2, depth + 1)

    def _leads_item(self, k: int) -> bool:
        """At k stands a value, behind it a bare side and an item of which the value can be said."""
        side = self.at(k + 1)
        if not self.result_of(k) or side.side not in ("right", "left") or side.text.startswith(PREPOSITIONS):
            return False
        reading = self.item_at(k + 2) if k + 2 < len(self.ms) and self.is_item(k + 2) else None
        if reading is None or reading.sign:
            return False
        if self.ms[k].kind == GRADE:
            return any(self.emitter.grade_suits(item, self.ms[k]) for item, _ in reading.targets)
        return any(self.emitter.reading(Target(*pair, reading, None), self.ms[k]) for pair in reading.targets)

    def own_result(self, k: int, depth: int = 0) -> bool:
        """The item at k has a result of its own behind it (not one that belongs to the item after)."""
        if depth < 2 and self._values_lead(k, depth):
            return False
        joined = False
        named = self.lex(k)
        item = named.item.targets[0][0] if named is not None and named.item is not None else None
        levels = item == "sensory_level"
        k += 1
        limit = min(len(self.ms), k + 14)
        while k < limit:
            m = self.ms[k]
            lex = m.lex
            if m.kind == STOP or (m.kind == UNKNOWN and depth):
                return False
            if m.grade is not None and m.grade.level is not None and not levels:
                k += 1  # "light touch at L4": a place
                continue
            if m.kind == GRADE:
                return not self._item_after_in(k) and not (
                    self._anded(k) and (self.next_is_item(k) or bool(self.at(k + 1).rest))
                )
            if lex is not None:
                if lex.instruction is not None and lex.item is None and not lex.result:
                    return False
                if self.is_item(k):
                    if not joined:
                        return False
                    joined = False
                elif lex.text in PRAISE and self.instructed:
                    pass
                elif depth == 0 and self._says_nothing(lex, item):
                    pass  # "pinprick below the T2 level": a word for other items
                elif lex.result is not None or lex.ditto:
                    row = lex.result.by_item.get(item or "") if lex.result is not None else None
                    if self._notex(lex) or (row is not None and row.status == "not_examined"):
                        return True
                    if k + 1 < limit and self.next_is_item(k) and depth < 2:
                        following = k + 1
                        while not self.is_item(following):
                            following += 1
                        return self.own_result(following, depth + 1)
                    return True
                elif lex.hedge == "strong" and not self.next_is_item(k):
                    return True
                elif lex.neg and self.next_is_item(k) and not joined:
                    return False
                elif lex.joins:
                    joined = True
                elif lex.but or lex.except_ or lex.context or lex.rest:
                    return False
            elif m.kind == COMMA:
                joined = True
            k += 1
        return False

    def _list_goes_on(self, k: int) -> bool:
        """ "over the left foot dorsum the left lateral leg and the left shin": places in a row, with no value of their
        own behind them."""
        group = self.group
        if not group.places or group.places[-1].mention is not self.ms[k - 1] or not group.complete:
            return False
        other, joined = k + 1, False
        while other < len(self.ms) and self.ms[other].kind not in (COMMA, STOP):
            lex = self.at(other)
            if self.is_item(other):
                return joined and self.own_result(other)
            if lex.neg and self.next_is_item(other):
                return joined
            if not (self.is_site(other) or lex.side or lex.joins):
                return False
            joined = joined or bool(lex.joins)
            other += 1
        return True

    def _muscle_site(self, sign: Target, reading: ItemReading) -> str | None:
        """ "fasciculations in the right deltoid": the part of the limb where a named muscle is."""
        if reading.alt is not None and reading.alt[0] == sign.item:
            return reading.alt[1]
        item, site = reading.targets[0]
        if sign.item not in ("fasciculations", "muscle_bulk") or item != "power" or site is None:
            return None
        return self.emitter.site_of(sign.item, site)

    def _split_behind(self, k: int) -> bool:
        """ "pinprick reduced left leg normal right leg": values stand before their sides here, for the value behind
        the side (and place) at k has a side of its own, with no value behind that."""
        nxt = k + 2 if self.is_site(k + 1) else k + 1
        targets = self.group.targets or self.state.topic
        m = self.ms[nxt] if nxt < len(self.ms) else None
        if m is None or not self.result_of(nxt) or self.next_is_item(nxt):
            return False
        if m.kind == GRADE:
            if not any(self.emitter.grade_suits(t.item, m) for t in targets):
                return False
        elif not any(self.emitter.reading(t, m) is not None for t in targets):
            return False
        other = nxt + 1
        if self.at(other).side not in ("right", "left") or self.at(other).side == self.at(k).side:
            return False
        end = other + 2 if self.is_site(other + 1) else other + 1
        if self._value_follows(end - 1):
            return False
        tight = end < len(self.ms) and self.is_item(end) and end == other + 1
        return not tight or self._has_own_side(end) or self._denies_sign(nxt)

    def _denies_sign(self, k: int) -> bool:
        """ "cogwheeling R wrist nil L": of a sign that is there on one side, a word for its absence is of the other."""
        named = self.group.targets
        if not named or self.group.neg is not None or not all(t.sign for t in named):
            return False
        if self._leads_item(k) and not self.own_result(k + 2):
            return False  # "..., absent left ankle jerk"
        rows = [self.emitter.reading(t, self.ms[k]) for t in named]
        return all(row is not None and row.status == "normal" for row in rows)

    def _has_own_side(self, item_at: int, depth: int = 4) -> bool:
        """The item stands before its value and side ("dix hallpike positive R"), or is a sign with its side behind it:
        a bare side before it is not its own."""
        reading = self.item_at(item_at)
        other = item_at + 1
        while other < len(self.ms) and (self.result_of(other) or self.at(other).severity):
            other += 1
        sign = reading is not None and reading.sign
        if self.at(other).text in ("bilaterally", "both sides"):
            return other > item_at + 1
        if self.at(other).side not in ("right", "left") or not (sign or other > item_at + 1):
            return False
        nxt = other + 1
        return not (nxt < len(self.ms) and self.is_item(nxt)) or (depth > 0 and self._has_own_side(nxt, depth - 1))

    def _says_nothing(self, lex: Lexeme, item: str | None) -> bool:
        result = lex.result
        if result is None or item is None or result.any is not None:
            return False
        return item not in result.by_item and self.items[item].kind not in result.by_kind

    def _item_as_site(self, k: int, reading: ItemReading) -> bool:
        """ "fasciculations none in the tongue": an item that is a site of the sign just named."""
        targets = self.group.targets or self.state.topic
        return (
            bool(targets)
            and self._word_before(k) in ("in", "of", "on")
            and all(t.site is None and reading.targets[0][0] in self.items[t.item].sites for t in targets)
            and not self.own_result(k)
        )

    def _item_after_in(self, k: int) -> bool:
        """The value at k belongs to an item behind it: "three by five in both knee extensors"."""
        nxt = k + 1
        while (lex := self.lex(nxt)) is not None and lex.side and not self.is_item(nxt):
            nxt += 1
        return nxt < len(self.ms) and self.is_item(nxt) and self._word_before(nxt) in ("in", "of", "at", "for")

    def own_result_next(self, k: int) -> bool:
        k += 1
        while k < len(self.ms) and not self.is_item(k):
            k += 1
        return self.own_result(k)

    def _own_before_comma(self, k: int) -> bool:
        """The item at k has its result before the next comma."""
        told = self.group.valued and self._word_before(k) in ("in", "of", "at", "for")
        k += 1
        while k < len(self.ms) and self.ms[k].kind not in (COMMA, STOP) and not self.is_item(k):
            if told and (self.at(k).repair or self.at(k).text == "no"):
                return False  # "three out of five in the left deltoid no five out of five": it puts that value right
            result = self.at(k).result
            lead = result is not None and result.any is not None and result.any.lead  # "testing that he can perform"
            if self.result_of(k) and not lead:
                return not (self.ms[k].kind == GRADE and self._anded(k) and self.next_is_item(k))
            k += 1
        return False

    def _list_closes(self, k: int) -> bool:
        """ "(intact for) light touch, pinprick and temperature, vibration ...": the list of the item at k ends with
        "and" and a last item that has no value of its own, so what comes behind is no value for the list."""
        while not self._own_before_comma(k):
            if self._anded(k) or " and " in self.at(k).text:
                return True
            k += 1
            while k < len(self.ms) and (self.ms[k].kind == COMMA or self.at(k).joins):
                k += 1
            if k >= len(self.ms) or not self.is_item(k):
                return False
        return False

    def _value_follows(self, k: int) -> bool:
        nxt = k + 1
        while (
            (lex := self.lex(nxt)) is not None
            and (lex.severity or lex.hedge or lex.neg)
            and not lex.item
            and lex.result is None
        ):
            nxt += 1
        if self._value_at(nxt) or not self.result_of(nxt):
            return self._value_at(nxt)
        if self.at(nxt).text.startswith("with "):
            return False  # "increased tone right leg with clonus": it goes on with what was said
        return not self.next_is_item(nxt) or self._own_before_comma(self._next_item(nxt))

    def _next_item(self, k: int) -> int:
        """The index of the item behind k, which is known to follow."""
        k += 1
        while not self.is_item(k):
            k += 1
        return k

    def _said_again(self, k: int) -> bool:
        """The result at k comes with the item that was just said: "..., the right calf normal bulk"."""
        reading = self.item_at(k + 1) if self.result_of(k) and self.is_item(k + 1) else None
        behind = self.at(k + 2)
        if behind.side and behind.text.startswith(PREPOSITIONS):
            return False  # "no clonus at the left ankle, sustained clonus at the right"
        named = set(reading.targets) if reading is not None else set()
        said = {(target.item, target.site) for target in self.group.targets or self.state.topic}
        if all(site is not None for _, site in named | said):
            return bool(named) and named == said
        return bool(named) and {item for item, _ in named} == {item for item, _ in said}

    def _own_place(self, k: int) -> bool:
        """The result at k has its own side or place behind it: "... normal on the right", "... normal in v three"."""
        if k + 1 >= len(self.ms):
            return False
        lex = self.lex(k + 1)
        m = self.ms[k + 1]
        i = m.i
        while i > 0 and self.tokens[i - 1].lower() in ("the", "his", "her", "both", "all"):
            i -= 1
        bound = i > 0 and self.tokens[i - 1].lower() in ("in", "at", "over", "on")
        if lex is not None and lex.rest:
            return True
        if lex is not None and lex.side is not None:
            return lex.text.startswith(PREPOSITIONS)
        if m.grade is not None and m.grade.level is not None:
            return bound
        return lex is not None and lex.site is not None and bound

    def _sided_value(self, k: int) -> bool:
        """The result behind k has a side of its own behind it ("... normal on the right")."""
        return self._own_place(k + 1)

    def _prefix_follows(self, k: int) -> bool:
        nxt = k + 1
        lex = self.lex(nxt)
        while lex is not None and (lex.side or lex.severity or lex.result is not None) and not self.is_item(nxt):
            nxt += 1
            lex = self.lex(nxt)
        return lex is not None and self.is_item(nxt)

    def _both_behind(self, item_at: int) -> bool:
        """The next item has its own "both" behind its value, so this one stands behind a value too."""
        other = item_at + 1
        while other < len(self.ms) and self.result_of(other):
            other += 1
        lex = self.lex(other)
        return lex is not None and lex.side == "both" and other > item_at + 1

    def _postfix_style(self, k: int, item_at: int) -> bool:
        """Sides stand behind their results here: "four minus right five left finger abduction ..."."""
        m = self.ms[k]
        assert m.lex is not None
        if not self.group.targets:
            rows = self.state.last_group
            return any(row.side in ("right", "left") and row.side != m.lex.side for row in rows)
        if any(t.reading is not None and t.reading.number == "many" for t in self.group.targets):
            return False
        other = item_at + 1
        while other < len(self.ms) and (
            self.result_of(other) or self.at(other).severity or (self.is_site(other) and not self.at(other).side)
        ):
            other += 1
        lex = self.lex(other)
        reading = self.item_at(item_at)
        far = other > item_at + 1 or (reading is not None and reading.sign)
        return (
            lex is not None
            and lex.side in ("right", "left")
            and far
            and (other + 1 >= len(self.ms) or not self.is_item(other + 1))
            and not self._value_follows(other)
        )

    @staticmethod
    def _after_value_only(group: Group, value_end: int) -> bool:
        return all(p.mention.i >= value_end for p in group.places)
