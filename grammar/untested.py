""" "Not tested" and its reason; causes; negations and what they reach.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.ahead import COPULA
from grammar.grades import Grades
from grammar.look import PREPOSITIONS
from grammar.mentions import COMMA, GRADE, MARK, PHRASE, STOP, UNKNOWN
from grammar.state import CONTEXT, FINDING

# "not quite normal", "not that brisk", "not at all weak".
_HOW_MUCH = frozenset(("quite", "that", "so", "even", "all", "too", "as", "just", "very"))
_AFTER_NO = frozenset(
    (
        "a",
        "an",
        "any",
        "the",
        "of",
        "to",
        "other",
        "his",
        "her",
        "more",
        "new",
        "real",
        "for",
        "in",
        "there",
        "is",
        "are",
        "was",
        "be",
        "have",
        "has",
        "further",
        "beats",
        "seen",
        "see",
        "either",
        "on",
        ",",
        "it",
        "in",
        "at",
        "over",
        "their",
        "its",
        "really",
        "actually",
        "quite",
        "all",
    )
)


class Untested(Grades):
    """ "Not tested" and its reason; causes; negations and what they reach."""

    def reason(self, k: int) -> int:
        """After "not tested": the words up to the next finding, instruction or full stop are its reason."""
        start = k
        first = self.ms[k]
        lex = first.lex
        if self.group.notex is None:
            self.reasoning = False
            return k
        if not (first.kind in (COMMA, UNKNOWN, MARK) or (lex is not None and lex.because)):
            if lex is not None and (lex.side or lex.site is not None) and not self.is_item(k):
                return k
            leads = lex is not None and lex.result is not None and self.next_is_item(k) and self._reason_item(k + 1)
            if (
                not leads
                and not (self.is_item(k) and self._reason_item(k))
                and (lex is None or self.is_item(k) or lex.instruction is not None or lex.neg)
            ):
                self.reasoning = False
                return k
        cued = lex is not None and bool(lex.because)
        while k < len(self.ms):
            m = self.ms[k]
            here = m.lex
            if here is not None:
                if here.because:
                    cued = True
                if here.instruction is not None and not here.result and not here.site and k > start:
                    break
                if here.station or here.heading or here.but or here.except_ or self._other_side(k):
                    break
                if (
                    self.is_item(k)
                    and not self._reason_item(k)
                    and (self.own_result(self._row_of_items(k)) or (k == start + 1 and not cued))
                ):
                    break
                if here.neg and self.next_is_item(k):
                    break
            k += 1
        k = self._trim(start, k)
        self.reasoning = False
        if k == start:
            return start
        words = [t for m in self.ms[start:k] for t in range(m.i, m.j) if m.kind not in (COMMA, MARK)]
        if not words:
            return start
        low = min(words)
        stop = self.ms[k].i if k < len(self.ms) else len(self.tokens)
        high = max(words) + 1
        while high < stop and self.tokens[high].isalpha():
            high += 1
        self.group.reason = (low, high)
        for t in range(self.ms[start].i, high):
            self.classes[t] = FINDING
        for m in self.ms[start:k]:
            m.used = True
        return k

    def _row_of_items(self, k: int) -> int:
        """The last item of those that follow one another at k: "biceps triceps and supinator jerks all 1+"."""
        last = k
        while last + 1 < len(self.ms) and self.is_item(last + 1):
            last += 1
        ends = self.at(last + 1).joins and last + 2 < len(self.ms) and self.is_item(last + 2)
        return last if ends else k

    def _other_side(self, k: int) -> bool:
        """ "not tested on the left, right flexor": the other side has a result of its own."""
        side, here = self.at(k).side, self.group.side
        if side not in ("right", "left") or here not in ("right", "left") or side == here or not self.result_of(k + 1):
            return False
        targets = self.group.targets or self.state.topic
        return self.ms[k + 1].kind == GRADE or any(self.emitter.reading(t, self.ms[k + 1]) for t in targets)

    def _trim(self, start: int, k: int) -> int:
        """Sides, commas and prefixes just before the next item belong to that item."""
        if k >= len(self.ms):
            return k
        while k - 1 > start and (self.at(k - 1).side or self.at(k - 1).joins or self.at(k - 1).severity):
            k -= 1
        while k - 1 > start and self.ms[k - 1].kind == COMMA:
            k -= 1
        return k

    def _cause(self, k: int) -> None:
        """ "slow, secondary to weakness", "limited by hamstring tightness to 66 degrees": a cause that is named is no
        finding of its own."""
        self.take(self.ms[k], CONTEXT)
        other, value = k + 1, self.ms[k] in self.group.results
        while other < len(self.ms) and self.ms[other].kind != COMMA:
            m, grade = self.ms[other], self.ms[other].grade
            if value and grade is not None and grade.unit is not None:
                break
            tightness = other + 1 < len(self.ms) and self.ms[other + 1].kind == UNKNOWN and self.ms[other + 1].i == m.j
            if self.is_item(other) and self._own_before_comma(other) and not (value and tightness):
                break
            lex = self.lex(other)
            if lex is not None and (lex.instruction or lex.but or lex.neg or lex.station):
                break
            self.take(m, CONTEXT)
            other += 1
        self.skip_to = other

    def on_neg(self, k: int) -> None:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        group = self.group
        nxt = k + 1
        while nxt < len(self.ms) and self.ms[nxt].kind == COMMA:
            nxt += 1
        if (
            lex.text == "no"
            and nxt > k + 1
            and (group.complete or (group.blank and self.state.replaceable))
            and ((after := self.lex(nxt)) is not None and after.side in ("right", "left"))
        ):
            self._start_repair(m, "strong")
            return
        if lex.text == "no" and (group.complete or (group.blank and self.state.replaceable)) and self._repairs(k, nxt):
            self._start_repair(m, "strong")
            return
        if lex.text == "no" and not group.complete and group.side is not None and self.at(nxt).side:
            self._start_repair(m, "strong")
            return
        if lex.text == "no" and self._valued_function(k + 1) and self.state.replaceable and not group.mentions:
            self._start_repair(m, "strong")  # "... actually no, ankle jerks two plus"
            return
        if self._no_the(k):
            return
        if self._not_so_there(k):
            self.skip_to = k + 2
            return
        if self._not_there(k):
            self.close()
            self.group.neg = m
            self.group.mentions.append(m)
            return
        if lex.text in COPULA and self._thing(k + 1) and self.tokens[max(0, m.i - 1)].lower() != "there":
            self.close()  # "the right isn't, first dorsal interosseous bulk good": it denies what was said before
            self.emitter.doubtful = False
            return
        ahead = self._negated(k)
        if ahead is None or self._cut_off(k):
            if group.complete and lex.text.startswith(("do", "did")):
                self.close()  # "disoriented to time, doesn't quite know ...": another verb denies nothing before it
            self.emitter.doubtful = k + 1 < len(self.ms) and self.ms[k + 1].kind == UNKNOWN
            return
        self.emitter.doubtful = False
        if group.valued and self._not_so(k):
            group.mentions.extend((m, self.ms[k + 1]))
            self.skip_to = k + 2
            return
        if (
            (group.complete and (self.is_item(ahead) or self.is_site(ahead)))
            or (group.mentions and not group.targets and self.is_item(ahead) and (group.valued or group.hedge))
            or (group.targets and self.is_item(ahead))
            or (group.neg is not None and group.sided)
            or group.valued
        ):
            self.close()
            group = self.group
        self.instructed = False
        group.neg = m
        group.hedged = lex.neg == "hedged"
        group.mentions.append(m)

    def _no_the(self, k: int) -> bool:
        """ "no the left plantar is extensor": an answer or a second thought, never the denial of "the" thing."""
        m, nxt = self.ms[k], k + 1
        if self.at(k).text != "no" or [word.lower() for word in self.tokens[m.j : m.j + 1]] != ["the"]:
            return False
        while self.at(nxt).side and not self.is_item(nxt):
            nxt += 1
        reading = self.item_at(nxt) if nxt < len(self.ms) and self.is_item(nxt) else None
        if reading is None or not self.own_result(nxt):
            return False
        said = {t.item for t in self.group.targets} or {row.item for row in self.state.last_group}
        if reading.targets[0][0] in said:
            self._start_repair(m, "strong")
        return True

    def _thing(self, k: int) -> bool:
        """An item that is no quality of a person: "is not dysarthric", "is not oriented" deny what stands behind."""
        reading = self.item_at(k) if k < len(self.ms) and self.is_item(k) else None
        return reading is not None and not (reading.sign or reading.status)

    def _valued_function(self, k: int) -> bool:
        """A function and its grade at once: what stands before cannot deny it."""
        reading = self.item_at(k) if k < len(self.ms) else None
        grade = self.ms[k + 1].grade if k + 1 < len(self.ms) else None
        if reading is None or reading.sign or grade is None or grade.n == 0:
            return False
        item = reading.targets[0][0]
        return self.items[item].kind == "function" and self.emitter.grade_suits(item, self.ms[k + 1])

    def _not_there(self, k: int) -> bool:
        """ "drift on the right, not on the left": the sign just named is not on that side."""
        if self.at(k).text != "not" or self.at(k + 1).side not in ("right", "left"):
            return False
        targets = self.group.targets or self.state.topic
        return self._ends_behind(k + 1) and any(t.sign for t in targets)

    def _ends_behind(self, k: int) -> bool:
        """Nothing of the same thought follows the side at k."""
        nxt = self.at(k + 1)
        if k + 1 >= len(self.ms) or self.ms[k + 1].kind in (COMMA, STOP) or nxt.joins or nxt.neg:
            return True
        against = {self.at(k).side, self.group.side} == {"right", "left"} and self.at(k).text.startswith("the ")
        reading = self.item_at(k + 1)
        if reading is not None and reading.number == "one" and self.items[reading.targets[0][0]].sided:
            against = False  # "... not the right knee jerk brisk": the side may be that of the jerk
        tied = self.at(k).text.startswith(PREPOSITIONS) or self.tokens[self.ms[k].i - 1].lower() == "from"
        if not (tied or against) or not self.is_item(k + 1):
            return False
        return self.own_result(k + 1) or (tied and reading is not None and reading.sign)

    def _not_so_there(self, k: int) -> bool:
        """ "can hop on the right but not on the left": the other side is what the first is not."""
        side, named = self.at(k + 1).side, self.group.targets or self.state.topic
        if self.at(k).text != "not" or side not in ("right", "left"):
            return False
        if not self._ends_behind(k + 1) or not (self.group.blank or self.group.complete):
            return False
        self.close()
        return self.emitter.deny_other(side, self.ms[k : k + 2], graded=all(t.sign for t in named))

    def _mute(self, k: int) -> bool:
        """An unknown word, or one that names an item only in other company ("pain" outside a list of modalities)."""
        m = self.ms[k]
        lex = m.lex
        if m.kind == UNKNOWN or lex is None:
            return m.kind == UNKNOWN
        only = not (lex.side or lex.site or lex.result or lex.neg or lex.severity or lex.hedge or lex.joins)
        return lex.item is not None and only and not self.is_item(k)

    def _past_unknown(self, k: int, other: int) -> int | None:
        """ "no local weakness", "without oedema, cyanosis, or tremor": unknown words inside a negated list."""
        start = other
        while other < len(self.ms) and (self.ms[other].kind == COMMA or self._mute(other) or (self.at(other).joins)):
            other += 1
        if other >= len(self.ms) or not self.is_item(other):
            return None
        reading = self.item_at(other)
        if reading is None or not reading.sign:
            return None
        words = self.ms[other].i - self.ms[start].i
        plain = all(self._mute(index) for index in range(start, other))
        if plain and words <= 2 and start == k + 1:
            return other
        listed = [m for m in self.ms[start : min(len(self.ms), other + 5)] if m.lex is not None and m.lex.joins]
        return other if listed and listed[0].lex is not None and listed[0].lex.text in ("or", "nor") else None

    def _cut_off(self, k: int) -> bool:
        """Other small words stand between the negation and what follows ("no doctor, ...")."""
        between = self.tokens[self.ms[k].j : self.ms[k + 1].i] if k + 1 < len(self.ms) else []
        if k + 1 < len(self.ms) and self.ms[k + 1].kind == UNKNOWN:
            return False
        return any(word.lower() not in _AFTER_NO and not self._adverb(word) for word in between)

    @staticmethod
    def _adverb(word: str) -> bool:
        """ "not really weak", "not frankly extensor": how much, and no new thought."""
        return word.lower() in _HOW_MUCH or (len(word) > 4 and word.lower().endswith("ly"))

    def _repairs(self, k: int, nxt: int) -> bool:
        """ "..., no, extensor", "flexor no extensor", "no the left": a second thought, not a negation."""
        if nxt >= len(self.ms):
            return False
        if self._value_at(nxt):
            return True
        lex = self.lex(nxt)
        if lex is None or self.is_item(nxt):
            return False
        if self.next_is_item(nxt) and lex.result is not None:
            item = self._next_item(nxt)  # "left plantar flexor no extensor hoffmann negative": of the plantar alone
            ahead = self.item_at(item)
            own = any(t.item in lex.result.by_item for t in self.group.targets)
            strange = ahead is not None and not any(name in lex.result.by_item for name, _ in ahead.targets)
            return own and strange and self.group.complete and self._own_before_comma(item)
        return lex.result is not None or (lex.side in ("right", "left") and not self.next_is_item(nxt))

    def _negated(self, k: int) -> int | None:
        """The index of what a negation at k negates: an item or a result close behind it."""
        other = k + 1
        for _ in range(9):
            m = self.ms[other] if other < len(self.ms) else None
            if m is None:
                return None
            if m.kind == COMMA and other == k + 1 and " " in self.at(k).text:
                other += 1  # "no focal, motor, or sensory deficit"
                continue
            if m.kind == UNKNOWN and m.j == m.i + 1 and self._adverb(self.tokens[m.i]):
                other += 1
                continue
            if self._mute(other) or (m.kind == COMMA and self._mute(other - 1)):
                found = self._past_unknown(k, other)
                if found is None:
                    return None
                other = found
                continue
            if m.kind not in (PHRASE, MARK):
                return None
            if self.is_item(other):
                return other
            lex = m.lex
            if lex is not None and lex.result is not None:
                if self._prefix_follows(other) and not (other == k + 1 and self._not_so(k)):
                    other += 1
                    continue
                return other
            if lex is not None and not (
                lex.side or lex.severity or lex.site is not None or lex.hedge or lex.neg or lex.compare or lex.now
            ):
                return None
            other += 1
        return None
