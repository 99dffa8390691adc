"""What a phrase is in its place: an item, a place of the body, or neither, by its neighbours.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.drafts import LIMB_ROOTS, SENSORY
from grammar.lexicon import ItemReading, Lexeme
from grammar.mentions import COLON, COMMA, GRADE, MARK, PHRASE
from grammar.peek import PREPOSITIONS, Peek
from grammar.phrase_files import ItemPhrase

_BINDING = frozenset(("in", "at", "of", "over", "to", "from", "on", "both", "the", "his", "her", "no", "and"))
# Places that only facial sensation or bulk have as sites, but where touch and pinprick are tested too.
_BESIDE = frozenset(("v1", "v2", "v3", "thenar", "hypothenar"))
_FELT = frozenset(("reduced", "decreased", "diminished", "absent", "lost", "numb", "dull", "blunted", "spared"))
_SEEN_ANYWHERE = frozenset(("tone", "muscle_bulk", "fasciculations", "clonus", "tremor"))
# Doubts that begin a clause.
_CLAUSES = frozenset(("i think", "i believe", "i suspect", "there may be", "there might be", "maybe", "perhaps"))
_PAINS = frozenset(("pain", "painful", "tenderness", "discomfort", "hurts", "crepitus", "soreness"))
_BRINGING = frozenset(("on", "with", "during", "in", "to", "upon"))
# Words that name an item in some company only, and items whose number can be what was asked for.
_TWO_MEANINGS = frozenset(("sharp dull", "gaze", "reads", "numbness", "weakness"))
_ASKED_FOR = frozenset(("recall", "registration"))
_JOINTS = (("knee",), ("ankle",))


class Look(Peek):
    """What a phrase is in its place: an item, a place of the body, or neither, by its neighbours."""

    def item_at(self, k: int) -> ItemReading | None:
        """The item reading of the phrase at k, or None when its neighbours make it something else."""
        lex = self.lex(k)
        if 0 <= k < len(self.ms) and self.ms[k].kind == GRADE:
            site = self._myotomes(k)
            return ItemReading(ItemPhrase(item="power", site=site), "many", False, {}) if site else None
        if lex is not None and lex.item is None and lex.site is not None and lex.site.areas in _JOINTS:
            if not self.joint_reflex(k):
                return None
            return ItemReading(ItemPhrase(item="reflex", site=lex.site.areas[0]), lex.site.number, False, {})
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
        """ "C5 to T1 full" is the power of the arm, "L2 to S1" of the leg, unless sensation is the talk."""
        grade = self.ms[k].grade
        if grade is None or grade.level is None or grade.level_to is None or self.sensory_topic():
            return None
        i = self.ms[k].i
        if i and self.tokens[i - 1].lower() in ("dermatome", "dermatomes"):
            return None
        return LIMB_ROOTS.get((grade.level, grade.level_to))

    def _station_word(self, k: int) -> bool:
        """ "face visual fields full", "arms no drift": a bare part of the body that only steers."""
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
        return (
            bool(lex.item is not None and lex.result is None and not lex.item.sign)
            or bool(lex.neg and lex.result is None and (lex.text == "no" or not self.result_of(k + 2)))
            or bool(lex.instruction and not lex.side)
        )

    def joint_reflex(self, k: int) -> bool:
        """ "knees two plus", "ankles brisk": the joint names its jerk where reflexes are the talk."""
        before = k
        while (
            before > 0
            and (lex := self.lex(before - 1)) is not None
            and lex.side
            and self.ms[before - 1].j == self.ms[before].i
        ):
            before -= 1
        first = self.ms[before].i
        lead = [word.lower() for word in self.tokens[max(0, first - 2) : self.ms[k].i]]
        if any(word in ("in", "at", "of", "over", "to", "from") for word in lead):
            return False
        if self._by_ashworth(k):
            return False
        talk = (
            any(t.item == "reflex" or (t.reading is not None and t.reading.alt is not None) for t in self.group.targets)
            or self.state.heading == "reflex"
            or any(d.item in ("reflex", "plantar") for d in self.state.drafts[-2:])
        )
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
            if self._joined(k) and lex is not None and lex.item is not None and lex.item.targets[0][0] == "reflex":
                return lex.item.number == "many"  # "knee & ankle jerks"
            if not (
                self.ms[k].kind == COMMA
                or self.ms[k].mark in ("&", "/")
                or (
                    lex is not None
                    and (lex.side or lex.joins or lex.severity or (lex.site is not None and lex.item is None))
                )
            ):
                return False
            k += 1
        return False

    def _by_ashworth(self, k: int) -> bool:
        """ "Tone: R elbow 2, R knee 1+": the grade at the joint is one of tone."""
        group, rows = self.group, self.state.last_rows
        if k + 1 >= len(self.ms) or self.ms[k + 1].kind != GRADE:
            return False
        if group.targets:
            return group.targets[0].item == "tone" and bool(not group.valued or group.grades)
        return bool(rows) and rows[-1].item == "tone" and rows[-1].grade is not None

    def is_item(self, k: int) -> bool:
        lex = self.lex(k)
        if lex is None:
            return 0 <= k < len(self.ms) and self.ms[k].kind == GRADE and self._myotomes(k) is not None
        if lex.item is None:
            return lex.site is not None and lex.site.areas in _JOINTS and self.joint_reflex(k)
        name = lex.item.targets[0][0]
        if (lex.text in _TWO_MEANINGS or name in _ASKED_FOR) and self._not_meant(k):
            return False
        if (name == "power" and self._provoked(k)) or (lex.site is not None and self._only_where(k)):
            return False
        if lex.alt_item is not None:
            return self._need_met(lex.item.needs, k) or self._need_met(lex.alt_item.needs, k)
        need = lex.item.needs
        if need in ("plantar", "standing", "modality"):
            return self._need_met(need, k)
        if lex.text == "face":
            if self._face_is_place(k):
                return False
            if self.reads_as(k, "facial_power"):
                return True
        if need == "neck":
            return self.reads_as(k, "neck_stiffness")
        if lex.site is not None and lex.site.needs is None and lex.result is None and lex.item.needs is None:
            area = lex.site.areas[0]
            placed = f"{self._word_before(k)} " in PREPOSITIONS or not self.result_of(k + 1)
            if placed and self._word_before(k) in ("on", "over") and not self.result_of(k + 1):
                return False  # "a cut on the right forehead"
            placed = placed or self.at(k + 1).text in _FELT  # not "facial sensation normal, forehead weak"
            felt = area in self.pipe.catalogue.areas or (area in _BESIDE and (placed or not self.group.valued))
            return not (self.sensory_topic() and felt) or not self.group.targets
        if lex.site is not None and lex.site.needs == "sensation":
            return not self.sensory_topic()
        if lex.site is not None and lex.site.needs == "bulk":
            if self.sensory_topic() and not self._value_at(k + 1):
                return False  # "pinprick reduced in the left calf"
            grade = self.ms[k + 1].grade if k + 1 < len(self.ms) else None
            if grade is not None and grade.den == 5:
                return True  # "no fasciculations, calf 4/5"
            return not any(t.item in ("muscle_bulk", "fasciculations") for t in self.group.targets or self.state.topic)
        return True

    def _face_is_place(self, k: int) -> bool:
        """The face at k steers, or is the place of what was said before, and is not examined for its power."""
        targets = self.group.targets
        if self._station_word(k):
            return True
        weak = any(t.item == "power" and t.sign for t in targets)
        if not weak and any(area in ("arm", "leg") for area in self._areas(k + 1)):
            return True
        told = self.group.valued and targets and not self.result_of(k + 1)
        return bool(told) and self._word_before(k) in ("in", "of")  # "power is normal in the face"

    def _only_where(self, k: int) -> bool:
        """ "fasciculations in the right calf": the place of what was named, and no item of its own."""
        named = self.group.targets
        if self.at(k).site is None or not named or any(t.item not in _SEEN_ANYWHERE for t in named):
            return False
        free = not self.group.valued or not self.result_of(k + 1)
        return free and f"{self._word_before(k)} " in PREPOSITIONS

    def _provoked(self, k: int) -> bool:
        """ "pain on dorsiflexion", "discomfort with inversion": the movement only brings the pain on."""
        i = self.ms[k].i
        if i < 2 or self.tokens[i - 1].lower() not in _BRINGING or self.tokens[i - 2].lower() not in _PAINS:
            return False
        lex = self.lex(k)
        return lex is not None and lex.item is not None and lex.item.targets[0][0] == "power"

    def _not_meant(self, k: int) -> bool:
        """ "pain or numbness down your legs", "numbness and tingling": beside pain or tingling, numbness and weakness
        are what the patient feels; "sharp, sharp, dull" are answers. "asked to recall 3/3 objects": what was asked."""
        i, j = self.ms[k].i, self.ms[k].j
        lex = self.at(k)
        if lex.item is not None and lex.item.targets[0][0] in _ASKED_FOR:
            lead = [word.lower() for word in self.tokens[max(0, i - 2) : i]]
            return lead == ["asked", "to"] and self._value_at(k + 1)
        if lex.text == "sharp dull":
            return any(word.lower() in ("sharp", "dull") for word in (*self.tokens[i - 1 : i], *self.tokens[j : j + 1]))
        if lex.text == "gaze" and self._side_at(k - 1):  # "nystagmus on left gaze, nil right gaze"
            return any(t.item in ("nystagmus", "diplopia") for t in self.group.targets or self.state.topic)
        if lex.text == "reads":
            return not self._value_at(k + 1)  # "reads okay": no acuity
        if lex.text not in ("numbness", "weakness"):
            return False
        near = [word.lower() for word in (*self.tokens[max(0, i - 2) : i], *self.tokens[j : j + 2])]
        if "tingling" in near and "," not in near and not self.at(k - 1).neg:
            return True
        for step in (-1, 1):
            other = k + step
            while 0 <= other < len(self.ms) and (self.ms[other].kind == COMMA or self.at(other).joins):
                other += step
            if abs(other - k) > 1 and self.at(other).text == "pain":
                return True
        return False

    def _areas(self, k: int) -> tuple[str, ...]:
        """The areas of the place at k, past a comma."""
        while k < len(self.ms) and self.ms[k].kind == COMMA:
            k += 1
        site = self.at(k).site
        return site.areas if site is not None else ()

    def is_site(self, k: int) -> bool:
        lex = self.lex(k)
        return lex is not None and lex.site is not None and not self.is_item(k)

    def sensory_topic(self) -> bool:
        targets = self.group.targets or self.state.topic
        return any(t.item in SENSORY or t.item in ("facial_sensation", "extinction") for t in targets)

    def standing_near(self, k: int) -> bool:
        near = {"toe_walk", "heel_walk", "tandem_gait", "hop"}
        bound, drafts = self.state.bound, self.state.drafts
        last = bound[0] if bound is not None else drafts[-1].item if drafts else None
        opens = k == 0 or (bound is not None and self.ms[k - 1].kind == COMMA)
        if opens and last in ("toe_walk", "heel_walk") and not self.plantar_near(k):
            return True  # "... on your toes, good. Heels, good."
        for step in (-1, 1):
            other = k + step
            while 0 <= other < len(self.ms) and abs(other - k) < 6:
                lex = self.lex(other)
                if lex is not None and lex.item is not None:
                    if lex.item.targets[0][0] in near and lex.item.needs is None:
                        return True
                    if lex.item.needs != "standing" and lex.alt_item is None:
                        break
                elif not (self.ms[other].kind == COMMA or (lex is not None and (lex.joins or lex.result))):
                    break
                other += step
        return False

    def modality_near(self, k: int) -> bool:
        """ "pain" is a modality only in a list of modalities."""
        for step in (-1, 1):
            other = k + step
            while 0 <= other < len(self.ms) and (self.ms[other].kind in (COMMA, MARK) or (self.at(other).joins)):
                other += step
            lex = self.lex(other)
            if (
                abs(other - k) > 1
                and lex is not None
                and lex.item is not None
                and lex.item.needs is None
                and not lex.item.sign
                and lex.item.targets[0][0] in SENSORY
            ):
                return True
        return False

    def plantar_near(self, k: int) -> bool:
        """ "toes" are the plantar response when up or down is said of them."""
        for step in (1, -1):
            other = k + step
            for _ in range(4):
                lex = self.lex(other)
                if lex is None:
                    break
                if lex.result is not None and "plantar" in lex.result.by_item:
                    row = lex.result.by_item["plantar"]
                    if lex.text in ("absent", "no response", "positive", "present", "negative"):
                        return False
                    return step == 1 or (row.descriptor in ("flexor", "extensor") and lex.result.any is None)
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
        """An item follows with nothing but severities and doubts between; not "normal, I think there's a catch"."""
        anew = self.at(k).result is not None
        k += 1
        while (lex := self.lex(k)) is not None and not lex.item and self._leads_on(lex, anew):
            k += 1
        return k < len(self.ms) and self.ms[k].kind == PHRASE and self.is_item(k)

    @staticmethod
    def _leads_on(lex: Lexeme, anew: bool) -> bool:
        return bool(lex.severity or (lex.hedge and not lex.result and not (anew and lex.text in _CLAUSES)))

    def result_of(self, k: int) -> bool:
        m = self.ms[k] if k < len(self.ms) else None
        if m is None:
            return False
        if m.kind == GRADE:
            return self._value_at(k)
        return m.lex is not None and m.lex.result is not None and not self.is_item(k) and not self._reaches(k)

    def _reaches(self, k: int) -> bool:
        """ "from the left knee down": which way it reaches, no result."""
        place = self.lex(k - 1)
        if self.at(k).text not in ("down", "up") or place is None or place.site is None:
            return False
        return self.ms[k - 1].j == self.ms[k].i and self._word_before(k - 1) == "from"
