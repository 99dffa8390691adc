"""What a result word means in its place: a result, a place that was seen, a test not done, or a stranger's.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

import itertools

from grammar.ahead import FELT, PRAISE, SEEN
from grammar.drafts import Target
from grammar.look import PREPOSITIONS
from grammar.mentions import COMMA, GRADE, STOP, UNKNOWN, Mention
from grammar.phrase_files import ResultPhrase
from grammar.places import Places

ARROWS = ("↑", "↓")
_WAYS = frozenset(("up", "down", "upgoing", "downgoing", "flexor", "extensor"))
# "slow but accurate on the right": the side is that of both words.
_SLOW = frozenset(("slow", "slowed", "slower"))
_AT_LEAST = frozenset(("accurate", "accurately", "present", "symmetrical", "symmetric", "equal"))
# "brisk but normal": the clinician's own verdict, which no rule merges with the word before it.
PLAIN_NORMAL = ("normal", "within normal limits", "wnl", "physiological", "fine", "okay", "ok")


class Verdicts(Places):
    """What a result word means in its place."""

    def _reason_item(self, k: int) -> bool:
        """ "fundi not seen, pupils too small": what stands in the way of a test is its reason, not a finding."""
        reading = self.item_at(k)
        names = {t.item for t in self.group.targets}
        return reading is not None and "fundi" in names and reading.targets[0][0] == "pupils"

    def _stands_in_the_way(self, k: int) -> bool:
        """ "fundi not seen pupils too small": too small for that test."""
        m = self.ms[k] if k < len(self.ms) else None
        return m is not None and self._reason_item(k) and "too" in [word.lower() for word in self.tokens[m.j : m.j + 3]]

    def _item_behind_side(self, k: int) -> bool:
        """An item follows at once, or behind its side when none was named before: "could not get the left plantar"."""
        if self.next_is_item(k):
            return True
        nxt = k + 1
        while self.at(nxt).side and not self.is_item(nxt):
            nxt += 1
        return not self.group.targets and nxt > k + 1 and nxt < len(self.ms) and self.is_item(nxt)

    def _same_breath(self, k: int) -> bool:
        """ "slow but accurate", "present but reduced": two results of one item, with nothing behind them."""
        group = self.group
        if group.notex is not None or k == 0 or self.ms[k - 1] not in (*group.results, *group.grades):
            return False
        nxt = k + 1
        while self.at(nxt).severity and not self.result_of(nxt):
            nxt += 1
        lex = self.lex(nxt)
        if lex is None or lex.result is None or not self.result_of(nxt) or lex.text in PLAIN_NORMAL:
            return False
        kept = not group.sided and (self.at(k - 1).text in _SLOW or lex.text in _AT_LEAST)
        own = self.at(k - 1).text not in PLAIN_NORMAL and self.is_item(nxt + 1) and self.own_result(nxt + 1)
        apart = self.next_is_item(nxt) and not own  # "speech clear but quiet swallow normal"
        if (self._side_at(nxt + 1) and not kept) or self.is_site(nxt + 1) or apart or self._notex(lex):
            return False
        if not any(self.emitter.reading(t, self.ms[nxt]) for t in group.targets or self.state.topic):
            return False
        self.together = nxt
        return True

    def _stated(self) -> bool:
        """ "there is a drift on the left good": the sign was said to be there, so "good" is praise."""
        first = self.group.targets[0].mention if self.group.targets else None
        if first is None or self.group.neg is not None or self.group.valued:
            return False
        before = [word.lower() for word in self.tokens[max(0, first.i - 5) : first.i]]
        return any(pair in (("there", "is"), ("there", "'s"), ("there", "are")) for pair in itertools.pairwise(before))

    def _unlike_pair(self, k: int) -> bool:
        """ "Plantars ↓/↑": which of two unlike values is which side is not said, so they stay unread."""
        if (
            (self.group.sided and self.group.side != "both")
            or self.state.pair_order is not None
            or k + 2 > len(self.ms)
        ):
            return False
        other = k + 2 if self.ms[k + 1 : k + 2] and self.ms[k + 1].mark == "/" else k + 1
        lex = self.lex(other)
        if (
            lex is None
            or lex.result is None
            or lex.item is not None
            or self._soft(self.ms[other])
            or (other == k + 1 and lex.text not in ARROWS and not self._bare_pair(k))
        ):
            return False
        for target in self.group.targets:
            first, second = self.emitter.reading(target, self.ms[k]), self.emitter.reading(target, self.ms[other])
            if first is not None and second is not None and first.status != second.status:
                self.skip_to = other + 1
                return True
        return False

    def _bare_pair(self, k: int) -> bool:
        """ "plantars down up": two unlike words with no side about them."""
        texts = {self.at(k).text, self.at(k + 1).text}
        return len(texts) == 2 and texts <= _WAYS and not self._side_at(k + 2) and not self._side_at(k - 1)

    def _of_stranger(self, k: int) -> bool:
        """ "no ecchymosis noted": seen or noted is the word before it, when that is not understood."""
        before = self.ms[k - 1] if k else None
        return (
            before is not None
            and before.kind == UNKNOWN
            and before.j == self.ms[k].i
            and self.at(k).text
            in ("noted", "seen", "present", "found", "appreciated", "evident", "observed", "detected")
        )

    def _untested(self, k: int) -> bool:
        """The words mean "not tested" of what they are said of: "couldn't get the fields", but not a reflex."""
        lex = self.at(k)
        if not self._notex(lex) or lex.result is None or not lex.result.by_item:
            return self._notex(lex)
        nxt = k + 1
        while self.at(nxt).side and not self.is_item(nxt):
            nxt += 1
        ahead = self.item_at(nxt) if nxt < len(self.ms) and not self.group.targets else None
        items = [t.item for t in self.group.targets] or [item for item, _ in ahead.targets if ahead] if ahead else []
        items = items or [t.item for t in self.group.targets or self.state.topic]
        return not any(
            item in lex.result.by_item and lex.result.by_item[item].status != "not_examined" for item in items
        )

    def _names_power(self, k: int) -> bool:
        """ "full fields and full power in the arms": a value that says itself what was examined begins anew."""
        group = self.group
        if not self.at(k).text.endswith((" power", " strength")) or not (group.targets and group.valued):
            return False
        return all(self.emitter.reading(t, self.ms[k]) is None for t in group.targets)

    def _opens_clause(self, k: int) -> bool:
        """ "gait normal, absent right ankle jerk, left normal": behind a comma, the result of the item that follows."""
        bare = self.at(k + 1).side in ("right", "left") and not self.at(k + 1).text.startswith(PREPOSITIONS)
        if not bare or k == 0 or self.ms[k - 1].kind != COMMA or k + 2 >= len(self.ms) or not self.is_item(k + 2):
            return False
        reading = self.item_at(k + 2)
        fits = reading is not None and any(self._fits_item(k, item) for item, _ in reading.targets)
        return fits and not self._own_before_comma(k + 2)

    def _fits_item(self, k: int, item: str) -> bool:
        m = self.ms[k]
        if m.kind == GRADE:
            return self.emitter.grade_suits(item, m)
        result = self.at(k).result
        return result is not None and result.reading(item, self.items[item].kind) is not None

    def _stray(self, k: int) -> bool:
        """ "decreased below the T2 level on the left": a word that says nothing of what has its result already."""
        group, result = self.group, self.at(k).result
        if not (group.targets and group.valued) or result is None or result.any is not None or self._led_here(k):
            return False
        if self._opens_clause(k):
            return False
        return not any(self.emitter.reading(t, self.ms[k]) for t in group.targets)

    def _only_verb(self, k: int) -> bool:
        """ "vibration felt reduced at the ankle": it is the word behind that says what was felt."""
        if self.at(k).text not in FELT:
            return False
        nxt = self._past_severity(k + 1)
        theirs = not (self.group.targets and self.next_is_item(nxt))  # not "drift noted, brisk jerks"
        return self.result_of(nxt) and theirs and self.at(nxt).text not in PRAISE

    def _led_here(self, k: int) -> bool:
        """The result at k stands before its own item."""
        return self.next_is_item(k) or self._leads_item(k)

    def _seen_place(self, k: int) -> bool:
        """ "abnormality in the thoracic spine appreciated": what was seen is not the place that it was seen at."""
        targets = self.group.targets
        return (
            bool(targets)
            and self.at(k).text in SEEN
            and all(
                self.items[t.item].kind == "sign" and t.reading is not None and not (t.sign or t.reading.test)
                for t in targets
            )
        )

    def _not_seen(self, m: Mention) -> bool:
        """For these items the words mean that the test was not done ("fundi not seen")."""
        targets = self.group.targets or self.state.topic
        readings = [self.emitter.reading(t, m) for t in targets]
        return any(r is not None and r.status == "not_examined" for r in readings)

    def _leads(self, k: int) -> bool:
        """ "can hop", "able to walk on her heels": the item follows at once; "hopping: able" ends its clause."""
        if not self.next_is_item(k):
            waits = bool(self.group.targets) and not self.group.valued
            return waits and self.at(k).text.split()[-1] == "able" and self._clause_ends(k + 1)
        between = self.tokens[self.ms[k].j : self.ms[k + 1].i]
        return all(
            word.lower() in ("to", "walk", "do", "perform", "on", "the", "his", "her", "stand") for word in between
        )

    def _clause_ends(self, k: int) -> bool:
        """Nothing follows at k but a pause or a side."""
        return k >= len(self.ms) or self.ms[k].kind in (COMMA, STOP) or bool(self.at(k).side)

    def _bulk_of_muscle(self, m: Mention) -> None:
        """ "left calf not wasted": the word speaks of the bulk of the muscles that were named, not of their power."""
        group, result = self.group, m.lex.result if m.lex is not None else None
        if group.valued or result is None or "muscle_bulk" not in result.by_item or "power" in result.by_item:
            return
        sites = [
            self.emitter.site_of("muscle_bulk", t.site)
            if t.item == "power" and t.site is not None and t.reading is not None and t.reading.alt is None
            else None
            for t in group.targets
        ]
        if all(sites):
            group.targets = [
                Target("muscle_bulk", site, None, t.mention) for t, site in zip(group.targets, sites, strict=True)
            ]

    def _needs_word(self, k: int) -> bool:
        """ "cranial nerves two to twelve intact, gait normal", "pupils equal sluggish, corneals present": the item
        behind has a result of its own, and the word at k belongs to what was said before."""
        group, result = self.group, self.at(k).result
        if not self.next_is_item(k):
            return False
        nerves = bool(group.grades) and all(m.grade is not None and m.grade.unit == "nerves" for m in group.grades)
        if nerves and not group.results and self.ms[k - 1] is group.grades[-1]:
            return True
        if not self._own_before_comma(self._next_item(k)):
            return False
        own = bool(group.results) and result is not None and any(t.item in result.by_item for t in group.targets)
        return (nerves and not group.results) or (own and not group.sided)

    def _awaits_verdict(self) -> bool:
        """ "straight leg raise 40 degrees left positive": an angle alone is no result yet."""
        group = self.group
        return (
            bool(group.grades and group.targets)
            and not group.results
            and all(self.items[t.item].scale == "degrees" for t in group.targets)
        )

    def _past_severity(self, k: int) -> int:
        """The index of what stands behind the severities at k."""
        while self.at(k).severity and not self.result_of(k):
            k += 1
        return k

    def _either(self, k: int) -> bool:
        """ "normal or very mildly increased reflexes": two unlike results with "or" between."""
        if k < 2 or not self.group.results:
            return False
        before = k - 1
        while self.at(before).severity and before > 0:
            before -= 1
        first, second = self.at(before - 1).result, self.at(k).result
        if before < 1 or self.at(before).text != "or" or self.ms[before - 1] not in self.group.results:
            return False
        if first is None or second is None or self.group.neg is not None:
            return False
        plain = [row.any is not None and row.any.status == "normal" for row in (first, second)]
        return plain[0] != plain[1]

    def _both_denied(self, k: int) -> bool:
        """ "no absent or reduced reflexes": the negation before them denies both words."""
        group = self.group
        denied = group.neg is not None and not group.targets and k > 1 and self.ms[k - 2] in group.results
        return denied and self.at(k - 1).text in ("or", "nor") and self.next_is_item(k)

    def _own_word(self, k: int) -> bool:
        """The word is said of this very item ("antalgic" of the gait)."""
        result = self.at(k).result
        return result is not None and any(t.item in result.by_item for t in self.group.targets)

    def _of_unknown(self, k: int) -> bool:
        """A result word that leans on a word that is not understood ("decreased flexion") says nothing here."""
        nxt = self.ms[k + 1] if k + 1 < len(self.ms) else None
        if nxt is None or nxt.kind != UNKNOWN or self.tokens[nxt.i].endswith("ly"):
            return False
        return nxt.i == self.ms[k].j and not self.group.places

    def _soft(self, m: Mention) -> bool:
        reading: ResultPhrase | None = m.lex.result.any if m.lex is not None and m.lex.result is not None else None
        return reading is not None and reading.soft
