"""What can be meant for what: results and grades against items, and the small tools of the rows.

A part of the emitter (grammar/emit.py), which is a chain of small classes.
"""

from __future__ import annotations

from grammar.drafts import Group, Place, Target
from grammar.mentions import Mention
from grammar.phrase_files import ResultPhrase
from grammar.pipeline import Pipeline
from grammar.scales import Placed, place
from grammar.state import FINDING, State

# Tests of strength without a scale of their own: five out of five is their normal result.
_STRENGTH = frozenset(("shoulder_shrug", "head_turn", "jaw_power", "facial_power", "toe_walk", "heel_walk"))

# Items with places that can also be meant as a whole (or at their usual place).
WHOLE = frozenset(("facial_power", "facial_sensation", "tinel"))


class Fits:
    """What can be meant for what: results and grades against items, and the small tools of the rows."""

    def __init__(self, pipe: Pipeline, state: State) -> None:
        self.items = pipe.catalogue.items
        self.scales = pipe.catalogue.scales
        self.kept = pipe.builder.severity_kept
        self.state = state

    known: frozenset[int] = frozenset()
    doubtful = False
    implied = False
    told_side: str | None = None
    led: str | None = None
    exam: Place | None = None
    strange: frozenset[int] = frozenset()
    # The token behind the words that open the sentence and are not understood, or -1.
    opening = -1
    gcs_span: tuple[int, int] | None = None

    def reading(self, target: Target, m: Mention) -> ResultPhrase | None:
        if m.lex is None or m.lex.result is None:
            return None
        item = self.items[target.item]
        test = target.reading is not None and target.reading.test
        kind = "sign" if target.sign else "test" if test else item.kind
        if target.sign and item.kind != "sign":
            specific = m.lex.result.by_kind.get("sign")
            if specific is not None:
                return specific
            if target.item in m.lex.result.by_item and m.lex.result.by_item[target.item].status != "normal":
                return m.lex.result.by_item[target.item]
            return m.lex.result.any
        found = m.lex.result.reading(target.item, kind, as_test=test)
        if found is not None and found.status == "abnormal" and self._only_place(target):
            return m.lex.result.by_item.get(target.item) or m.lex.result.by_kind.get(kind)
        return found

    @staticmethod
    def _only_place(target: Target) -> bool:
        """ "lumbar spine", "temporal arteries": the place alone was named, so only words of tenderness count."""
        by_place = target.item in ("spinal_tenderness", "temporal_artery")
        return by_place and target.reading is not None and not target.sign

    def grade_suits(self, item: str, m: Mention) -> bool:
        scale = self.items[item].scale
        if item == "cranial_nerves":
            return m.grade is not None and m.grade.hi is not None
        if scale is None or m.grade is None:
            return False
        return place(scale, self.scales[scale], m.grade) is not None

    def _value_suits(self, target: Target, group: Group) -> bool:
        if group.grades:
            return any(self.grade_suits(target.item, m) for m in group.grades)
        if group.results:
            return any(self.reading(target, m) is not None for m in group.results)
        return True

    def suits_topic(self, group: Group) -> bool:
        """The result of the group can be meant for what was named last."""
        topic = self.state.topic or self._bound(group)
        return any(self._value_suits(t, group) for t in topic)

    def _bound(self, group: Group) -> list[Target]:
        """The item an instruction put under way, when it, or the place now said, says exactly what is tested."""
        bound = self.state.bound
        if bound is None:
            return []
        if self.items[bound[0]].sites and bound[1] is None and bound[0] not in WHOLE and not group.places:
            return []
        return [Target(*bound, None, None)]

    def suits_targets(self, group: Group, m: Mention) -> bool:
        return any(self.reading(t, m) is not None for t in group.targets)

    def _placed(self, group: Group, target: Target) -> tuple[Placed | None, bool]:
        """The grade of the group on this target's scale; True when it lies outside that scale."""
        if target.item == "cranial_nerves":
            for m in group.grades:
                if m.grade is not None and m.grade.unit == "nerves":
                    return Placed(f"{m.grade.n}-{m.grade.hi}" if m.grade.hi else str(m.grade.n)), False
            return None, False
        scale = self.items[target.item].scale
        if scale is None and target.item in _STRENGTH:
            for m in group.grades:
                if m.grade is not None and m.grade.den == 5:
                    return Placed(None, m.grade.n == 5 and not m.grade.sign), False
        if scale is None:
            return None, bool(
                group.grades and not group.results and not target.sign and group.neg is None and group.notex is None
            )
        for m in group.grades:
            assert m.grade is not None
            found = place(scale, self.scales[scale], m.grade)
            if found is None:
                continue
            if found.bounds is not None:
                start, end = self._span(m)
                self.state.out_of_scale.append((target.item, target.site, found.bounds, group.side or "", start, end))
                self._mark([m])
                return None, True
            return found, False
        return None, False

    def compatible(self, targets: list[Target], group: Group, m: Mention) -> bool:
        """The new result word says the same status as those before it, for some target."""
        for target in targets:
            new = self.reading(target, m)
            if new is None:
                continue
            if new.soft or (m.lex is not None and m.lex.text.startswith("with ")):
                return True
            if not self.items[target.item].sided and group.results and not group.sided:
                return True
            if group.grades and not group.results:
                placed = self._placed(group, target)[0]
                return not (placed is not None and placed.normal is False and new.status == "normal")
            olds = [self.reading(target, r) for r in group.results]
            if all(old is None or old.status == new.status or old.soft for old in olds):
                return True
        return False

    def _span(self, m: Mention) -> tuple[int, int]:
        """Character offsets of a mention in the transcript."""
        return self.state.starts[m.i], self.state.ends[m.j - 1]

    def _mark(self, mentions: list[Mention]) -> None:
        for m in mentions:
            m.used = True
            for t in range(m.i, m.j):
                self.state.classes[t] = FINDING
