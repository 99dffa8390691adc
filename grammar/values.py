"""Results and grades: to which group they belong, and when they open the next one.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.ahead import PRAISE, REVEALS
from grammar.completeness import nerves
from grammar.drafts import Target
from grammar.fits import WHOLE
from grammar.look import PREPOSITIONS
from grammar.mentions import COLON, COMMA, GRADE, PHRASE, STOP, UNKNOWN, Mention
from grammar.state import INSTRUCTION
from grammar.verdicts import Verdicts

# What a single cranial nerve moves or hears: its weakness is theirs. The second nerve does more than the fields.
_MOVED = frozenset(("facial_power", "hearing", "tongue"))
# The rest, said behind its value.
_NIL = ("nil", "none", "nothing")
ELSEWHERE = frozenset(("elsewhere", "everywhere else", "anywhere else"))


class Values(Verdicts):
    """Results and grades: to which group they belong, and when they open the next one."""

    def on_result(self, k: int) -> None:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        self._repaired_before(k)
        self._head_before_value(k)
        if ("sparing" in lex.text or lex.text == "preserving") and not self._spared(k):
            return
        group = self.group
        if self._untested(k) or self._not_seen(m):
            self._on_not_examined(k)
            return
        if self._evenly(k) or self._behind_stranger(k) or self._in_unread_list(k):
            return
        if self._names_power(k):
            self.close()
            group = self.group
        self._single_nerve(m)
        if self._of_stranger(k) or self._seen_place(k) or self._stray(k) or self._only_verb(k):
            return
        if self._unlike_pair(k):
            return
        if (
            self._of_unknown(k)
            and not self._own_word(k)
            and all(t.reading is not None and t.reading.heading for t in group.targets)
        ):
            return
        if self.instructed and (lex.text in PRAISE or not self._binds(m)):
            if self.next_is_item(k) and not self.own_result_next(k) and lex.text not in PRAISE:
                self.instructed = False
            else:
                self.swallow(m)
                return
        if lex.text in ("okay", "ok") and self._to_patient(k):
            self.take(m, INSTRUCTION)
            return
        if (
            lex.text in PRAISE
            and not group.targets
            and not (self.at(k - 1).but and self._side_at(k + 1))
            and not self.next_is_item(k)
            and not group.places
            and group.side is None
        ):
            self.take(m, INSTRUCTION)
            return
        if lex.text in PRAISE and (self._stated() or (self.pained and all(t.item == "power" for t in group.targets))):
            self.take(m, INSTRUCTION)
            return
        if lex.result is not None and lex.result.any is not None and lex.result.any.lead and not self._leads(k):
            return
        if group.targets and self._of_the_other(k):
            self.close()
            group = self.group
        goes_on = k == self.together or self._either(k) or self._both_denied(k) or self._adjectives(k)
        waits = bool(group.targets) and not group.valued and group.neg is None
        if (group.valued and not goes_on and (self._next_column(k) or not self._merges(k))) or (
            waits and self._led_by_with(k)
        ):
            self.close()
            group = self.group
        elif (
            group.complete
            and not group.valued
            and group.targets
            and (self._belongs_next(k) or self._second_of_sign(k) or self._after_negation(k) or self._not_of_it(k))
        ):
            neg = (
                group.neg
                if k
                and self.at(k - 1).text
                in (
                    "or",
                    "nor",
                )
                else None
            )
            leads = self._leads_next(k)
            self.close()
            group = self.group
            self.said_for = group if leads else self.said_for
            if neg is not None:
                group.neg = neg
                group.mentions.append(neg)
        if group.blank and lex.text in _NIL and self.at(k + 1).text in ELSEWHERE:
            return  # of which places is not said
        if self.excepted and group.blank:
            group.exception = True
        if self._either(k):
            group.hedge = self.ms[k]  # "normal or mildly increased": which of the two is not said
        self._bulk_of_muscle(m)
        group.results.append(m)
        group.mentions.append(m)

    def _evenly(self, k: int) -> bool:
        """ "..., symmetrical loss of pinprick": both sides of what follows, and no result of what was said."""
        m, nxt = self.ms[k], self._past_severity(k + 1)
        if self.at(k).text not in ("symmetrical", "symmetric") or nxt >= len(self.ms) or self.ms[nxt].kind != PHRASE:
            return False
        sign = self.item_at(nxt) if self.is_item(nxt) else None
        lost = self.result_of(nxt) and self.next_is_item(nxt) and self._lessens(nxt)
        if not (lost or (sign is not None and sign.sign)) or self._joined(nxt):
            return False
        self.close()
        self.group.side, self.group.side_mention, self.group.side_first = "both", m, True
        self.group.mentions.append(m)
        return True

    def _behind_stranger(self, k: int) -> bool:
        """ "Kernig negative, Brudzinski positive": the second result is that of what the catalogue does not hold."""
        before = k - 1
        while before > 0 and (self.at(before).severity or self.at(before).hedge or self.ms[before].kind == UNKNOWN):
            before -= 1
        if not self.at(before).stranger or self.ms[before - 1].kind != COMMA or not self.group.valued:
            return False
        return not self.next_is_item(k)

    def _in_unread_list(self, k: int) -> bool:
        """ "pupils equal, no proptosis or fixed restriction": the word stands in a list of what is not understood."""
        under_way = self.group.complete or self.group.neg is not None
        if not under_way or not self._of_unknown(k) or not self._joined_or_comma(k):
            return False
        last = max(m.j for m in self.group.mentions)
        return any(m.kind == UNKNOWN and last <= m.i < self.ms[k].i for m in self.ms)

    def _adjectives(self, k: int) -> bool:
        """ "shuffling, narrow based gait": two words before the item that both are said of."""
        group = self.group
        if group.targets or group.mentions != group.results or self.ms[k - 1].kind != COMMA or not self.is_item(k + 1):
            return False
        own = self._own_before_comma(k + 1) and self.at(k + 2).text != "with"
        if self.ms[k - 2] not in group.results or own:
            return False
        reading = self.item_at(k + 1)
        targets = [Target(*pair, reading, None) for pair in reading.targets] if reading is not None else []
        words = (*group.results, self.ms[k])
        return any(all(self.emitter.reading(t, m) is not None for m in words) for t in targets)

    def _lessens(self, k: int) -> bool:
        """The result at k is an abnormal one, whatever it is said of."""
        result = self.at(k).result
        rows = [result.any, *result.by_item.values(), *result.by_kind.values()] if result is not None else []
        told = [row.status for row in rows if row is not None]
        return bool(told) and all(status == "abnormal" for status in told)

    def _single_nerve(self, m: Mention) -> None:
        """ "CN VII weak on the right": what this nerve moves is weak, and on that side; only nerves of one item."""
        group, result = self.group, m.lex.result if m.lex is not None else None
        if not (group.grades and group.targets):
            return
        nerve = group.grades[0].grade if len(group.grades) == 1 else None
        if [t.item for t in group.targets] != ["cranial_nerves"] or nerve is None or nerve.hi is not None or not result:
            return
        if group.results:
            return
        for item, numbers in nerves().items():
            row = result.reading(item, self.items[item].kind)
            if numbers != (nerve.n,) or item not in _MOVED or row is None:
                continue
            own = item in result.by_item and self.emitter.reading(group.targets[0], m) is None  # "CN XII midline"
            if row.status == "abnormal" or own:
                group.targets = [Target(item, None, None, group.targets[0].mention)]
                group.grades = []
                return

    def _spared(self, k: int) -> bool:
        """ "reduced in the left leg sparing the foot": what follows is normal, on the side that was said; a place that
        has no such finding is left unread."""
        place = self.at(k + 1).site
        items = [target.item for target in self.group.targets or self.state.topic]
        known = place is not None and any(self.emitter.site_of(i, area) for i in items for area in place.areas)
        self.close()
        if self.state.prior_side in ("right", "left"):
            self.group.side = self.state.prior_side
        behind = k + 1 < len(self.ms) and self.is_item(k + 1)
        if behind and not known:
            self.state.topic = []
        return known or behind or (k + 1 >= len(self.ms) and self.is_item(k - 1))  # "with forehead sparing"

    def _head_before_value(self, k: int) -> None:
        """ "Coord: slowed FNF", "Sensory exam reveals normal ...": a family, then a value for its members."""
        group = self.group
        if not group.targets or group.valued or group.neg is not None:
            return
        last = group.targets[-1]
        if last.mention is None:
            return
        verb = any(word.lower() in REVEALS for word in self.tokens[last.mention.j : self.ms[k].i])
        general = last.item == "general_statement" and not group.complete and self.next_is_item(k)
        if (
            self.colon_after is not group
            and not general
            and not (verb and last.reading is not None and last.reading.heading)
        ):
            return
        other = k + 1
        while other < len(self.ms):
            m = self.ms[other]
            if m.kind in (COMMA, STOP, COLON) or (m.lex is not None and m.lex.joins and m.lex.text != "and"):
                return
            if self.is_item(other):
                break
            other += 1
        if other < len(self.ms) and (other == k + 1 or not (self.at(other - 1).joins)):
            self._head(group)

    def _next_column(self, k: int) -> bool:
        """In a right/left table the second value stands beside the first, or behind a slash."""
        if self.state.pair_order is None or self.group.sided or k == 0:
            return False
        before = self.ms[k - 1]
        return before.mark == "/" or before in (*self.group.results, *self.group.grades)

    def _after_negation(self, k: int) -> bool:
        """ "no ataxia, clumsy on the left", "no jerk on the right, brisk on the left": not what was denied."""
        if self.group.neg is None or not self._side_at(k + 1):
            return False
        other = {self.group.side, self.at(k + 1).side} == {"right", "left"}
        return self.ms[k - 1].kind == COMMA or other

    def _to_patient(self, k: int) -> bool:
        """ "head thrust, okay look at my nose": the word opens what is said to the patient."""
        nxt = k + 1
        told = nxt < len(self.ms) and self.at(nxt).instruction is not None and self.ms[nxt].i == self.ms[k].j
        return told and not self.is_item(nxt) and k > 0 and self.ms[k - 1].kind == COMMA

    def _of_the_other(self, k: int) -> bool:
        """ "hops on the right, can't on the left": the value behind a comma has another side than the item before."""
        group = self.group
        if group.side not in ("right", "left") or group.valued or self.ms[k - 1].kind != COMMA or group.side_first:
            return False
        at = k + 2 if k + 2 < len(self.ms) and self.ms[k + 1].kind == UNKNOWN else k + 1  # "can't manage it on ..."
        side = self.at(at)
        other = side.side in ("right", "left") and side.side != group.side and side.text.startswith(PREPOSITIONS)
        return other and not self._value_follows(at) and not self.next_is_item(at)

    def _of_the_rest(self, k: int) -> bool:
        """ "fasciculations in the left calf, none elsewhere": the sign was said to be there; this is about the rest."""
        placed = bool(self.group.places) or self.group.sided or any(t.site for t in self.group.targets)
        return placed and self.at(k + 1).rest is not None and self.at(k + 1).text in ELSEWHERE

    def _second_of_sign(self, k: int) -> bool:
        """ "drift on the left, none on the right": the sign was said to be there; this is about the other side."""
        group = self.group
        if (
            group.neg is not None
            or not group.sided
            or not (any(t.sign for t in group.targets) or group.hedge is not None)
        ):
            return False
        ahead = self.item_at(k + 1) if k + 1 < len(self.ms) else None
        if ahead is not None and self._item_as_site(k + 1, ahead):
            return True
        side = self.lex(k + 1)
        if side is not None and side.site is not None and not side.side and self._own_place(k):
            return True
        if side is None or side.side is None or self.is_item(k + 1):
            return False
        if self._value_follows(k + 1):
            return False
        if side.text.startswith(PREPOSITIONS) or not self.next_is_item(k + 1):
            return True
        return self._denies_sign(k)

    def _not_of_it(self, k: int) -> bool:
        """The result at k is said of the rest, or of the item that it leads."""
        return self._of_the_rest(k) or self._leads_next(k)

    def _leads_next(self, k: int) -> bool:
        """ "ptosis on the right, normal left pupil": the sign was said to be there; the value leads the item behind."""
        group = self.group
        there = group.neg is None and group.sided and all(t.sign for t in group.targets)
        return there and self._leads_item(k) and not self.own_result(k + 2)

    def _belongs_next(self, k: int) -> bool:
        """A sign stands complete; a result before another item is that item's."""
        if not self.next_is_item(k) or (self.group.neg is self.ms[k - 1] and self._not_so(k - 1)):
            return False
        ahead = self.item_at(k + 1) if self.is_item(k + 1) else None
        if ahead is not None and self._item_as_site(k + 1, ahead):
            return False
        if self.ms[k - 1].kind == COMMA and self.group.sided and not self._own_before_comma(self._next_item(k)):
            return True  # "RAPD in the left eye, decreased acuity"
        return not self.own_result_next(k) or not self.emitter.suits_targets(self.group, self.ms[k])

    def _not_so(self, k: int) -> bool:
        """ "knee jerks not brisk plantars flexor": what the "not" at k denies behind an item is said of that item."""
        group, cue = self.group, self.at(k).text
        if not group.targets or k + 1 >= len(self.ms) or not cue.endswith(("not", "n't")):
            return False
        if group.valued and (self.ms[k - 1] not in group.results or not self.next_is_item(k + 1)):
            return False  # "present not brisk gag absent"
        named = group.valued or self.ms[k - 1] in (group.targets[-1].mention, group.side_mention)
        return named and self.emitter.suits_targets(group, self.ms[k + 1])

    def _binds(self, m: Mention) -> bool:
        bound = self.state.bound
        if bound is None:
            return False
        if m.kind == GRADE:
            return self.emitter.grade_suits(bound[0], m)
        assert m.lex is not None
        assert m.lex.result is not None
        item = self.items[bound[0]]
        if item.scale == "mrc" and m.lex.text in ("up", "down", "in", "out"):
            return False  # "don't let me push it down"
        here = bool(self.group.places) or self._place_behind(self.ms.index(m))
        if item.sites and bound[1] is None and bound[0] not in WHOLE and not here:
            return False
        return m.lex.result.reading(bound[0], item.kind) is not None

    def _place_behind(self, k: int) -> bool:
        """ "... reduced on the left foot": the place of the result at k follows it."""
        return self.is_site(k + 1) or (self._side_at(k + 1) and self.is_site(k + 2))

    def _merges(self, k: int) -> bool:
        """A second result word that goes with the first ("equal and reactive", "three plus and brisk")."""
        group = self.group
        m = self.ms[k]
        if self.repair is not None or group.notex is not None:
            return False
        other = self.at(k + 1).side
        unlike = {group.side, other} == {"right", "left"} and not self._value_follows(k + 1)
        if unlike and (not self.next_is_item(k + 1) or (not group.side_first and self.own_result_next(k + 1))):
            return False
        placed = self._word_before(k + 1) in ("at", "in", "of", "over") if k + 1 < len(self.ms) else False
        if self._opens_clause(k):
            return False
        if self._needs_word(k):
            return True
        if self.next_is_item(k) and not placed and (not self._joined(k) or not self.own_result_next(k)):
            return False
        if self._led_by_with(k):
            return False
        after_side = (
            group.side_mention is not None and group.side_mention.i >= max(v.j for v in (*group.results, *group.grades))
            if (group.results or group.grades)
            else False
        )
        if after_side or (
            group.places
            and self._after_value_only(group, max((v.j for v in (*group.results, *group.grades)), default=0))
        ):
            return self._soft(m) or (
                self._awaits_verdict() and (not self._side_at(k + 1) or self._value_follows(k + 1))
            )
        targets = group.targets or self.state.topic
        return self.emitter.compatible(targets, group, m)

    def _led_by_with(self, k: int) -> bool:
        """ "broad based gait with decreased left arm swing": the result behind "with" is that of the item behind it."""
        nxt = k + 1
        while self.at(nxt).side and not self.is_item(nxt):
            nxt += 1
        return self.at(k - 1).text == "with" and self.next_is_item(nxt - 1) and not self._own_before_comma(nxt)

    def _on_not_examined(self, k: int) -> None:
        m = self.ms[k]
        group = self.group
        self.instructed = False
        if group.valued or (group.targets and self.next_is_item(k) and group.complete):
            self.close()
            group = self.group
        if self.excepted and group.blank:
            group.exception = True
        group.notex = m
        group.mentions.append(m)
        self.reasoning = not self._item_behind_side(k) or self._stands_in_the_way(k + 1)
