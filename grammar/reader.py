"""Mentions -> groups: the walk from left to right that joins items, sides, places and results.

The reader fills one group at a time. A new item, or a second result or side, closes the group; what was said after
the result and before the next item is either a further result for the same item ("..., absent on the left") or the
beginning of the next ("left biceps ..."). The rules that decide are the methods below, one per kind of word.
"""

from __future__ import annotations

import copy

from grammar.drafts import SENSORY, Group, Place, Target
from grammar.emit import Emitter
from grammar.lexicon import ItemPhrase, ItemReading, Lexeme, ResultPhrase, SitePhrase, SiteReading
from grammar.mentions import COLON, COMMA, GCS, GRADE, MARK, PHRASE, STOP, UNKNOWN, Mention
from grammar.pipeline import Pipeline
from grammar.state import COMMAND, CONTEXT, FINDING, INSTRUCTION, State
from grammar.talk import context_scopes

_AFTER_NO = frozenset(("a", "an", "any", "the", "of", "to", "other", "his", "her", "more", "new", "real", "for", "in",
                       "there", "is", "are", "was", "be", "have", "has", "further", "seen", "see", "either", "on", ",",
                       "it", "in", "at", "over", "their", "its"))
_REVEALS = frozenset(("reveals", "revealed", "shows", "showed", "demonstrates", "demonstrated", "showing",
                      "revealing", "demonstrating", "characterized", "characterised"))
_FAULTS = frozenset(("abnormality", "abnormalities", "deficit", "deficits", "disturbance", "dysfunction",
                     "impairment", "difficulty", "difficulties"))
_BINDING = frozenset(("in", "at", "of", "over", "to", "from", "on", "both", "the", "his", "her", "no", "and"))
_JOINTS = (("knee",), ("ankle",))
_PREPOSITIONS = ("on ", "in ", "at ", "of ", "over ", "to ", "for ")
# Words that are praise as often as they are a result; they are a result only beside an item that waits for one.
_PRAISE = frozenset(("good", "well", "fine", "grand", "lovely", "excellent", "perfect", "brilliant", "okay", "ok",
                     "great", "smooth", "clear", "no problem", "easily"))
# Functions whose missing is said with "no": "no ankle jerks".
_LOST_BY_NO = SENSORY | {"reflex", "power", "gag_reflex", "corneal_reflex", "hearing", "arm_swing", "smell",
                         "blink_to_threat", "facial_sensation"}
_FAMILIES = {
    "power": {"power"},
    "reflex": {"reflex", "plantar", "clonus", "hoffmann", "power"},
    "sensation": SENSORY | {"fingertip_touch", "extinction", "sensory_level", "cortical_sensation"},
    "coordination": {"finger_nose", "heel_shin", "rapid_alternating_movements", "fine_finger_movements",
                     "intention_tremor", "coordination", "gait", "tandem_gait", "romberg"},
    "tone": {"supinator_catch", "cogwheel_rigidity", "clonus", "tone"},
    "muscle_bulk": {"muscle_bulk", "fasciculations"},
    "gait": {"tandem_gait", "toe_walk", "heel_walk", "hop", "romberg", "arm_swing", "stance", "gait",
             "postural_stability", "rise_from_chair"},
}


class Reader:
    """Reads the mentions of one utterance into the state."""

    def __init__(self, pipe: Pipeline, state: State) -> None:
        self.pipe = pipe
        self.items = pipe.catalogue.items
        self.state = state
        self.tokens = state.tokens
        self.classes = state.classes
        self.emitter = Emitter(pipe, state)
        self.group = Group()
        self.ms: list[Mention] = []
        self.instructed = False
        self.repair: str | None = None
        self.place_side: tuple[str, Mention] | None = None
        self.skip_to = 0
        self.modal: Group | None = None
        self.patient_line = False
        self.colon_after: Group | None = None
        self.excepted = False
        self.heading_side: str | None = None
        self.reasoning = False

    # ---- looking ahead -------------------------------------------------------------------------------------

    def lex(self, k: int) -> Lexeme | None:
        return self.ms[k].lex if 0 <= k < len(self.ms) else None

    def item_at(self, k: int) -> ItemReading | None:
        """The item reading of the phrase at k, or None when its neighbours make it something else."""
        lex = self.lex(k)
        if 0 <= k < len(self.ms) and self.ms[k].kind == GRADE:
            site = self._myotomes(k)
            return ItemReading(ItemPhrase(item="power", site=site), "many", False, {}) if site else None
        if lex is not None and lex.item is None and lex.site is not None and lex.site.areas in _JOINTS:
            if not self.joint_reflex(k):
                return None
            row = ItemPhrase(item="reflex", site=lex.site.areas[0])
            return ItemReading(row, lex.site.number, False, {})
        if lex is None or lex.item is None:
            return None
        if lex.alt_item is not None:
            for reading in (lex.item, lex.alt_item):
                if self._need_met(reading.needs, k):
                    return reading
            return None
        return lex.item if self.is_item(k) else None

    def _need_met(self, need: str | None, k: int) -> bool:
        if need == "plantar":
            return self.plantar_near(k)
        if need == "modality":
            return self.modality_near(k)
        return need != "standing" or self.standing_near(k)

    def _myotomes(self, k: int) -> str | None:
        """"C5 to T1 full" is the power of the arm, "L2 to S1" of the leg, unless sensation is the talk."""
        grade = self.ms[k].grade
        if grade is None or grade.level is None or grade.level_to is None or self.sensory_topic():
            return None
        return "arm" if grade.level[0] == "C" else "leg"

    def _station_word(self, k: int) -> bool:
        """"face visual fields full", "arms no drift": a bare part of the body that only steers."""
        m = self.ms[k]
        if m.i > 0 and self.tokens[m.i - 1].lower() in _BINDING:
            return False
        if k and self.group.mentions and (self.group.places or not self.group.complete):
            return False
        before = self.lex(k - 1)
        if before is not None and (before.side or before.joins or before.neg):
            return False
        if k + 1 >= len(self.ms):
            return k == 0
        lex = self.lex(k + 1)
        if lex is None:
            return False
        return bool(lex.item is not None and lex.result is None and not lex.item.sign) or bool(
            lex.neg and lex.result is None) or bool(lex.instruction and not lex.side)

    def joint_reflex(self, k: int) -> bool:
        """"knees two plus", "ankles brisk": the joint names its jerk where reflexes are the talk."""
        before = k
        while before > 0 and (lex := self.lex(before - 1)) is not None and lex.side and self.ms[before - 1].j == \
                self.ms[before].i:
            before -= 1
        first = self.ms[before].i
        lead = [word.lower() for word in self.tokens[max(0, first - 2) : self.ms[k].i]]
        if any(word in ("in", "at", "of", "over", "to", "from") for word in lead):
            return False
        talk = any(t.item == "reflex" or (t.reading is not None and t.reading.alt is not None)
                   for t in self.group.targets) or self.state.heading == "reflex" or any(
            d.item in ("reflex", "plantar") for d in self.state.drafts[-2:])
        k += 1
        while k < len(self.ms):
            lex = self.lex(k)
            grade = self.ms[k].grade
            if grade is not None:
                if grade.den == 5 or grade.sign == "-" or grade.n > 4 or grade.unit or grade.level:
                    return False
                return talk or grade.trace or grade.sign == "+" or grade.den is not None
            if lex is not None and lex.result is not None and lex.result.any is not None and lex.result.any.soft:
                k += 1
                continue
            if lex is not None and lex.result is not None and not lex.side:
                return "reflex" in lex.result.by_item and (talk or lex.text in ("brisk", "very brisk", "brisker"))
            if not (self.ms[k].kind == COMMA or (lex is not None and (
                    lex.side or lex.joins or lex.severity or (lex.site is not None and lex.item is None)))):
                return False
            k += 1
        return False

    def is_item(self, k: int) -> bool:
        lex = self.lex(k)
        if self.ms[k].kind == GRADE if 0 <= k < len(self.ms) else False:
            return self._myotomes(k) is not None
        if lex is not None and lex.item is None and lex.site is not None and lex.site.areas in _JOINTS:
            return self.joint_reflex(k)
        if lex is None or lex.item is None:
            return False
        if lex.alt_item is not None:
            return self._need_met(lex.item.needs, k) or self._need_met(lex.alt_item.needs, k)
        need = lex.item.needs
        if need in ("plantar", "standing", "modality"):
            return self._need_met(need, k)
        if lex.text == "face" and self._station_word(k):
            return False
        if lex.text == "face" and self.reads_as(k, "facial_power"):
            return True
        if need == "neck":
            return self.reads_as(k, "neck_stiffness")
        if lex.site is not None and lex.site.needs is None and lex.result is None and lex.item.needs is None:
            return not (self.sensory_topic() and lex.site.areas[0] in self.pipe.catalogue.areas) or not self.group.targets
        if lex.site is not None and lex.site.needs == "sensation":
            return not self.sensory_topic()
        if lex.site is not None and lex.site.needs == "bulk":
            return not any(t.item in ("muscle_bulk", "fasciculations") for t in self.group.targets or self.state.topic)
        return True

    def is_site(self, k: int) -> bool:
        lex = self.lex(k)
        return lex is not None and lex.site is not None and not self.is_item(k)

    def sensory_topic(self) -> bool:
        targets = self.group.targets or self.state.topic
        return any(t.item in SENSORY or t.item in ("facial_sensation", "extinction") for t in targets)

    def standing_near(self, k: int) -> bool:
        near = {"toe_walk", "heel_walk", "tandem_gait", "hop"}
        for step in (-1, 1):
            other = k + step
            while 0 <= other < len(self.ms) and abs(other - k) < 6:
                lex = self.lex(other)
                if lex is not None and lex.item is not None:
                    if lex.item.targets[0][0] in near and lex.item.needs is None:
                        return True
                    if lex.item.needs != "standing" and lex.alt_item is None:
                        break
                elif not (self.ms[other].kind == COMMA or (lex is not None and lex.joins)):
                    break
                other += step
        return False

    def modality_near(self, k: int) -> bool:
        """"pain" is a modality only in a list of modalities."""
        for step in (-1, 1):
            other = k + step
            while 0 <= other < len(self.ms) and (self.ms[other].kind in (COMMA, MARK) or (
                    self.lex(other) is not None and self.lex(other).joins)):  # type: ignore[union-attr]
                other += step
            lex = self.lex(other)
            if abs(other - k) > 1 and lex is not None and lex.item is not None and lex.item.needs is None \
                    and lex.item.targets[0][0] in SENSORY:
                return True
        return False

    def plantar_near(self, k: int) -> bool:
        """"toes" are the plantar response when up or down is said of them."""
        for step in (1, -1):
            other = k + step
            for _ in range(4):
                lex = self.lex(other)
                if lex is None:
                    break
                if lex.result is not None and "plantar" in lex.result.by_item:
                    row = lex.result.by_item["plantar"]
                    if step == -1:
                        return row.descriptor in ("flexor", "extensor") and lex.result.any is None
                    return lex.text not in ("absent", "no response", "positive", "present", "negative")
                if lex.result is not None or lex.item is not None or lex.instruction is not None:
                    break
                if not (lex.side or lex.severity or lex.joins or lex.hedge or lex.site):
                    break
                other += step
        return False

    def reads_as(self, k: int, item: str) -> bool:
        """The next result names this item in particular."""
        other = k + 1
        if other < len(self.ms) and self.ms[other].kind == COLON:
            other += 1
        lex = self.lex(other)
        while lex is not None and (lex.severity or lex.hedge or (lex.neg and not lex.result)):
            other += 1
            lex = self.lex(other)
        return lex is not None and lex.result is not None and (item in lex.result.by_item or self._notex(lex))

    def next_is_item(self, k: int) -> bool:
        """An item follows with nothing but severities between."""
        k += 1
        while (lex := self.lex(k)) is not None and (lex.severity or (lex.hedge and not lex.result)) and not lex.item:
            k += 1
        return k < len(self.ms) and self.ms[k].kind == PHRASE and self.is_item(k)

    def result_of(self, k: int) -> bool:
        m = self.ms[k] if k < len(self.ms) else None
        if m is None:
            return False
        if m.kind == GRADE:
            return True
        return m.lex is not None and m.lex.result is not None and not self.is_item(k)

    def own_result(self, k: int, depth: int = 0) -> bool:
        """The item at k has a result of its own behind it (not one that belongs to the item after)."""
        joined = False
        k += 1
        limit = min(len(self.ms), k + 14)
        while k < limit:
            m = self.ms[k]
            lex = m.lex
            if m.kind == STOP or m.kind == UNKNOWN and depth:
                return False
            if m.kind == GRADE:
                return not self._item_after_in(k)
            if lex is not None:
                if lex.instruction is not None and lex.item is None and not lex.result:
                    return False
                if self.is_item(k):
                    if not joined:
                        return False
                    joined = False
                elif lex.text in _PRAISE and self.instructed:
                    pass
                elif lex.result is not None or lex.ditto:
                    if lex.result is not None and self._notex(lex):
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
                elif lex.but or lex.except_ or lex.context:
                    return False
            elif m.kind == COMMA:
                joined = True
            k += 1
        return False

    def _item_after_in(self, k: int) -> bool:
        """The value at k belongs to an item behind it: "three by five in both knee extensors"."""
        nxt = k + 1
        while (lex := self.lex(nxt)) is not None and lex.side and not self.is_item(nxt):
            nxt += 1
        return nxt < len(self.ms) and self.is_item(nxt) and self._word_before(nxt) in ("in", "of", "at", "for")

    @staticmethod
    def _notex(lex: Lexeme) -> bool:
        return lex.result is not None and lex.result.any is not None and lex.result.any.status == "not_examined"

    # ---- the walk ------------------------------------------------------------------------------------------

    def read(self, ms: list[Mention]) -> None:
        """Read one sentence (the mentions up to a full stop)."""
        self.ms = ms
        self.instructed = False
        self.repair = None
        if len(ms) == 2 and ms[0].lex is not None and ms[0].lex.joins and ms[1].lex is not None \
                and ms[1].lex.side in ("right", "left"):
            self.group.ditto = ms[0]
            self.group.mentions.append(ms[0])
        self.excepted = self.emitter.doubtful = False
        self.heading_side = self._opening_side() or self.state.head_side
        self.colon_after = None
        self.reasoning = False
        if self.state.pending is not None:
            self.group = self.state.pending
            self.state.pending = None
        k = 0
        self.skip_to = 0
        while k < len(ms):
            k = max(self.step(k), self.skip_to)
        if len(ms) <= 3 and (self._limb_heading(line=True) or self._column_heading()):
            return
        self.close()

    def _column_heading(self) -> bool:
        """A line "R   L" heads two columns."""
        sides = [m.lex.side for m in self.ms if m.lex is not None and m.lex.side]
        if sides not in (["right", "left"], ["left", "right"]) or len(self.ms) != 2:
            return False
        self.state.pair_order = (sides[0], sides[1])
        for m in self.ms:
            self.take(m, COMMAND)
        self.group = Group()
        return True

    def sentence(self, ms: list[Mention], mark: str, end: int) -> None:
        """Read one sentence: set its talk aside, then read the rest. `end` is the token index where it ends."""
        self.ms = ms
        self.emitter.known = frozenset(t for m in ms if m.kind != UNKNOWN for t in range(m.i, m.j))
        if self.patient_line:
            for t in range(ms[0].i, end):
                self.classes[t] = CONTEXT
            return
        self.state.sentence_from = len(self.state.drafts)
        if mark == "?" or self._whole_control(ms):
            if mark == "?":
                self._question(ms, end)
        else:
            first = 0
            for low, high in context_scopes(ms, self.tokens, self.is_item, self.own_result):
                while low > first and ms[low - 1].kind == UNKNOWN:
                    low -= 1
                self.read(ms[first:low])
                self._set_aside(ms, low, high, end)
                first = high
                self.ms = ms
            self.read(ms[first:])
        self.emitter.gcs_total()
        if mark in (".", "!", "?"):
            self._full_stop()

    def _set_aside(self, ms: list[Mention], low: int, high: int, end: int) -> None:
        start = ms[low].i
        floor = ms[low - 1].j if low else 0
        while start > floor and not self.state.classes[start - 1] and self.tokens[start - 1].isalpha():
            start -= 1
        stop = ms[high].i if high < len(ms) else end
        for t in range(start, stop):
            self.classes[t] = CONTEXT

    def _question(self, ms: list[Mention], end: int) -> None:
        for t in range(ms[0].i, end):
            self.classes[t] = INSTRUCTION
        for m in ms:
            if m.lex is not None and m.lex.instruction:
                self.state.asked.setdefault(m.lex.instruction, len(self.state.drafts))

    def _full_stop(self) -> None:
        """A full stop ends what is carried; an item that still waits is the topic, no more."""
        if not self.state.head_line:
            self.state.head_region = self.state.head_side = None
        self.state.prior_side = None
        self.state.pending = None

    def line_end(self) -> None:
        """The end of an utterance or line: a carried side ends; an item may wait for the next one."""
        self.state.prior_side = None
        self.patient_line = False
        if not self.state.head_line:
            self.state.head_region = self.state.head_side = None

    def _whole_control(self, ms: list[Mention]) -> bool:
        """A spoken command is the whole utterance: "pause listening", "what is missing", "add the memory piece"."""
        lex = ms[0].lex
        if lex is None or lex.control not in ("pause", "resume", "missing", "end", "addon"):
            return False
        rest = [m for m in ms[1:] if m.kind not in (COMMA, MARK)]
        value = None
        if lex.control == "addon":
            named = rest[0].lex if rest else None
            if named is None or named.complaints is None:
                return False
            value = named.complaints
            if value not in self.state.complaints:
                self.state.complaints.append(value)
            rest = [m for m in rest[1:] if m.kind != UNKNOWN]
        if rest:
            return False
        self._control(lex.control, value, ms)
        return True

    def _control(self, kind: str, value: str | None, ms: list[Mention]) -> None:
        start, end = self.state.starts[ms[0].i], self.state.ends[ms[-1].j - 1]
        self.state.controls.append((kind, value, start, end))
        for m in ms:
            self.take(m, COMMAND)

    def on_withdraw(self, k: int) -> int:
        """"withdraw that", "withdraw the last two", "withdraw right knee jerk"."""
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        self.close()
        drafts = self.state.drafts
        if lex.control == "withdraw_named":
            end = k + 1
            while end < len(self.ms) and (other := self.lex(end)) is not None and (
                    other.side or other.site is not None or other.item is not None) and end < k + 4:
                end += 1
            self._withdraw_named(self.ms[k + 1 : end])
            self._control("withdraw", None, self.ms[k:end])
            return end
        count = 1
        if lex.control == "withdraw_many":
            count = next((int(w) for w in lex.key or () if w.isdecimal()), 1)
        self.emitter.retract(drafts[-count:])
        self.state.last_group = self.state.last_rows = []
        self._control("withdraw", str(count), [m])
        return k + 1

    def _withdraw_named(self, ms: list[Mention]) -> None:
        side = next((m.lex.side for m in ms if m.lex is not None and m.lex.side in ("right", "left", "both")), None)
        targets: set[tuple[str, str | None]] = set()
        for m in ms:
            if m.lex is not None and m.lex.item is not None:
                targets.update(m.lex.item.targets)
                if m.lex.item.alt is not None:
                    targets.add(m.lex.item.alt)
        for row in reversed(self.state.drafts):
            if (row.item, row.site) not in targets and (row.item, None) not in targets:
                continue
            if side is None or row.side in (side, "unstated"):
                self.emitter.retract([row])
                return
            if row.side == "both":
                kept = row.copy()
                kept.side = "left" if side == "right" else "right"
                at = self.state.drafts.index(row)
                row.side = side
                self.emitter.retract([row])
                self.state.drafts.insert(at, kept)
                return

    def _opening_side(self) -> str | None:
        """A sentence that opens with "on the left" and goes on with an item has that side as its heading."""
        lex = self.lex(0)
        if lex is None or lex.side not in ("right", "left"):
            return None
        marked = len(self.ms) > 1 and self.ms[1].kind in (COMMA, COLON)
        if not marked and not lex.text.startswith(_PREPOSITIONS):
            return None
        return lex.side if self.is_item(2 if marked else 1) else None

    def step(self, k: int) -> int:
        m = self.ms[k]
        if self.reasoning:
            end = self.reason(k)
            if end > k:
                return end
        if m.kind == COMMA:
            self._limb_heading()
        elif m.kind == GRADE and self.is_item(k):
            self.on_item(k)
        elif m.kind == GRADE:
            self.on_grade(k)
        elif m.kind == GCS:
            self.emitter.gcs(m)
        elif m.kind == COLON:
            self.on_colon()
        elif m.kind == PHRASE:
            return self.on_phrase(k)
        elif m.kind == UNKNOWN and self.instructed:
            self.take(m, INSTRUCTION)
        elif m.kind == UNKNOWN:
            self.on_unknown(k)
        return k + 1

    def take(self, m: Mention, kind: int) -> None:
        for t in range(m.i, m.j):
            self.classes[t] = kind
        m.used = True

    def on_phrase(self, k: int) -> int:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        if lex.pair_order and self._is_pair_order(k):
            self.state.pair_order = lex.pair_order
            self.take(m, COMMAND)
            return k + 1
        if lex.complaint_cue and self.on_complaint(k):
            end = k + 1
            while end < len(self.ms) and self.ms[end].used:
                end += 1
            return end
        if lex.control and lex.control.startswith("withdraw"):
            return self.on_withdraw(k)
        if lex.repair and self.on_repair(k):
            return k + 1
        if lex.instruction is not None and self.on_instruction(k):
            return k + 1
        if lex.question and not self.is_item(k):
            self.close()
            self.take(m, INSTRUCTION)
            self.instructed = True
            return k + 1
        if self.is_item(k) and not self._result_here(k):
            self.on_item(k)
        elif lex.station or lex.heading:
            self.on_station(k)
        elif lex.site is not None and lex.result is not None and self.group.targets and any(
                t.item in lex.result.by_item for t in self.group.targets):
            self.on_result(k)
        elif lex.site is not None and not (lex.result is not None and self.group.targets and not lex.site.areas):
            self.on_site(k)
        elif lex.text == "neither":
            self.on_side(k)
            self.group.neg = m
        elif lex.compare in ("right", "left"):
            self.on_compare(k)
        elif lex.side:
            self.on_side(k)
        elif lex.neg and not (lex.result is not None and not self.next_is_item(k)):
            self.on_neg(k)
        elif lex.result is not None and not (lex.hedge and not self._result_fits(m)):
            self.on_result(k)
        else:
            self.on_small(k)
        return k + 1

    def _result_fits(self, m: Mention) -> bool:
        targets = self.group.targets or self.state.topic
        return any(self.emitter.reading(t, m) is not None for t in targets)

    def _result_here(self, k: int) -> bool:
        """A phrase that is both an item and a result is a result for the item that waits for one."""
        lex = self.lex(k)
        if lex is None or lex.result is None:
            return False
        waiting = [t.item for t in self.group.targets]
        if not waiting and self.group.mentions:
            waiting = [t.item for t in self.state.topic]
        if lex.item is not None and lex.item.status == "normal" and lex.item.targets[0][0] == "consciousness":
            return "consciousness" in waiting
        if self.next_is_item(k) and not self.group.targets:
            nxt = k + 1
            while not self.is_item(nxt):
                nxt += 1
            reading = self.item_at(nxt)
            if reading is not None and any(item in lex.result.by_item for item, _ in reading.targets):
                return True
        return any(item in lex.result.by_item for item in waiting) and not self.group.neg

    # ---- words that steer ----------------------------------------------------------------------------------

    def _is_pair_order(self, k: int) -> bool:
        before = self.ms[k - 1] if k else None
        after = self.ms[k + 1] if k + 1 < len(self.ms) else None
        return bool(
            (before is not None and before.mark in ("(", "["))
            or (after is not None and (after.kind == COLON or after.mark in (")", "]")))
        )

    def on_complaint(self, k: int) -> bool:
        other = k + 1
        while other < len(self.ms) and (self.ms[other].kind in (COLON, COMMA, MARK) or (
            self.ms[other].kind == UNKNOWN) or (
            self.lex(other) is not None and self.lex(other).complaints is None  # type: ignore[union-attr]
            and (self.lex(other).side or self.lex(other).severity or self.lex(other).joins  # type: ignore[union-attr]
                 or self.lex(other).context))  # type: ignore[union-attr]
        ) and other < k + 6:
            other += 1
        lex = self.lex(other)
        if lex is None or lex.complaints is None:
            return False
        self.close()
        while lex is not None and lex.complaints is not None:
            if lex.complaints not in self.state.complaints:
                self.state.complaints.append(lex.complaints)
            for index in range(k, other + 1):
                self.take(self.ms[index], COMMAND)
            follow = other + 1
            joined = self.lex(follow)
            if joined is not None and joined.joins and self.lex(follow + 1) is not None:
                follow += 1
            lex = self.lex(follow) if follow != other + 1 else None
            k, other = other + 1, follow
        return True

    def on_station(self, k: int) -> None:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        self.close()
        self.take(m, COMMAND)
        if lex.heading:
            self.state.heading = lex.heading
            self.state.topic = [Target(lex.heading, None, None, None)]
        else:
            self._steer(lex.station or "")
        self.state.topic_sites = []
        self.state.bound = None
        self.state.prior_side = None
        self.state.pair_order = None

    def _steer(self, station: str) -> None:
        self.state.station = "couch" if station == "legs" else station
        self.state.region = {"arms": "arm", "legs": "leg"}.get(station)
        self.state.heading = None
        self.state.topic = []

    def on_colon(self) -> None:
        """"On the left: ..." and "Right arm: ..." are headings; "Plantars: ..." keeps its item waiting."""
        if self._limb_heading():
            return
        if self.group.side and not self.group.targets and not self.group.valued:
            self.heading_side = self.group.side
            self.group = Group()
        elif self.group.targets and not self.group.complete:
            self.colon_after = self.group

    def _limb_heading(self, line: bool = False) -> bool:
        """A limb alone before a colon, a comma or the end of its line heads what follows."""
        group = self.group
        if group.targets or group.valued or not group.places or group.neg is not None:
            return False
        areas = {area for p in group.places for area in p.reading.areas}
        if len(areas) != 1 or not areas <= {"arm", "leg"}:
            return False
        self.state.head_region = areas.pop()
        self.state.head_side = next((p.side for p in group.places if p.side), group.side)
        self.state.head_line = line
        self.heading_side = self.state.head_side
        for m in group.mentions:
            self.take(m, COMMAND)
        self.group = Group()
        return True

    def on_small(self, k: int) -> None:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        if lex.except_:
            self.close(keep_prefix=False)
            self.excepted = True
        elif lex.but:
            self.close(keep_prefix=False)
            self.instructed = self.emitter.doubtful = False
        elif lex.rest:
            if self.group.complete and self.group.valued:
                self.close()
            self.group.rest = True
            self.group.mentions.append(m)
        elif lex.ditto:
            if self.group.valued:
                self.close()
            self.group.ditto = m
            self.group.mentions.append(m)
        elif lex.severity:
            if self.group.valued and self._prefix_follows(k):
                self.close()
            elif self.group.complete and self.group.sided and self._side_at(k + 1):
                self.close()
            self.group.sevs.append(m)
            self.group.mentions.append(m)
        elif lex.hedge:
            self.on_hedge(k)
        elif lex.praise or lex.context:
            self.take(m, INSTRUCTION if lex.praise else CONTEXT)
        elif lex.joins and self.repair not in (None, "open") and not self.group.blank and not self.group.valued:
            self.close()
        elif lex.because and self.group.notex is not None:
            self.reasoning = True
            self.reason(k)
        elif lex.because:
            self._cause(k)

    def _cause(self, k: int) -> None:
        """"slow, secondary to weakness": a cause that is named is no finding of its own."""
        self.take(self.ms[k], CONTEXT)
        other = k + 1
        while other < len(self.ms) and self.ms[other].kind != COMMA and not (
                self.is_item(other) and self.own_result(other)):
            lex = self.lex(other)
            if lex is not None and (lex.instruction or lex.but or lex.neg or lex.station):
                break
            self.take(self.ms[other], CONTEXT)
            other += 1
        self.skip_to = other

    def _prefix_follows(self, k: int) -> bool:
        nxt = k + 1
        lex = self.lex(nxt)
        while lex is not None and (lex.side or lex.severity or lex.result is not None) and not self.is_item(nxt):
            nxt += 1
            lex = self.lex(nxt)
        return lex is not None and self.is_item(nxt)

    def on_hedge(self, k: int) -> None:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        if lex.hedge == "weak":
            return
        if self.group.complete and (self._prefix_follows(k) or (self.group.valued and self.group.sided)):
            self.close()
        elif self.group.complete and not self.group.valued and self._second_of_sign(k):
            self.close()
        self.group.hedge = m
        self.group.mentions.append(m)

    def on_compare(self, k: int) -> None:
        m = self.ms[k]
        assert m.lex is not None
        self.group.compare = m.lex.compare
        self.group.mentions.append(m)

    def on_unknown(self, k: int) -> None:
        """Unknown words between a prefix and its item cut them apart ("no head deviation, ...")."""
        group = self.group
        if group.targets or group.valued or group.places or group.neg is not None or group.side is not None:
            return
        if group.mentions:
            self.group = Group()

    # ---- repair --------------------------------------------------------------------------------------------

    def on_repair(self, k: int) -> bool:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        if self.repair not in (None, "open") and not self.group.blank:
            self.close()
        follow = k + 1
        while follow < len(self.ms) and self.ms[follow].kind in (COMMA, MARK):
            follow += 1
        nxt = self.lex(follow)
        if lex.repair == "soft" and (nxt is None and not self._value_at(follow)):
            return False
        if m.j < len(self.tokens) and self.tokens[m.j].lower() in ("about", "for", "to", "i", "did", "that", "if"):
            return False
        if nxt is not None and (nxt.joins or nxt.instruction is not None and nxt.item is None and not nxt.result):
            self.take(m, FINDING if self.state.last_group else COMMAND)
            return True
        self._start_repair(m, lex.repair or "strong")
        return True

    def _value_at(self, k: int) -> bool:
        return k < len(self.ms) and self.ms[k].kind == GRADE

    def _start_repair(self, m: Mention, strength: str) -> None:
        """What is said next replaces the part of the last finding that it fits."""
        self.take(m, FINDING)
        if self.group.complete:
            self.close(keep_prefix=False)
            self.repair = strength
        elif self.group.blank:
            self.repair = strength if self.state.last_group else None
        else:
            self.repair = "open"

    def finish_repair(self) -> None:
        """The group just read replaces part or all of the finding before it."""
        group, old = self.group, self.state.last_group
        strength, self.repair = self.repair, None
        if not old or strength == "open":
            self.flush_plain()
            return
        if group.targets and not group.valued and group.neg is None and not self.state.bound:
            self.emitter.replace_item(group, old)
            self.group = Group()
        elif not group.targets and not group.valued and group.hedge is None:
            self.emitter.replace_side(group, old)
            self.group = Group()
        else:
            self._replace_whole(group, old, strength or "soft")

    def _replace_whole(self, group: Group, old: list, strength: str) -> None:
        named = {(t.item, t.site) for t in group.targets}
        sides = {group.side, "both", "unstated"} if group.side else {"right", "left", "both", "unstated", "none"}
        earlier = [d for d in self.state.drafts[-60:] if d.slot in named and d.side in sides]
        if strength != "soft" and earlier:
            self.emitter.retract(earlier)
            self.flush_plain()
            return
        same = not group.targets or any(
            t.item == d.item and t.site in (d.site, None) for t in group.targets for d in old)
        stations = {self.items[d.item].station for d in old}
        family = not group.targets or any(self.items[t.item].station in stations for t in group.targets)
        if not (same or (family and strength != "soft")):
            self.flush_plain()
            return
        sided = group.sided
        if not sided and not group.targets:
            self.emitter.replace_result(group, old)
            self.group = Group()
            return
        self.emitter.retract(old)
        self.flush_plain()

    # ---- instructions --------------------------------------------------------------------------------------

    def on_instruction(self, k: int) -> bool:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        long_enough = len(lex.text.split()) > 1
        if self.is_item(k) and (self.own_result(k) or self.group.neg is not None or not long_enough
                                or self._prefix_of(k)):
            return False
        if lex.result is not None and self.group.targets and not self.group.valued:
            return False
        if (lex.joins or lex.site or lex.side) and not long_enough:
            return False
        self.close()
        self.take(m, INSTRUCTION)
        self.instructed = True
        self.heading_side = None
        self.state.prior_side = None
        if lex.instruction:
            self.state.asked.setdefault(lex.instruction, len(self.state.drafts))
            if not lex.weak_ask:
                self.state.bound = lex.instruction
            self.state.topic = []
            self.state.topic_sites = []
        return True

    def _prefix_of(self, k: int) -> bool:
        return bool(self.group.results or self.group.hedge) and not self.group.targets

    def skip_instruction(self, k: int) -> bool:
        """Inside an instruction, places and sides belong to it unless a result or an item follows them."""
        if not self.instructed:
            return False
        self.take(self.ms[k], INSTRUCTION)
        return True

    # ---- items and places ----------------------------------------------------------------------------------

    def on_item(self, k: int) -> None:
        m = self.ms[k]
        reading = self.item_at(k)
        assert reading is not None
        if self.repair not in (None, "open") and self.group.sided and not self.group.targets and self._joined_or_comma(k):
            self.close()
        if self._absorbed(k, reading) or self._modality(k, reading):
            self.group.mentions.append(m)
            return
        group = self.group
        reading = self._faulty(m, reading)
        targets = [Target(item, site, reading, m) for item, site in reading.targets]
        if self._weakness_of(k, targets):
            sign = group.targets[0].reading
            group.targets = [Target(t.item, t.site, sign, t.mention) for t in targets]
            group.mentions.append(m)
            return
        if self.colon_after is group and group.targets and not group.valued:
            self._head(group)
            group = self.group
        elif group.targets and not self._joins(k, targets):
            self._close_before_item()
            group = self.group
        elif not group.targets and group.mentions and self._ellipsis_done(k):
            self.close()
            group = self.group
        self.instructed = False
        if group.targets and self._heading_over(group, targets):
            group.targets = []
        if group.blank and self.excepted:
            group.exception = True
        group.targets.extend(targets)
        group.mentions.append(m)
        self._enter_station(targets[0])
        if reading.heading and targets[0].site is None:
            self.state.heading = targets[0].item

    def _faulty(self, m: Mention, reading: ItemReading) -> ItemReading:
        """"gaze abnormality", "hearing deficit": a fault word behind an item makes it a sign."""
        if reading.sign or m.j >= len(self.tokens) or self.tokens[m.j].lower() not in _FAULTS:
            return reading
        changed = copy.copy(reading)
        changed.sign = True
        return changed

    def _head(self, group: Group) -> None:
        """Items before a colon, with items behind it, were a heading."""
        self.state.topic = list(group.targets)
        for m in group.mentions:
            if m is not group.side_mention:
                self.take(m, COMMAND)
        kept = Group()
        last = group.targets[-1].mention
        if last is not None:
            self._carry_prefix(group, kept, last.j)
        self.group = kept

    def _close_before_item(self) -> None:
        """Close the group; a side said behind an item that has no result belongs to the item that follows."""
        group = self.group
        kept = Group()
        last = group.targets[-1].mention
        if not group.complete and last is not None:
            self._carry_prefix(group, kept, last.j)
        self.close()
        if kept.mentions:
            self.group = kept

    @staticmethod
    def _carry_prefix(group: Group, kept: Group, after: int) -> None:
        if group.side_mention is not None and group.side_mention.i >= after:
            kept.side, kept.side_mention, kept.side_bare = group.side, group.side_mention, group.side_bare
            kept.side_first = True
            kept.mentions.append(group.side_mention)
            group.mentions.remove(group.side_mention)
            group.side = group.side_mention = None
        for spot in group.places:
            if spot.mention.i >= after:
                kept.places.append(spot)
                kept.mentions.append(spot.mention)
                group.mentions.remove(spot.mention)
        group.places = [spot for spot in group.places if spot.mention.i < after]
        for m in group.sevs:
            if m.i >= after:
                kept.sevs.append(m)
                kept.mentions.append(m)
        group.sevs = [m for m in group.sevs if m.i < after]

    def _modality(self, k: int, reading: ItemReading) -> bool:
        """"Sensation intact to light touch and pinprick": the modalities take the place of the family."""
        group = self.group
        new = reading.targets[0]
        if not group.valued:
            return False
        before = self._word_before(k)
        if self._reflex_place(k, reading, before):
            return True
        if not group.targets:
            return False
        head = group.targets[0]
        words: tuple[str, ...]
        if head.item == new[0] and head.site is None and new[1] is None and before in ("in", "of"):
            return True
        if new[0] == head.item == "power" and head.site is None and head.reading is not None and head.reading.heading:
            fits, words = new[1] is not None, ("in", "of", "for", "at", "with")
        elif head.item == "coordination":
            fits, words = new[0] in ("finger_nose", "heel_shin", "rapid_alternating_movements"), ("for", "on", "to", "in")
        else:
            fits, words = new[0] in SENSORY and new[0] != "sensation" and (
                head.item == "sensation" or self.modal is group), ("to", "for")
        if not fits:
            return False
        first = self.modal is not group and before in words and not self.own_result(k)
        more = self.modal is group and self._joined_or_comma(k) and (not self.own_result(k) or before == "to")
        if not first and not more:
            return False
        targets = [Target(item, site, reading, self.ms[k]) for item, site in reading.targets]
        group.targets = [*(() if first else group.targets), *targets]
        self.modal = group
        return True

    def _word_before(self, k: int) -> str:
        """The word before the phrase at k, past its sides and articles."""
        i = self.ms[k].i
        while k > 0 and (lex := self.lex(k - 1)) is not None and lex.side and self.ms[k - 1].j == i:
            k -= 1
            i = self.ms[k].i
            if lex.text.startswith(_PREPOSITIONS):
                return lex.text.split()[0]
        while i > 0 and self.tokens[i - 1].lower() in ("the", "his", "her", "both", "all"):
            i -= 1
        return self.tokens[i - 1].lower() if i else ""

    def _reflex_place(self, k: int, reading: ItemReading, before: str) -> bool:
        """"Reflexes 2+ at the biceps, triceps, knees and ankles": the jerks are the places of the reflexes."""
        group = self.group
        heads = group.targets or self.state.topic
        if not heads or heads[0].item != "reflex" or heads[0].site is not None:
            return False
        item, site = reading.alt if reading.alt is not None else reading.targets[0]
        if item != "reflex" or site is None or self._own_before_comma(k):
            return False
        if not (before in ("at", "in", "of") or (self.modal is group and self._joined_or_comma(k))):
            return False
        side, mention = None, None
        if group.side_mention is not None and group.mentions[-1] is group.side_mention:
            side, mention = group.side, group.side_mention
        group.places.append(Place(SiteReading(SitePhrase(area=site), "many"), self.ms[k], side, mention))
        self.modal = group
        return True

    def _weakness_of(self, k: int, targets: list[Target]) -> bool:
        """"weakness of left hip flexion", "weakness R grip": the movement is where the weakness is."""
        group = self.group
        if len(group.targets) != 1 or group.valued or group.places:
            return False
        last, new = group.targets[0], targets[0]
        if last.item != "power" or not last.sign or last.site is not None or new.item != "power" or new.sign:
            return False
        return self.ms[k - 1].kind != COMMA and not self._joined(k)

    def _absorbed(self, k: int, reading: ItemReading) -> bool:
        """A test named as the way a sign was seen ("... on finger tapping"), or "strength" behind a muscle."""
        group = self.group
        m = self.ms[k]
        if not group.targets:
            return False
        last = group.targets[-1]
        if reading.heading and last.mention is not None and last.mention.j == m.i and reading.targets[0][1] is None:
            return reading.targets[0][0] == last.item and last.site is not None
        way = m.i > 0 and self.tokens[m.i - 1].lower() in ("on", "during")
        return way and last.sign and group.complete and not reading.sign and not self.own_result(k)

    def _enter_station(self, target: Target) -> None:
        station = self.items[target.item].station
        if target.item == "tone":
            self.state.entered = self.state.station
        if station != "addon" and station != self.state.station:
            if self.state.station is not None:
                self.state.prior_side = None
            self.state.station = station
        if self.state.heading is not None:
            family = _FAMILIES.get(self.state.heading)
            if family is not None and target.item not in family:
                self.state.heading = None

    def _heading_over(self, group: Group, targets: list[Target]) -> bool:
        """"Power: hip flexion ..." or "reflexes, biceps ..." names a family first, then its member."""
        if len(group.targets) != 1 or group.neg is not None:
            return False
        head = group.targets[0]
        new = targets[0]
        if head.item == new.item == "power" and head.site in ("arm", "leg", "limbs") and not self._and_between(head, new):
            return new.site not in ("arm", "leg", "limbs", None)
        if head.reading is None or not head.reading.heading or head.site is not None:
            return False
        if group.mentions and self._and_between(head, targets[0]):
            return False
        if head.item == "cranial_nerves":
            return self.items[new.item].station == "face" or new.item == "fundi"
        if head.item == "general_statement":
            return True
        return new.item in _FAMILIES.get(head.item, ()) and (new.item != head.item or new.site is not None)

    def _and_between(self, first: Target, second: Target) -> bool:
        assert first.mention is not None and second.mention is not None
        low, high = first.mention.j, second.mention.i
        return any(m.i >= low and m.j <= high and (m.mark == "/" or (m.lex is not None and m.lex.joins))
                   for m in self.ms)

    def _joins(self, k: int, targets: list[Target]) -> bool:
        """The new item joins the list of the group."""
        group = self.group
        if group.valued and not self._prefix_list(k, targets[0]):
            return False
        last = group.targets[-1]
        if group.valued:
            return True
        new = targets[0]
        if group.neg is not None or group.hedge is not None:
            if group.side is not None and group.side_mention is not None and last.mention is not None \
                    and group.side_mention.i >= last.mention.j:
                return False
            return (new.sign or self.items[new.item].kind != "function" or (
                new.reading is not None and new.reading.test)) and not self._own_presence(k) and (
                not self.own_result(k) or (new.sign and self._joined_or_comma(k))) and not self._neg_between(last, new)
        if last.reading is not None and last.reading.status is not None:
            return False
        if self._heading_over(group, targets):
            return True
        if group.places and not last.sign and not self._listed(last, new):
            return self.own_result(k)
        if last.sign != new.sign and not self._and_between(last, new):
            return False
        if last.reading is not None and last.reading.heading and last.site is None and not self._listed(last, new):
            return new.reading is not None and new.reading.heading and self.own_result(k)
        if group.side is not None and last.mention is not None and group.side_mention is not None \
                and group.side_mention.i >= last.mention.j and not (self._listed(last, new) and self.own_result(k)):
            return False
        if last.sign and new.sign and (not self._listed(last, new) or group.sided):
            return False
        return True

    def _prefix_list(self, k: int, new: Target) -> bool:
        """"normal strength and sensation", "absent: knee jerks, ankle jerks": one result before a list."""
        group = self.group
        first, last = group.targets[0].mention, group.targets[-1].mention
        if first is None or last is None or group.ditto is not None:
            return False
        values = [*group.results, *group.grades, *([group.notex] if group.notex else ())]
        if any(v.i >= first.i for v in values) or (group.side_mention is not None and group.side_mention.i > last.i):
            return False
        return self._listed(group.targets[-1], new) and not self.own_result(k) and self.ms[k - 1].kind != PHRASE \
            or (self._joined(k) and not self.own_result(k) and self._listed(group.targets[-1], new))

    def _listed(self, first: Target, second: Target) -> bool:
        """Only commas, slashes and "and" stand between them."""
        if first.mention is None or second.mention is None:
            return False
        low, high = first.mention.j, second.mention.i
        seen = False
        for m in self.ms:
            if m.i < low or m.j > high:
                continue
            if m.kind in (COMMA, MARK) or (m.lex is not None and m.lex.joins):
                seen = True
        return seen or low == high

    def _neg_between(self, first: Target, second: Target) -> bool:
        if first.mention is None or second.mention is None:
            return False
        return any(m.i >= first.mention.j and m.j <= second.mention.i and m.lex is not None and m.lex.neg
                   for m in self.ms)

    def _own_presence(self, k: int) -> bool:
        """A sign with its own side behind it ends a negation: "no drift postural tremor on the right"."""
        lex = self.lex(k + 1)
        before = self.ms[k - 1] if k else None
        listed = before is not None and (before.kind == COMMA or (before.lex is not None and before.lex.joins))
        return lex is not None and lex.side in ("right", "left") and not listed

    def _ellipsis_done(self, k: int) -> bool:
        """What was said since the last item is a finding of its own for that item, not the start of this one."""
        group = self.group
        if group.neg is not None or not (group.valued or group.hedge is not None or (
                group.sevs and group.side_mention is not None and not group.side_bare)):
            return False
        if not (self.state.topic or self.state.bound):
            return False
        if self._value_before(k):
            return False
        if group.sided or group.places:
            if not group.valued and group.hedge is None:
                return True
            if not self.emitter.suits_topic(group) or (not group.valued and group.side_bare):
                return False
            return not (group.side_first and self.next_bare(group))
        if group.ditto is not None:
            return not (group.ditto.lex is not None and group.ditto.lex.text.endswith((" for", " with", " is", " are")))
        return self.own_result(k) and self.emitter.suits_topic(group) and not self._praise_only(group)

    def _value_before(self, k: int) -> bool:
        """"4/5 in the left dorsiflexors", "2+ biceps b/l": a value that opens its clause, then its item."""
        group = self.group
        if not group.grades and not group.results:
            return False
        first = min(group.mentions, key=lambda m: m.i)
        at = self.ms.index(first)
        opens = at == 0 or self.ms[at - 1].kind in (COMMA, COLON, STOP) or self.ms[at - 1].mark != "" or bool(
            self.lex(at - 1) is not None and (self.lex(at - 1).joins or self.lex(at - 1).except_))  # type: ignore[union-attr]
        start = self.ms[k].i
        while start > 0 and self.tokens[start - 1].lower() in ("the", "his", "her", "both", "left", "right", "l", "r"):
            start -= 1
        tied = start > 0 and self.tokens[start - 1].lower() in ("in", "of", "at", "for")
        if tied and not self.own_result(k):
            return True
        near = self.ms[k - 2] if self.ms[k - 1].kind == UNKNOWN and k > 1 else self.ms[k - 1]
        return opens and bool(group.grades) and not self._own_before_comma(k) and near in group.mentions

    def _own_before_comma(self, k: int) -> bool:
        """The item at k has its result before the next comma."""
        k += 1
        while k < len(self.ms) and self.ms[k].kind not in (COMMA, STOP) and not self.is_item(k):
            if self.result_of(k):
                return True
            k += 1
        return False

    @staticmethod
    def _praise_only(group: Group) -> bool:
        return all(r.lex is not None and r.lex.text in _PRAISE for r in group.results) and not group.grades

    def next_bare(self, group: Group) -> bool:
        """"on the left normal tone": a side and a result that both stand before their item."""
        return bool(group.results) and not group.grades and self.state.last_group != [] and all(
            row.side in ("both", group.side) for row in self.state.last_group)

    def on_site(self, k: int) -> None:
        m = self.ms[k]
        assert m.lex is not None and m.lex.site is not None
        if self.instructed and not self._used_after_instruction(k):
            self.take(m, INSTRUCTION)
            return
        if m.lex.text in ("arms", "legs", "face", "upper limbs", "lower limbs") and self._station_word(k):
            self.close()
            self.state.head_region = self.state.head_side = None
            self._steer({"arms": "arms", "upper limbs": "arms", "face": "face"}.get(m.lex.text, "legs"))
            self.state.bound = self.state.prior_side = None
            self.take(m, COMMAND)
            return
        group = self.group
        side, side_mention = None, None
        if self.place_side is not None:
            (side, side_mention), self.place_side = self.place_side, None
            group.places.append(Place(m.lex.site, m, side, side_mention))
            group.side = None
            group.mentions.append(m)
            return
        if group.mentions and group.mentions[-1] is group.side_mention and group.side_mention is not None:
            side, side_mention = group.side, group.side_mention
            between = [word.lower() for word in self.tokens[side_mention.j : m.i]]
            if group.valued and not group.side_first and ("in" in between or "at" in between):
                side, side_mention = None, None
        if group.valued and (group.targets or group.places) and (
                self._new_group_at_site(k, group) or self._place_of_next(k, group)):
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
            group.places.append(Place(m.lex.site, m, m.lex.site.side, None))
        group.mentions.append(m)

    @staticmethod
    def _pop_side(group: Group) -> None:
        group.side, group.side_mention = None, None
        group.mentions.pop()

    def _used_after_instruction(self, k: int) -> bool:
        other = k + 1
        while (lex := self.lex(other)) is not None and lex.side:
            other += 1
        return self._value_at(other) or (self.result_of(other) and self.lex(other) is not None
                                         and self.lex(other).text not in _PRAISE)  # type: ignore[union-attr]

    def _new_group_at_site(self, k: int, group: Group) -> bool:
        """A further place with a result of its own begins a new group; otherwise it joins the list of places."""
        last_end = max((p.mention.j for p in group.places), default=0)
        value_end = max(v.j for v in (*group.results, *group.grades, *([group.notex] if group.notex else ()),
                                      *([group.ditto] if group.ditto else ())))
        if self.excepted and not group.exception:
            return True
        lex = self.lex(k)
        if lex is not None and lex.site is not None and lex.site.areas == ("limbs",):
            return False
        if not group.places and not self._set_off(k):
            return False
        other = k + 1
        while other < len(self.ms):
            lex = self.lex(other)
            kind = self.ms[other].kind
            if kind == GRADE:
                return True
            if kind == COMMA or lex is None:
                break
            if lex.result is not None and not self.is_item(other):
                return not self.next_is_item(other) and not self._own_place(other)
            if lex.hedge == "strong":
                return True
            if not (lex.joins or lex.site is not None or lex.side or lex.severity) or self.is_item(other):
                break
            other += 1
        if group.places:
            return last_end < value_end and not self._after_value_only(group, value_end)
        return False

    def _place_of_next(self, k: int, group: Group) -> bool:
        """A place directly before an item is that item's, unless a preposition ties it to what was said."""
        if not self.next_is_item(k):
            return False
        before = k
        while before > 0 and (lex := self.lex(before - 1)) is not None and lex.side:
            before -= 1
        lead = [word.lower() for word in self.tokens[max(0, self.ms[before].i - 2) : self.ms[k].i]]
        if group.places and self._joined(before):
            return False
        own_side = group.side_mention is self.ms[before]
        if before < k and (own_side or not group.sided) and not group.places and (
                self.lex(before) is not None and (self.lex(before).side == "both"  # type: ignore[union-attr]
                                                  or self._postfix_style(before, k + 1))):
            return False
        if group.places and group.sided:
            return True
        return not any(word in ("in", "at", "of", "over", "to", "on") for word in lead)

    def _set_off(self, k: int) -> bool:
        """A comma or "and" stands before the place (and its side)."""
        while k > 0 and (lex := self.lex(k - 1)) is not None and lex.side:
            k -= 1
        before = self.ms[k - 1] if k else None
        return before is not None and (before.kind == COMMA or (before.lex is not None and bool(before.lex.joins)))

    @staticmethod
    def _after_value_only(group: Group, value_end: int) -> bool:
        return all(p.mention.i >= value_end for p in group.places)

    # ---- sides ---------------------------------------------------------------------------------------------

    def on_side(self, k: int) -> None:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        if self.instructed and not self._side_after_instruction(k):
            self.take(m, INSTRUCTION)
            return
        side = self._resolve_side(lex.side) if lex.side else None
        if side is None:
            return
        if self.heading_side is not None and side != self.heading_side:
            self.heading_side = None
        if side in ("right", "left") and self.group.valued:
            self.state.pair_order = None
        group = self.group
        if group.side == "both" and side != "both" and group.side_mention is not None and not group.targets \
                and group.valued and group.side_mention.lex is not None and group.side_mention.lex.text == "both":
            group.side, group.side_mention = side, m
            group.mentions.append(m)
            return
        if self.repair == "open" and group.side is not None and not group.valued:
            group.side, group.side_mention = side, m
            group.mentions.append(m)
            self.repair = None
            return
        if group.places and self.is_site(k + 1) and self._joined_or_comma(k) and not (
                group.valued and self._value_follows(k + 1) and not self._sided_value(k + 1)):
            self.place_side = (side, m)
            group.mentions.append(m)
            return
        if group.blank and k and self.ms[k - 1].kind == UNKNOWN and self.ms[k - 1].j == m.i \
                and lex.text.startswith(_PREPOSITIONS):
            return
        if self._weak_both(side):
            group.side, group.side_mention, group.side_first, group.side_bare = side, m, False, False
            for spot in group.places:
                spot.side = None
            group.mentions.append(m)
            return
        if side == group.side and group.targets and not group.valued and group.side_mention is not None \
                and not self.next_is_item(k):
            group.side_mention = m
            group.mentions.append(m)
            return
        if group.side in ("right", "left") and side in ("right", "left") and side != group.side and group.valued \
                and group.side_first and group.side_bare and lex.text.startswith(_PREPOSITIONS) \
                and self.next_is_item(k) and self._postfix_style(k, k + 1):
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
        elif group.complete and not self._prefix_side(k) and self._starts_next(k):
            self.close(keep_prefix=False)
            group = self.group
        if group.blank and self.excepted:
            group.exception = True
        group.side_first = not group.valued
        group.side, group.side_mention = side, m
        group.side_bare = not lex.text.startswith(_PREPOSITIONS)
        group.mentions.append(m)

    def _weak_both(self, side: str) -> bool:
        """"both hands ... clumsy left": a "both" before the item gives way to the side behind its value."""
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

    def _joined_or_comma(self, k: int) -> bool:
        return k > 0 and (self.ms[k - 1].kind == COMMA or self._joined(k))

    def _anded(self, k: int) -> bool:
        """"and" itself (or its sign) stands before k."""
        before = self.ms[k - 1] if k else None
        return before is not None and (before.mark in ("/", "&") or (
            before.lex is not None and before.lex.text in ("and", "or", "&", "as well as")))

    def _joined(self, k: int) -> bool:
        before = self.ms[k - 1] if k else None
        return before is not None and (before.lex is not None and bool(before.lex.joins) or before.mark in ("/", "&"))

    def _side_after_instruction(self, k: int) -> bool:
        nxt = k + 1
        lex = self.lex(nxt)
        if self._value_at(nxt):
            return True
        if lex is not None and lex.result is not None and lex.text not in _PRAISE and not self.is_item(nxt):
            return True
        while lex is not None and (lex.severity or lex.hedge or lex.neg or lex.result is not None
                                   or lex.site is not None) and not self.is_item(nxt):
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
        if self.repair is None and self._anded(k) and group.side in ("right", "left") and side != group.side and not self._value_follows(k) \
                and not self.next_is_item(k) and not self.is_site(k + 1):
            group.side = "both"
            group.mentions.append(m)
            return
        self.close(keep_prefix=False)
        group = self.group
        if self.excepted:
            group.exception = True
        group.side, group.side_mention, group.side_first = side, m, True
        assert m.lex is not None
        group.side_bare = not m.lex.text.startswith(_PREPOSITIONS)
        group.mentions.append(m)

    def _value_follows(self, k: int) -> bool:
        nxt = k + 1
        while (lex := self.lex(nxt)) is not None and (lex.severity or lex.hedge or lex.neg) and not lex.item \
                and lex.result is None:
            nxt += 1
        return self._value_at(nxt) or (self.result_of(nxt) and not self.next_is_item(nxt))

    def _prefix_side(self, k: int) -> bool:
        """"absent left ankle jerk": a result, a side and their item, in that order at the head of a clause."""
        group = self.group
        if group.targets or group.places or group.side is not None or not (
                group.results or group.grades) or not self.next_is_item(k):
            return False
        first = min(group.mentions, key=lambda m: m.i)
        at = self.ms.index(first)
        opens = at == 0 or self.ms[at - 1].kind in (COMMA, COLON) or self.ms[at - 1].mark != "" or self._joined(at)
        return opens and self.ms[k - 1] is group.mentions[-1] and not self.own_result_next(k)

    def _sided_value(self, k: int) -> bool:
        """The result behind k has a side of its own behind it ("... normal on the right")."""
        return self._own_place(k + 1)

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
        if lex is not None and lex.side is not None:
            return lex.text.startswith(_PREPOSITIONS)
        if m.grade is not None and m.grade.level is not None:
            return bound
        return lex is not None and lex.site is not None and bound

    def _starts_next(self, k: int) -> bool:
        """A bare side before an item begins the next finding ("... absent right ankle jerk ...")."""
        m = self.ms[k]
        assert m.lex is not None
        if self.excepted and not (m.lex.text.startswith(_PREPOSITIONS) and self.group.exception):
            return True
        if self.group.targets and not any(self.items[t.item].sided for t in self.group.targets):
            return True
        if self.repair is not None and self.next_is_item(k):
            return True
        if m.lex.text.endswith((" is", " was", " one")):
            return bool(self.group.targets) and self._value_follows(k)
        if self._value_follows(k) and self._value_sided(k):
            return False
        nxt = k + 1
        while (lex := self.lex(nxt)) is not None and not self.is_item(nxt) and (
                lex.severity or lex.neg or lex.hedge or lex.result is not None):
            nxt += 1
        before = self.ms[k - 1] if k else None
        comma = before is not None and before.kind == COMMA
        prepositional = m.lex.text.startswith(_PREPOSITIONS)
        if lex is not None and self.is_site(nxt) and self._joined(k) and self._value_follows(nxt):
            return True
        if lex is None or not (self.is_item(nxt) or (comma and self.is_site(nxt))):
            return bool(comma and prepositional and self._value_follows(k) and self.group.targets)
        if self._joined(k) and self.is_item(nxt):
            return True
        if prepositional and not comma:
            return False
        if comma:
            return True
        if m.lex.side == "both":
            reading = self.item_at(nxt)
            return nxt == k + 1 and not self._plural_prefix(k) and reading is not None and reading.number == "many" \
                and not self._both_behind(nxt)
        if self._postfix_style(k, nxt):
            return False
        return True

    def _both_behind(self, item_at: int) -> bool:
        """The next item has its own "both" behind its value, so this one stands behind a value too."""
        other = item_at + 1
        while other < len(self.ms) and self.result_of(other):
            other += 1
        lex = self.lex(other)
        return lex is not None and lex.side == "both" and other > item_at + 1

    def _plural_prefix(self, k: int) -> bool:
        """"... two plus both sides ankle jerks": only "both" itself can stand before the next item."""
        lex = self.lex(k)
        return lex is not None and lex.text not in ("both", "bilateral", "either", "neither", "each")

    def _value_sided(self, k: int) -> bool:
        return self.group.side is None and not self.group.targets

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
        while other < len(self.ms) and (self.result_of(other) or (
                self.lex(other) is not None and self.lex(other).severity)):  # type: ignore[union-attr]
            other += 1
        lex = self.lex(other)
        reading = self.item_at(item_at)
        far = other > item_at + 1 or (reading is not None and reading.sign)
        return lex is not None and lex.side in ("right", "left") and far and (
            other + 1 >= len(self.ms) or not self.is_item(other + 1)) and not self._value_follows(other)

    # ---- results -------------------------------------------------------------------------------------------

    def on_result(self, k: int) -> None:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        group = self.group
        self._head_before_value(k)
        group = self.group
        if self._notex(lex) or self._not_seen(m):
            self._on_not_examined(k)
            return
        if self._of_unknown(k) and all(t.reading is not None and t.reading.heading for t in group.targets):
            return
        if self.instructed and (lex.text in _PRAISE or not self._binds(m)):
            if self.next_is_item(k) and not self.own_result_next(k) and lex.text not in _PRAISE:
                self.instructed = False
            else:
                self.take(m, INSTRUCTION)
                return
        if lex.text in _PRAISE and not group.targets and not self.next_is_item(k) and not group.places \
                and group.side is None:
            self.take(m, INSTRUCTION)
            return
        if lex.result is not None and lex.result.any is not None and lex.result.any.lead and not self._leads(k):
            return
        if group.valued and (self._next_column(k) or not self._merges(k)):
            self.close()
            group = self.group
        elif group.complete and not group.valued and group.targets and (
                self._belongs_next(k) or self._second_of_sign(k)):
            neg = group.neg if k and self.ms[k - 1].lex is not None and self.ms[k - 1].lex.text in (  # type: ignore[union-attr]
                "or", "nor") else None
            self.close()
            group = self.group
            if neg is not None:
                group.neg = neg
                group.mentions.append(neg)
        if self.excepted and group.blank:
            group.exception = True
        group.results.append(m)
        group.mentions.append(m)

    def _not_seen(self, m: Mention) -> bool:
        """For these items the words mean that the test was not done ("fundi not seen")."""
        targets = self.group.targets or self.state.topic
        readings = [self.emitter.reading(t, m) for t in targets]
        return any(r is not None and r.status == "not_examined" for r in readings)

    def _leads(self, k: int) -> bool:
        """"can hop", "able to walk on her heels": the item follows at once."""
        if not self.next_is_item(k):
            return False
        between = self.tokens[self.ms[k].j : self.ms[k + 1].i]
        return all(word.lower() in ("to", "walk", "do", "perform", "on", "the", "his", "her", "stand") for word in between)

    def _of_unknown(self, k: int) -> bool:
        """A result word that leans on a word that is not understood ("decreased flexion") says nothing here."""
        nxt = self.ms[k + 1] if k + 1 < len(self.ms) else None
        return nxt is not None and nxt.kind == UNKNOWN and nxt.i == self.ms[k].j and not self.group.places

    def _head_before_value(self, k: int) -> None:
        """"Coord: slowed FNF", "Sensory exam reveals normal ...": a family, then a value for its members."""
        group = self.group
        if not group.targets or group.valued or group.neg is not None:
            return
        last = group.targets[-1]
        if last.mention is None:
            return
        verb = any(word.lower() in _REVEALS for word in self.tokens[last.mention.j : self.ms[k].i])
        if self.colon_after is not group and not (verb and last.reading is not None and last.reading.heading):
            return
        other = k + 1
        while other < len(self.ms):
            m = self.ms[other]
            if m.kind in (COMMA, STOP, COLON) or (m.lex is not None and m.lex.joins and m.lex.text != "and"):
                return
            if self.is_item(other):
                break
            other += 1
        if other < len(self.ms) and (other == k + 1 or not (self.lex(other - 1) is not None and (
                self.lex(other - 1).joins))):  # type: ignore[union-attr]
            self._head(group)

    def _next_column(self, k: int) -> bool:
        """In a right/left table the second value stands beside the first, or behind a slash."""
        if self.state.pair_order is None or self.group.sided or k == 0:
            return False
        before = self.ms[k - 1]
        return before.mark == "/" or before in (*self.group.results, *self.group.grades)

    def own_result_next(self, k: int) -> bool:
        k += 1
        while k < len(self.ms) and not self.is_item(k):
            k += 1
        return self.own_result(k)

    def _second_of_sign(self, k: int) -> bool:
        """"drift on the left, none on the right": the sign was said to be there; this is about the other side."""
        group = self.group
        if group.neg is not None or not group.sided or not (
                any(t.sign for t in group.targets) or group.hedge is not None):
            return False
        side = self.lex(k + 1)
        if side is not None and side.site is not None and not side.side and self._own_place(k):
            return True
        if side is None or side.side is None or self.is_item(k + 1):
            return False
        if self._value_follows(k + 1):
            return False
        return side.text.startswith(_PREPOSITIONS) or not self.next_is_item(k + 1)

    def _belongs_next(self, k: int) -> bool:
        """A sign stands complete; a result before another item is that item's."""
        if not self.next_is_item(k):
            return False
        return not self.own_result_next(k) or not self.emitter.suits_targets(self.group, self.ms[k])

    def _binds(self, m: Mention) -> bool:
        bound = self.state.bound
        if bound is None:
            return False
        if m.kind == GRADE:
            return self.emitter.grade_suits(bound[0], m)
        assert m.lex is not None and m.lex.result is not None
        item = self.items[bound[0]]
        if item.sites and bound[1] is None:
            return False
        return m.lex.result.reading(bound[0], item.kind) is not None

    def _merges(self, k: int) -> bool:
        """A second result word that goes with the first ("equal and reactive", "three plus and brisk")."""
        group = self.group
        m = self.ms[k]
        if self.repair is not None or group.notex is not None:
            return False
        if self.next_is_item(k) and (not self._joined(k) or not self.own_result_next(k)):
            return False
        after_side = group.side_mention is not None and group.side_mention.i >= max(
            v.j for v in (*group.results, *group.grades)) if (group.results or group.grades) else False
        if after_side or (group.places and self._after_value_only(
                group, max((v.j for v in (*group.results, *group.grades)), default=0))):
            return self._soft(m)
        targets = group.targets or self.state.topic
        return self.emitter.compatible(targets, group, m)

    def _soft(self, m: Mention) -> bool:
        reading: ResultPhrase | None = m.lex.result.any if m.lex is not None and m.lex.result is not None else None
        return reading is not None and reading.soft

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
        self.reasoning = not self.next_is_item(k)

    def reason(self, k: int) -> int:
        """After "not tested": the words up to the next finding, instruction or full stop are its reason."""
        start = k
        first = self.ms[k]
        lex = first.lex
        if not (first.kind in (COMMA, UNKNOWN, MARK) or (lex is not None and lex.because)):
            if lex is not None and (lex.side or lex.site is not None) and not self.is_item(k):
                return k
            leads = lex is not None and lex.result is not None and self.next_is_item(k) and self._reason_item(k + 1)
            if not leads and not (self.is_item(k) and self._reason_item(k)) and (
                    lex is None or self.is_item(k) or lex.instruction is not None or lex.neg):
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
                if here.station or here.heading or here.but or here.except_:
                    break
                if self.is_item(k) and not self._reason_item(k) and (
                        self._finding_ahead(k) or (k == start + 1 and not cued)):
                    break
                if here.neg and self.next_is_item(k):
                    break
            k += 1
        k = self._trim(start, k)
        self.reasoning = False
        if k == start:
            return start
        words = [t for m in self.ms[start:k] for t in range(m.i, m.j) if m.kind not in (COMMA,)]
        if not words:
            return start
        low = min(words)
        stop = self.ms[k].i if k < len(self.ms) else len(self.tokens)
        high = self.ms[k - 1].j
        while high < stop and self.tokens[high].isalpha():
            high += 1
        self.group.reason = (low, high)
        for t in range(self.ms[start].i, high):
            self.classes[t] = FINDING
        for m in self.ms[start:k]:
            m.used = True
        return k

    def _reason_item(self, k: int) -> bool:
        """"fundi not seen, pupils too small": what stands in the way of a test is its reason, not a finding."""
        reading = self.item_at(k)
        names = {t.item for t in self.group.targets}
        return reading is not None and "fundi" in names and reading.targets[0][0] == "pupils"

    def _finding_ahead(self, k: int) -> bool:
        return self.own_result(k)

    def _trim(self, start: int, k: int) -> int:
        """Sides, commas and prefixes just before the next item belong to that item."""
        if k >= len(self.ms):
            return k
        while k - 1 > start and self.ms[k - 1].lex is not None and (
                self.ms[k - 1].lex.side or self.ms[k - 1].lex.joins or self.ms[k - 1].lex.severity):  # type: ignore[union-attr]
            k -= 1
        while k - 1 > start and self.ms[k - 1].kind == COMMA:
            k -= 1
        return k

    def on_grade(self, k: int) -> None:
        m = self.ms[k]
        grade = m.grade
        assert grade is not None
        nxt = self.lex(k + 1)
        if nxt is not None and nxt.units and grade.unit is None:
            return
        if (before := self.lex(k - 1)) is not None and before.units:
            return
        if grade.level is not None and self._level_is_place(m):
            return
        if grade.unit is None and grade.den is None and not grade.sign and self._counting(k):
            return
        self._head_before_value(k)
        group = self.group
        if self._same_again(k):
            group.side = "both"
            group.mentions.append(m)
            return
        if self.instructed:
            if not self._binds(m):
                self.take(m, INSTRUCTION)
                return
            self.instructed = False
        at = m.i > 0 and self.tokens[m.i - 1].lower() in ("at", "to")
        if (grade.unit is not None or at) and group.results and not group.grades and not self._side_at(k + 1):
            group.grades.append(m)
            group.mentions.append(m)
            return
        if group.valued and (group.grades or self._after_sided_value(group)) or (
                group.valued and self.repair is not None) or (group.valued and group.notex is not None):
            if group.grades and self._gcs_total(group):
                group.grades.append(m)
                group.mentions.append(m)
                return
            self.close()
            group = self.group
        if group.valued and not group.grades and self._next_column(k):
            self.close()
            group = self.group
        if group.valued and not group.grades and group.sided and self._side_at(k + 1) \
                and not self.next_is_item(k + 1):
            self.close()
            group = self.group
        if grade.unit == "beats" and group.targets and group.targets[-1].item != "clonus":
            self.close()
            group = self.group
        if self.excepted and group.blank:
            group.exception = True
        group.grades.append(m)
        group.mentions.append(m)

    def _same_again(self, k: int) -> bool:
        """"five and five": one value for each side."""
        if k < 2 or not self._joined(k) or self.group.sided or self._side_at(k + 1) or len(self.group.grades) != 1:
            return False
        before, now = self.ms[k - 2].grade, self.ms[k].grade
        return before is not None and now is not None and (before.n, before.sign, before.den) == (
            now.n, now.sign, now.den)

    def _side_at(self, k: int) -> bool:
        lex = self.lex(k)
        return lex is not None and lex.side is not None

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
        targets = self.group.targets or self.state.topic
        if not any(t.item in SENSORY for t in targets):
            return any(t.item == "power" for t in targets)
        assert m.grade is not None and m.grade.level is not None
        self.emitter.add_level_place(self.group, m)
        return True

    def _counting(self, k: int) -> bool:
        """"one, two, three" is counting aloud."""
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
        return len(values) >= 3 and all(b - a == 1 for a, b in zip(values, values[1:], strict=False))

    # ---- negation ------------------------------------------------------------------------------------------

    def on_neg(self, k: int) -> None:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        group = self.group
        nxt = k + 1
        while nxt < len(self.ms) and self.ms[nxt].kind == COMMA:
            nxt += 1
        if lex.text == "no" and nxt > k + 1 and (group.complete or (group.blank and self.state.last_group)) and (
                (after := self.lex(nxt)) is not None and after.side in ("right", "left")):
            self._start_repair(m, "strong")
            return
        if lex.text == "no" and (group.complete or (group.blank and self.state.last_group)) and self._repairs(k, nxt):
            self._start_repair(m, "strong")
            return
        if lex.text == "no" and not group.complete and group.targets and group.side is not None \
                and self.lex(nxt) is not None and self.lex(nxt).side:  # type: ignore[union-attr]
            self._start_repair(m, "strong")
            return
        ahead = self._negated(k)
        if ahead is None or self._cut_off(k):
            self.emitter.doubtful = k + 1 < len(self.ms) and self.ms[k + 1].kind == UNKNOWN
            return
        self.emitter.doubtful = False
        if group.complete and (self.is_item(ahead) or self.is_site(ahead)):
            self.close()
            group = self.group
        elif group.mentions and not group.targets and self.is_item(ahead) and (group.valued or group.hedge):
            self.close()
            group = self.group
        elif group.targets and self.is_item(ahead):
            self.close()
            group = self.group
        elif group.valued:
            self.close()
            group = self.group
        self.instructed = False
        group.neg = m
        group.hedged = lex.neg == "hedged"
        group.mentions.append(m)

    def _past_unknown(self, k: int, other: int) -> int | None:
        """"no local weakness", "without oedema, cyanosis, or tremor": unknown words inside a negated list."""
        start = other
        while other < len(self.ms) and (self.ms[other].kind in (UNKNOWN, COMMA) or (
                self.lex(other) is not None and self.lex(other).joins)):  # type: ignore[union-attr]
            other += 1
        if other >= len(self.ms) or not self.is_item(other):
            return None
        reading = self.item_at(other)
        if reading is None or not reading.sign:
            return None
        words = self.ms[other].i - self.ms[start].i
        plain = all(m.kind == UNKNOWN for m in self.ms[start:other])
        if plain and words <= 2 and start == k + 1:
            return other
        listed = [m for m in self.ms[start : min(len(self.ms), other + 5)] if m.lex is not None and m.lex.joins]
        return other if listed and listed[0].lex is not None and listed[0].lex.text in ("or", "nor") else None

    def _cut_off(self, k: int) -> bool:
        """Other small words stand between the negation and what follows ("no doctor, ...")."""
        between = self.tokens[self.ms[k].j : self.ms[k + 1].i] if k + 1 < len(self.ms) else []
        if k + 1 < len(self.ms) and self.ms[k + 1].kind == UNKNOWN:
            return False
        return any(word.lower() not in _AFTER_NO for word in between)

    def _repairs(self, k: int, nxt: int) -> bool:
        """"..., no, extensor", "flexor no extensor", "no the left": a second thought, not a negation."""
        if nxt >= len(self.ms):
            return False
        if self._value_at(nxt):
            return True
        lex = self.lex(nxt)
        if lex is None or self.is_item(nxt):
            return False
        if self.next_is_item(nxt) and lex.result is not None:
            return False
        return lex.result is not None or (lex.side in ("right", "left") and not self.next_is_item(nxt))

    def _negated(self, k: int) -> int | None:
        """The index of what a negation at k negates: an item or a result close behind it."""
        other = k + 1
        for _ in range(9):
            m = self.ms[other] if other < len(self.ms) else None
            if m is None:
                return None
            if m.kind == UNKNOWN or (m.kind == COMMA and self.ms[other - 1].kind == UNKNOWN):
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
                if self._prefix_follows(other):
                    other += 1
                    continue
                return other
            if lex is not None and not (lex.side or lex.severity or lex.site is not None or lex.hedge or lex.neg
                                        or lex.compare or lex.now):
                return None
            other += 1
        return None

    # ---- closing -------------------------------------------------------------------------------------------

    def close(self, keep_prefix: bool = True) -> None:
        """Emit the group and begin a new one."""
        if self.group.blank:
            return
        if self.repair is not None and not self.repair == "open":
            self.finish_repair()
        else:
            self.flush_plain()

    def flush_plain(self) -> None:
        self.repair = None
        group, self.group = self.group, Group()
        if group.neg is not None and not group.valued:
            group = self._lost(group)
        self.emitter.emit(group, self.heading_side)

    def _lost(self, group: Group) -> Group:
        """"no ankle jerks": for a function, none of it is its absence, not a normal result."""
        group.targets = [t for t in group.targets if t.sign or self.items[t.item].kind != "function"
                         or t.item in _LOST_BY_NO or (t.reading is not None and t.reading.test)]
        return group
