"""Numbers: which are grades, which are levels, and which are neither.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

import itertools

from grammar.drafts import SENSORY, Group
from grammar.lexicon import ItemReading
from grammar.mentions import COMMA, GRADE, MARK, PHRASE, STOP, UNKNOWN, Mention
from grammar.values import Values

# The muscle in which a catch is felt.
_CAUGHT = frozenset(("supinator", "supinators", "supinator muscle"))


class Grades(Values):
    """Numbers: which are grades, which are levels, and which are neither."""

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
        if self._counts_strange(k) or self._of_strange_thing(k):
            return
        if grade.lone and not any(t.item == "reflex" for t in self.group.targets or self.state.topic):
            return
        nxt = self.lex(k + 1)
        if nxt is not None and nxt.units and grade.unit is None and not self._counted(k):
            return
        if (before := self.lex(k - 1)) is not None and before.units:
            return
        headed = self.colon_after is not None and self.colon_after is self.group
        if (grade.den == 5 or grade.n == 5 or headed) and self._of_abbreviation(k):
            return
        if self.group.targets and all(self._state(t.reading) for t in self.group.targets):
            return  # "alert in bed 4"
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
        lead = [word.lower() for word in self.tokens[max(0, m.i - 2) : m.i]]
        at = lead[-1:] in (["at"], ["to"], ["it's"], ["that's"]) or lead == ["it", "is"]  # "weak, it's four minus"
        fits = any(self.emitter.grade_suits(t.item, m) for t in group.targets or self.state.topic)
        led = self._value_first(group) and self.is_item(k + 1) and not self._own_before_comma(k + 1)
        last = k + 1 >= len(self.ms) or self.ms[k + 1].kind in (COMMA, STOP) or (self.is_item(k + 1) and not led)
        behind = group.sided and last and not self._joined_or_comma(k)
        tied = grade.unit is not None or at or behind or self._graded_after(k)
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
        if group.valued and not group.grades and (self._next_column(k) or self._fraction_leads(k)):
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

    def _counts_strange(self, k: int) -> bool:
        """ "there's one biscuit left": a bare number that opens and counts what is not understood."""
        m, grade = self.ms[k], self.ms[k].grade
        bare = grade is not None and not (grade.sign or grade.den or grade.unit or grade.level or grade.trace)
        follows = k + 1 < len(self.ms) and self.ms[k + 1].kind == UNKNOWN and self.ms[k + 1].i == m.j
        return bare and follows and m.j - m.i == 1 and self.group.blank

    def _of_strange_thing(self, k: int) -> bool:
        """ "the bed is at forty degrees": the angle of what is not understood, or of the couch."""
        before = self.ms[k - 1] if k else None
        if before is None or not (before.kind == UNKNOWN or self.at(k - 1).station) or not self.group.blank:
            return False
        between = [word.lower() for word in self.tokens[before.j : self.ms[k].i]]
        return between in (["is", "at"], ["at"], ["is", "up", "at"], ["was", "at"], ["'s", "at"], ["set", "at"])

    def _of_abbreviation(self, k: int) -> bool:
        """ "LLE: XX 4+/5": the value of a typed abbreviation that is not understood stays with it."""
        before, i = (self.ms[k - 1] if k else None), self.ms[k].i
        if i and self.tokens[i - 1].lower() in self.pipe.small:
            return False  # "R elbow MAS 2"
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

    def _graded_after(self, k: int) -> bool:
        """ "grip is weak on the right, four minus": the grade of what was just said to be weak ends the clause."""
        group = self.group
        if not group.sided or not group.targets or self.ms[k - 1].kind != COMMA or k < 2:
            return False
        said = self.ms[k - 2] is group.side_mention or self.ms[k - 2] in group.results
        return said and (k + 1 >= len(self.ms) or self.ms[k + 1].kind in (COMMA, STOP))

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

    @staticmethod
    def _without_roots(ms: list[Mention]) -> list[Mention]:
        """ "the right biceps jerk (C5-C6) is 1+": the root in brackets tells whose jerk it is, and no value."""
        kept: list[Mention] = []
        for k, m in enumerate(ms):
            grade, lex = m.grade, ms[k - 2].lex if k > 1 else None
            bracketed = ms[k - 1].mark == "(" and k + 1 < len(ms) and ms[k + 1].mark == ")"
            if grade is not None and grade.level is not None and bracketed and lex is not None and lex.item is not None:
                item, site = lex.item.alt or lex.item.targets[0]
                if item == "reflex" and site is not None:
                    continue
            kept.append(m)
        return kept

    def _fraction_leads(self, k: int) -> bool:
        """ "normal tone, and 5/5 motor strength": the fraction behind "and" is of the power that follows."""
        grade, group = self.ms[k].grade, self.group
        if grade is None or grade.den != 5 or not group.valued or not group.targets or not self._joined_or_comma(k):
            return False
        ahead = self.item_at(k + 1) if k + 1 < len(self.ms) and self.is_item(k + 1) else None
        power = ahead is not None and ahead.targets[0][0] == "power" and not self._own_before_comma(k + 1)
        return power and all(t.item != "power" for t in group.targets)

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
        if not said or self.at(k - 1).side is None:
            return False
        graded = self.group.targets or any(self.emitter.grade_suits(t.item, m) for t in self.state.topic)
        return bool(self.group.results) or not graded  # "she sees only the right one"

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

    def _side_told_and_cut(self, k: int) -> bool:
        """ "..., five on the left, wrist extensors five": value and side before a comma are not those of an item that
        has a value of its own."""
        group = self.group
        if group.targets or not group.grades or group.places or group.side_mention is None or k < 2:
            return False
        before = self.ms[k - 1].kind == COMMA and self.ms[k - 2] is group.side_mention and not group.side_first
        return before and not group.side_bare and self.own_result(k)

    def _where_caught(self, k: int, reading: ItemReading) -> bool:
        """ "a catch at the right supinator": where the catch was felt, and no reflex."""
        group = self.group
        felt = bool(group.targets) and all(target.item == "supinator_catch" for target in group.targets)
        muscle = reading.targets[0] == ("reflex", "brachioradialis") and self.at(k).text in _CAUGHT
        return felt and muscle and not group.valued and self._word_before(k) in ("at", "in", "of", "over", "on")

    def _number_before_state(self, reading: ItemReading) -> bool:
        """ "bed 12, awake and alert": a number before the word for a state is not a total of the coma scale."""
        return bool(self.group.grades) and not self.group.targets and self._state(reading)
