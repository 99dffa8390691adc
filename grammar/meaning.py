"""What was found: status, grade and descriptions of one target of a group.

A part of the emitter (grammar/emit.py), which is a chain of small classes.
"""

from __future__ import annotations

from grammar.about import About
from grammar.drafts import Draft, Group, Target
from grammar.mentions import Mention
from grammar.phrase_files import ResultPhrase
from grammar.scales import Placed

_GENERAL = frozenset(
    (
        "normal",
        "intact",
        "grossly intact",
        "grossly normal",
        "unremarkable",
        "non focal",
        "nonfocal",
        "wnl",
        "nad",
        "within normal limits",
        "essentially normal",
        "completely normal",
        "entirely normal",
        "normal throughout",
        "no abnormality",
        "no abnormalities",
        "no abnormality detected",
        "no deficit",
        "no deficits",
        "fine",
    )
)

# Adverbs that take away the state which a phrase claims by itself: "he barely follows commands", "alert at times".
_SHAKY = frozenset(
    (
        "barely",
        "hardly",
        "scarcely",
        "rarely",
        "seldom",
        "never",
        "sometimes",
        "occasionally",
        "inconsistently",
        "intermittently",
        "always",
        "often",
        "usually",
        "almost",
        "nearly",
        "only",
    )
)


class Meaning(About):
    """What was found: status, grade and descriptions of one target of a group."""

    def _general(self, group: Group, target: Target, status: str) -> bool:
        """A general statement is only ever "the examination is normal"; nothing else is made of it."""
        if target.reading is not None and target.reading.status == "normal":
            return status == "normal"
        return (
            status == "normal"
            and not group.places
            and all(m.lex is not None and m.lex.text in _GENERAL for m in group.results)
        )

    def _value(self, group: Group, target: Target) -> tuple[str, Placed | None, list[str], ResultPhrase | None] | None:
        """(status, grade, descriptors, deciding result) of a target; None when nothing was said of it."""
        if (
            target.item == "power"
            and target.sign
            and not target.site
            and not group.places
            and self._of_unread(target, group.side_mention)
        ):
            return None
        known = self.items[target.item].describe
        descriptors = [d for d in target.reading.descriptors if d in known] if target.reading is not None else []
        placed, outside = self._placed(group, target)
        if outside:
            return None
        status: str | None = None
        decided: ResultPhrase | None = None
        if group.notex is not None:
            status, decided = "not_examined", self.reading(target, group.notex)
            descriptors = (
                [decided.descriptor]
                if decided is not None and decided.descriptor in self.items[target.item].describe and decided.descriptor
                else []
            )
            return status, None, descriptors, decided
        negated = group.neg is not None
        for m in group.results:
            reading = self.reading(target, m)
            if reading is None or (reading.needs_side and not group.sided) or self._led(m, group, target):
                continue
            denied = negated and reading.status == "normal"  # "plantar not flexor", "power not full"
            name = None if denied else reading.descriptor
            if name and name in self.items[target.item].describe and name not in descriptors:
                descriptors.append(name)
            if reading.qualifies:
                continue
            weightier = decided is None or decided.soft or not reading.soft
            named = decided is not None and decided.soft and not reading.soft  # "sways, so negative"
            if weightier and (status is None or named or (status == "normal" and reading.status != "normal")):
                status, decided = reading.status, reading
            if reading.grade is not None and placed is None and not denied and self._says_grade(m, target):
                placed = Placed(reading.grade, True)
        if placed is not None and placed.normal is not None:
            if status is None or (status == "normal" and not placed.normal) or (decided is not None and decided.soft):
                status = "normal" if placed.normal else "abnormal"
        elif placed is not None and status is None:
            status = self._bare_grade_status(target, placed)
        if target.item == "reflex" and target.sign and status == "normal" and not negated and not group.results:
            status = None  # "hyperreflexic (3+)": the word tells more than the grade
        status = self._signs(group, target, status, negated, descriptors)
        if status is None:
            return None
        own: set[str] = set()
        absent = status == "not_examined" or (status == "normal" and target.item != "reflex")
        if target.sign and absent and target.reading is not None:
            own.update(target.reading.descriptors)
        if negated and status == "abnormal":
            own = self._denied(group, target)
        descriptors = [d for d in descriptors if d not in own]
        if group.hedge is not None and not negated:
            status = "equivocal"
        return status, placed, descriptors, decided

    @staticmethod
    def _led(m: Mention, group: Group, target: Target) -> bool:
        """ "decreased grip strength and hyperreflexia": the word is of what it leads, not of the sign behind that."""
        head = group.targets[0] if group.targets else target
        named = target.sign and target.reading is not None and target.reading.descriptors
        if not named or head.sign or head.mention is None or target.mention is None:
            return False
        return m.i < head.mention.i < target.mention.i

    def _denied(self, group: Group, target: Target) -> set[str]:
        """What a negation takes away: "not alert", "not equal and reactive"."""
        denied: set[str] = set()
        if target.reading is not None and target.reading.status == "normal":
            denied.update(target.reading.descriptors)
        for m in group.results:
            reading = self.reading(target, m)
            if reading is not None and reading.status == "normal" and reading.descriptor:
                denied.add(reading.descriptor)
        return denied

    def _shaky(self, target: Target) -> bool:
        """An adverb beside the phrase says that it does not hold, or not always."""
        if target.mention is None:
            return False
        tokens, start, end = self.state.tokens, target.mention.i, target.mention.j
        before, after = tokens[max(0, start - 1) : start], [token.lower() for token in tokens[end : end + 2]]
        beside = {token.lower() for token in (*before, *after[:1])}
        return bool(_SHAKY & beside) or after == ["at", "times"]

    def _of_unread(self, target: Target, side: Mention | None) -> bool:
        """ "no weakness of the lips": of what is not understood, so it is not said of the limbs."""
        tokens, at = self.state.tokens, target.mention.j if target.mention is not None else len(self.state.tokens)
        if [token.lower() for token in tokens[at : at + 1]] != ["of"]:
            return False
        if side is not None and side.j <= at:
            return False  # "right sided weakness of sudden onset"
        at += 1
        while at < len(tokens) and tokens[at].lower() in ("the", "his", "her", "both", "left", "right", "any"):
            at += 1
        return at < len(tokens) and bool(self.state.content[at]) and at not in self.known

    def _says_grade(self, m: Mention, target: Target) -> bool:
        """Only "full power" and the like mean grade 5; "full" alone does so where the item is power as a whole."""
        assert m.lex is not None
        named = target.mention.lex if target.mention is not None else None
        if named is not None and not {"power", "strength"}.isdisjoint(named.text.split()):
            return True
        return m.lex.text != "full" or target.site in ("arm", "leg", None) or "_" not in (target.site or "_")

    def _bare_grade_status(self, target: Target, placed: Placed) -> str | None:
        if target.item == "pupils":
            return "normal"
        if target.item == "straight_leg_raise" and placed.grade is not None:
            return "normal" if int(placed.grade) >= 80 else "equivocal"
        return None

    def _signs(
        self, group: Group, target: Target, status: str | None, negated: bool, descriptors: list[str]
    ) -> str | None:
        """What negation, and naming a sign, do to the status."""
        carried = target.reading.status if target.reading is not None else None
        if target.item == "weber" and status is None and group.side in ("right", "left"):
            return "abnormal"
        if status is None and carried is not None and not negated:
            return None if self._shaky(target) else carried
        if negated:
            if status is not None:
                if target.sign and group.results:
                    return "normal" if status == "abnormal" else status
                return {"normal": "abnormal", "abnormal": "normal"}.get(status, status)
            if carried is not None:
                return "abnormal" if carried == "normal" else "normal"
            test = target.reading is not None and target.reading.test
            if target.sign or test or self.items[target.item].kind != "function":
                return "normal"
            if "absent" in self.items[target.item].describe and "absent" not in descriptors:
                descriptors.append("absent")
            return "abnormal"
        if (
            status is None
            and not group.targets
            and group.sevs
            and group.sided
            and (target.sign or (self.state.last_group and self.state.last_group[-1].status == "abnormal"))
        ):
            return "abnormal"
        named = target.sign or target.reading is not None or bool(self.state.topic)
        if status is None and named and (target.sign or group.hedge is not None):
            return "abnormal"
        if status is None and not target.reading and self.items[target.item].kind == "sign" and group.hedge:
            return "abnormal"
        return status

    def _grade(self, row: Draft, placed: Placed | None, target: Target, group: Group) -> None:
        if placed is None:
            return
        row.grade = placed.grade
        row.high = placed.high
        if target.item == "clonus" and row.grade == "0":
            row.grade = None

    def _of_tongue(self, group: Group, target: Target) -> Target:
        """ "tongue midline, no wasting, no fasciculations": with no place of their own they are said of the tongue."""
        rows = self.state.last_rows
        last = rows[-1] if rows and len(self.state.drafts) > self.state.sentence_from else None
        of_it = last is not None and (last.item == "tongue" or (last.item, last.site) == ("fasciculations", "tongue"))
        if not of_it or group.places or target.site is not None or not target.sign or group.rest:
            return target
        if target.item == "fasciculations":
            return Target("fasciculations", "tongue", target.reading, target.mention)
        return Target("tongue", None, target.reading, target.mention) if target.item == "muscle_bulk" else target

    def _of_face(self, group: Group, target: Target) -> Target:
        """ "now the face: sensation is normal", "power normal in the face": these are items of their own."""
        areas = {area for spot in group.places for area in spot.reading.areas}
        if areas != {"face"} and (areas or "face" not in (self.state.region, self.state.head_region)):
            return target
        if target.item == "power" and target.site is None:
            return Target("facial_power", None, target.reading, target.mention)
        felt = target.item in ("light_touch", "pinprick", "sensation") and target.site is None and not areas
        return Target("facial_sensation", None, target.reading, target.mention) if felt else target
