"""Results and grades: to which group they belong, and when they open the next one.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

import itertools

from grammar.ahead import PRAISE, REVEALS
from grammar.drafts import SENSORY, Group
from grammar.fits import WHOLE
from grammar.look import PREPOSITIONS
from grammar.mentions import COLON, COMMA, GRADE, MARK, PHRASE, STOP, UNKNOWN, Mention
from grammar.state import INSTRUCTION
from grammar.verdicts import Verdicts


class Values(Verdicts):
    """Results and grades: to which group they belong, and when they open the next one."""

    def on_result(self, k: int) -> None:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        self._repaired_before(k)
        self._head_before_value(k)
        if "sparing" in lex.text and not self._spared(k):
            return
        group = self.group
        if self._untested(k) or self._not_seen(m):
            self._on_not_examined(k)
            return
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
        goes_on = k == self.together or self._either(k) or self._both_denied(k)
        if group.valued and not goes_on and (self._next_column(k) or not self._merges(k)):
            self.close()
            group = self.group
        elif (
            group.complete
            and not group.valued
            and group.targets
            and (self._belongs_next(k) or self._second_of_sign(k) or self._after_negation(k))
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
            self.close()
            group = self.group
            if neg is not None:
                group.neg = neg
                group.mentions.append(neg)
        if self.excepted and group.blank:
            group.exception = True
        if self._either(k):
            group.hedge = self.ms[k]  # "normal or mildly increased": which of the two is not said
        self._bulk_of_muscle(m)
        group.results.append(m)
        group.mentions.append(m)

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
        return side.text.startswith(PREPOSITIONS) or not self.next_is_item(k + 1)

    def _belongs_next(self, k: int) -> bool:
        """A sign stands complete; a result before another item is that item's."""
        if not self.next_is_item(k):
            return False
        ahead = self.item_at(k + 1) if self.is_item(k + 1) else None
        if ahead is not None and self._item_as_site(k + 1, ahead):
            return False
        return not self.own_result_next(k) or not self.emitter.suits_targets(self.group, self.ms[k])

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
        if {group.side, other} == {"right", "left"} and not self.next_is_item(k + 1) and not self._value_follows(k + 1):
            return False
        placed = self._word_before(k + 1) in ("at", "in", "of", "over") if k + 1 < len(self.ms) else False
        if self._opens_clause(k):
            return False
        if self._needs_word(k):
            return True
        if self.next_is_item(k) and not placed and (not self._joined(k) or not self.own_result_next(k)):
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

    def _counted(self, k: int) -> bool:
        """ "two of three words": a count out of so many, said of a test that counts."""
        grade = self.ms[k].grade
        if grade is None or grade.den is None:
            return False
        return any(self.items[t.item].scale == "count" for t in self.group.targets or self.state.topic)

    def on_grade(self, k: int) -> None:
        m = self.ms[k]
        grade = m.grade
        assert grade is not None
        if grade.lone and not any(t.item == "reflex" for t in self.group.targets or self.state.topic):
            return
        nxt = self.lex(k + 1)
        if nxt is not None and nxt.units and grade.unit is None and not self._counted(k):
            return
        if (before := self.lex(k - 1)) is not None and before.units:
            return
        if (grade.den == 5 or grade.n == 5) and self._of_abbreviation(k):
            return
        if grade.level is not None and self._level_is_place(m):
            return
        if grade.unit is None and grade.den is None and (self._counting(k) or self._pronoun(k)):
            if not self.group.targets and not self.group.valued:
                self.group = Group()  # the side and place before a row of numbers are the table's
            return
        if k and self.at(k - 1).item is not None and self._not_meant(k - 1):
            return
        if grade.den is not None and grade.den > 5 and self.at(k + 1).stranger:
            return  # "20/30 on the MMSE"
        self._head_before_value(k)
        group = self.group
        if self._same_again(k):
            group.side = "both"
            group.mentions.append(m)
            return
        if self.instructed:
            if not self._binds(m):
                self.swallow(m)
                return
            self.instructed = False
        at = m.i > 0 and self.tokens[m.i - 1].lower() in ("at", "to")
        fits = any(self.emitter.grade_suits(t.item, m) for t in group.targets or self.state.topic)
        led = self._value_first(group) and self.is_item(k + 1) and not self._own_before_comma(k + 1)
        last = k + 1 >= len(self.ms) or self.ms[k + 1].kind in (COMMA, STOP) or (self.is_item(k + 1) and not led)
        behind = group.sided and last and not self._joined_or_comma(k)
        tied = grade.unit is not None or at or behind
        between = group.sided and not self._joined_or_comma(k) and self._side_at(k + 1) and self._value_follows(k + 1)
        if fits and group.results and not group.grades and (between or (tied and not self._side_at(k + 1))):
            group.grades.append(m)
            group.mentions.append(m)
            return
        if (
            (group.valued and (group.grades or self._after_sided_value(group)))
            or (group.valued and self.repair is not None)
            or (group.valued and group.notex is not None)
        ):
            if group.grades and self._gcs_total(group):
                group.grades.append(m)
                group.mentions.append(m)
                return
            self.close()
            group = self.group
        if group.valued and not group.grades and self._next_column(k):
            self.close()
            group = self.group
        told = (group.valued or group.neg is not None) and not group.grades and group.sided
        if told and self._side_at(k + 1) and not self.next_is_item(k + 1):
            self.close()
            group = self.group
        if grade.unit == "beats" and group.targets and group.targets[-1].item != "clonus":
            self.close()
            group = self.group
        if self.excepted and group.blank:
            group.exception = True
        group.grades.append(m)
        group.mentions.append(m)

    def _of_abbreviation(self, k: int) -> bool:
        """ "LLE: XX 4+/5": the value of a typed abbreviation that is not understood stays with it."""
        before, i = (self.ms[k - 1] if k else None), self.ms[k].i
        if before is not None and before.mark == "/" and k > 1 and self.ms[k - 2].kind == UNKNOWN:
            return True  # "KF5/5"
        if before is not None and before.kind == PHRASE and before.j == i:
            return False
        word = self.tokens[i - 1] if i else ""
        near = self.tokens[max(0, i - 12) : i]
        return (
            1 < len(word) < 5
            and word.isalpha()
            and word.isupper()
            and not all(t.isupper() for t in near if t.isalpha())
        )

    def _same_again(self, k: int) -> bool:
        """ "five and five": one value for each side."""
        if k < 2 or not self._joined(k) or self.group.sided or self._side_at(k + 1) or len(self.group.grades) != 1:
            return False
        before, now = self.ms[k - 2].grade, self.ms[k].grade
        return (
            before is not None and now is not None and (before.n, before.sign, before.den) == (now.n, now.sign, now.den)
        )

    @staticmethod
    def _gcs_total(group: Group) -> bool:
        return any(t.item == "consciousness" for t in group.targets)

    @staticmethod
    def _after_sided_value(group: Group) -> bool:
        """The value so far has its side behind it, so another value begins a new group."""
        last_value = max((v.j for v in (*group.results, *group.grades)), default=0)
        if group.side_mention is not None and group.side_mention.i >= last_value:
            return True
        return bool(group.places) and all(p.mention.i >= last_value for p in group.places) and bool(group.results)

    def _level_is_place(self, m: Mention) -> bool:
        """A dermatome is a place when sensation is the topic: "pinprick reduced in L5"."""
        if self._leads_sensation(m):
            if self.group.targets:
                self.close()
            self.emitter.add_level_place(self.group, m)
            return True
        targets = self.group.targets or self.state.topic
        if not any(t.item in SENSORY for t in targets) and not (not self.group.targets and self._sensory_next(m)):
            return any(t.item == "power" for t in targets)
        assert m.grade is not None
        assert m.grade.level is not None
        group = self.group
        values = [*group.results, *group.grades]
        places_first = bool(values and group.places) and group.places[0].mention.i < values[0].i
        if places_first and group.sided and self._value_follows(self.ms.index(m)):
            self.close()  # "L5 absent left, S1 normal left"
        self.emitter.add_level_place(self.group, m)
        return True

    def _sensory_next(self, m: Mention) -> bool:
        """ "L4, L5 pinprick reduced": the levels stand before what was tested there."""
        nxt = self.ms.index(m) + 1
        while nxt < len(self.ms) and (
            self.ms[nxt].kind == COMMA
            or self.at(nxt).joins
            or ((grade := self.ms[nxt].grade) is not None and grade.level is not None)
        ):
            nxt += 1
        reading = self.item_at(nxt) if nxt < len(self.ms) and self.is_item(nxt) else None
        return reading is not None and not reading.sign and reading.targets[0][0] in SENSORY

    def _pronoun(self, k: int) -> bool:
        """ "a brisk left knee jerk and a normal right one": no number."""
        m, grade = self.ms[k], self.ms[k].grade
        said = m.j - m.i == 1 and self.tokens[m.i].lower() == "one" and grade is not None and not grade.sign
        return said and bool(self.group.results) and self.at(k - 1).side is not None

    def _leads_sensation(self, m: Mention) -> bool:
        """ "L5 numbness on the left", "reduced L5 and S1 pinprick": the roots stand before their modality."""
        own = {t.item for t in self.group.targets} & (SENSORY | {"sensory_level"})
        k = self.ms.index(m)
        if own or (self.group.targets and not self.group.complete) or (k and self.ms[k - 1].kind == UNKNOWN):
            return False
        last = k
        while k < len(self.ms) and (self._is_level(k) or self.at(k).joins or self.ms[k].kind in (COMMA, MARK)):
            last = k if self._is_level(k) else last
            k += 1
        reading = self.item_at(k) if k == last + 1 and k < len(self.ms) else None
        return reading is not None and reading.targets[0][0] in SENSORY and reading.targets[0][1] is None

    def _is_level(self, k: int) -> bool:
        grade = self.ms[k].grade
        return grade is not None and grade.level is not None

    def _counting(self, k: int) -> bool:
        """ "one, two, three" is counting aloud; "RLE 3 3 4 4 3 4" is a table whose heads were not understood."""
        first = last = k
        while first > 0 and self.ms[first - 1].kind == GRADE and self.ms[first - 1].j == self.ms[first].i:
            first -= 1
        while last + 1 < len(self.ms) and self.ms[last + 1].kind == GRADE and self.ms[last].j == self.ms[last + 1].i:
            last += 1
        if last - first >= 3:
            return True
        values: list[int] = []
        other = k
        while other < len(self.ms) and self.ms[other].kind in (GRADE, COMMA):
            grade = self.ms[other].grade
            if grade is not None:
                if grade.sign or grade.den is not None:
                    break
                values.append(grade.n)
            other += 1
        other = k - 1
        while other >= 0 and self.ms[other].kind in (GRADE, COMMA):
            grade = self.ms[other].grade
            if grade is not None:
                values.insert(0, grade.n)
            other -= 1
        return len(values) >= 3 and all(b - a == 1 for a, b in itertools.pairwise(values))

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
