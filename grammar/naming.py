"""An item is named: the start of a group, a member of a list, or the way a sign was seen.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

import copy

from grammar.ahead import PRAISE, SEEN
from grammar.drafts import SENSORY, Group, Place, Target
from grammar.lexicon import ItemReading, SiteReading
from grammar.listing import FAMILIES
from grammar.mentions import COMMA, UNKNOWN, Mention
from grammar.phrase_files import SitePhrase
from grammar.spread import Spread

_COORDINATION = ("finger_nose", "heel_shin", "rapid_alternating_movements")
# Signs whose place can be said as an item of its own behind them.
WHERE_NEXT = ("power", "facial_power", "muscle_bulk")
# Items whose weakness is said by "weakness of ...".
_WEAK = frozenset(("jaw_power", "facial_power", "shoulder_shrug", "head_turn", "tongue", "palate"))


# Behind an item they make it a sign.
_FAULTS = frozenset(
    (
        "abnormality",
        "abnormalities",
        "deficit",
        "deficits",
        "disturbance",
        "dysfunction",
        "impairment",
        "difficulty",
        "difficulties",
    )
)
# Before "a" and a test they say that its sign is there.
_HAVING = frozenset(("is", "'s", "there's", "has", "got", "with"))


class Naming(Spread):
    """An item is named: the start of a group, a member of a list, or the way a sign was seen."""

    weak_of: ItemReading | None = None

    def on_item(self, k: int) -> None:
        m = self.ms[k]
        reading = self.item_at(k)
        assert reading is not None
        if (
            self.repair not in (None, "open")
            and self.group.sided
            and not self.group.targets
            and (self._joined_or_comma(k) or self._repaired(k))
        ):
            self.close()
        if self._absorbed(k, reading) or self._modality(k, reading) or self._where_caught(k, reading):
            self.group.mentions.append(m)
            return
        if self._number_before_state(reading):
            self.close()
        self._value_for(k)
        group = self.group
        if self.at(k).text == "inattention" and self.state.last_item == "visual_fields":
            reading = self.pipe.by_key[("visual", "inattention")].item or reading
        reading = self._faulty(m, reading)
        targets = [Target(item, site, reading, m) for item, site in reading.targets]
        if self._weak_too(k, targets):
            targets = [Target(t.item, t.site, self.weak_of, m) for t in targets]
        if self._muscle_first(k, targets):
            return
        if reading.status is None and self._weakness_of(k, targets):
            head = group.targets[0]
            group.targets = [Target(t.item, t.site, head.reading, t.mention) for t in targets]
            group.mentions.append(m)
            self.weak_of = head.reading
            if targets[0].item != head.item and self._limb_follows(k):
                self._weak_limbs_too(head, bool(self.at(k + 2).side))
            return
        if self._weak_face_too(k):
            return
        if self.colon_after is group and group.targets and not group.valued:
            self._head(group)
            group = self.group
        elif group.targets and not self._joins(k, targets):
            self._close_before_item(k)
            group = self.group
        elif (
            not group.targets and group.mentions and not self._said_for(k) and self._ellipsis_done(k)
        ) or self._side_told_and_cut(k):
            self.close()
            group = self.group
        if self._prefix_of_another(k) or self._of_strange_test(k):
            self.close()
            group = self.group
        self._drop_strangers(k, group, targets)
        self.settle()
        self.instructed = False
        if group.targets and self._heading_over(group, targets):
            group.targets = []
        if group.blank and self.excepted:
            group.exception = True
        self._led_by_limb(k, reading)
        group.targets.extend(targets)
        group.mentions.append(m)
        if reading.sign and group.neg is None and not group.valued and (denial := self._still_denied(k)) is not None:
            group.neg = denial
            group.mentions.append(denial)
        self._enter_station(targets[0])
        if reading.heading and targets[0].site is None:
            self.state.heading = targets[0].item

    def _repaired(self, k: int) -> bool:
        """ "correction four minus on the left power otherwise full": value and side make the repair whole."""
        group = self.group
        behind = group.valued and not group.side_first and not group.side_bare
        whole = behind and group.mentions[-1] is group.side_mention is self.ms[k - 1]
        return whole and (self.own_result(k) or bool(self.at(k + 1).rest))

    def _still_denied(self, k: int) -> Mention | None:
        """ "no ptosis, lid retraction or diplopia": "or" carries the denial over words that are not understood."""
        if k < 2 or self.at(k - 1).text not in ("or", "nor") or self.ms[k - 2].kind != UNKNOWN:
            return None
        for before in reversed(self.ms[: k - 1]):
            lex = before.lex
            if lex is not None and (lex.neg or lex.text.startswith("no ")):
                return before
            listed = lex is not None and (lex.item is not None or lex.joins or lex.severity)
            if not (listed or before.kind in (UNKNOWN, COMMA)):
                return None
        return None

    def _weak_too(self, k: int, targets: list[Target]) -> bool:
        """ "weakness of the left hip flexors and right quadriceps": the second muscle is as weak as the first."""
        group = self.group
        if self.weak_of is None or group.targets or group.valued or group.neg is not None or group.hedge is not None:
            return False
        if any(t.item != "power" or t.site is None or t.sign for t in targets) or self.own_result(k):
            return False
        first = min((m.i for m in group.mentions), default=self.ms[k].i)
        at = next(index for index, m in enumerate(self.ms) if m.i == first)
        return at > 1 and bool(self.at(at - 1).joins) and self.at(at - 1).text == "and"

    def _value_for(self, k: int) -> None:
        """ "motor normal for bulk and strength": the value was said for what follows, so it opens the next group."""
        value = self.ms[k - 1] if k else None
        if value is None or not self.group.targets or value not in self.group.results:
            return
        if self.tokens[self.ms[k].i - 1].lower() != "for" or self._own_before_comma(k):
            return
        self.close()
        self.group.results.append(value)
        self.group.mentions.append(value)
        self.said_for = self.group

    def _said_for(self, k: int) -> bool:
        """ "exam: intact for finger nose": the value before the item was said for it."""
        if self.said_for is self.group:
            return True
        tied = k > 0 and self.ms[k - 1] in self.group.results and self._word_before(k) == "for"
        return tied and not self._own_before_comma(k)

    def _drop_strangers(self, k: int, group: Group, targets: list[Target]) -> None:
        """Result words before an item that can say nothing of it are not its result ("unaided so Romberg ..."), nor
        is praise before one that has its own ("okay so straight leg test positive")."""
        if group.targets:
            return
        praised = len(group.results) == 1 and not group.grades and (self.result_of(k + 1) or self._value_follows(k))
        strangers = [
            r
            for r in group.results
            if self._no_result_of(r, targets) or (praised and r.lex is not None and r.lex.text in PRAISE)
        ]
        for m in strangers:
            group.results.remove(m)
            group.mentions.remove(m)

    def _no_result_of(self, m: Mention, targets: list[Target]) -> bool:
        """A word that says nothing of the items, or praise before a sign ("okay so there is tenderness")."""
        alts = [Target(*t.reading.alt, t.reading, None) for t in targets if t.reading is not None and t.reading.alt]
        if all(self.emitter.reading(t, m) is None for t in [*targets, *alts]):
            return True
        result = m.lex.result if m.lex is not None else None
        own = result is not None and any(t.item in result.by_item for t in targets)
        if m.lex is not None and m.lex.text in SEEN and not own:
            return all(self.items[t.item].kind == "sign" and not t.sign and t.reading is not None for t in targets)
        return m.lex is not None and m.lex.text in PRAISE and not own and all(t.sign for t in targets)

    def _close_before_item(self, k: int) -> None:
        """Close the group; a side said behind an item that has no result belongs to the item that follows."""
        group = self.group
        kept = Group()
        last = group.targets[-1].mention
        if not group.complete and last is not None and not self._has_own_side(k):
            self._carry_prefix(group, kept, last.j)
        self.close()
        if kept.mentions:
            self.group = kept

    def _modality(self, k: int, reading: ItemReading) -> bool:
        """ "Sensation intact to light touch and pinprick": the modalities take the place of the family."""
        group = self.group
        new = reading.targets[0]
        before = self._word_before(k)
        if not group.valued:
            return self._loss_to(k, reading, before)
        if self._reflex_place(k, reading, before):
            return True
        if not group.targets:
            return False
        head = group.targets[0]
        words: tuple[str, ...]
        if head.item == "sensory_level" and new[0] in SENSORY and before in ("to", "for") and not self.own_result(k):
            return True  # "sensory level at T7 to pinprick on both sides"
        if head.item == new[0] and head.site is None and new[1] is None and before in ("in", "of"):
            return True
        if head.item == "facial_sensation" and new[0] in SENSORY and before == "to":
            return True
        heading = head.site is None and head.reading is not None and head.reading.heading
        if new[0] == head.item and new[0] in ("power", "muscle_bulk") and (heading or self.modal is group):
            led = new[1] is not None and group.mentions[-2:] == [*group.grades[-1:], group.side_mention]
            if led and heading and self.ms[k - 1] is group.side_mention and not self._own_before_comma(k):
                group.targets = [Target(item, site, reading, self.ms[k]) for item, site in reading.targets]
                return True  # "strength 3/5 bilateral hip flexors, 4/5 bilateral knee extensors"
            fits, words = new[1] is not None, ("in", "of", "for", "at", "with", *(("on",) if group.grades else ()))
        elif head.item == "coordination" or (self.modal is group and head.item in _COORDINATION):
            fits, words = new[0] in _COORDINATION, ("for", "on", "to", "in")
        else:
            fits, words = (
                new[0] in SENSORY and new[0] != "sensation" and (head.item == "sensation" or self.modal is group),
                ("to", "for", "by", "with"),
            )
        if not fits:
            return False
        free = not self.own_result(k) or self._list_closes(k)
        tied = self.ms[k - 1] in (*group.results, *group.grades) and not self._own_before_comma(k)
        first = self.modal is not group and before in words and (free or tied)
        beside = self._joined_or_comma(k) or self.ms[k - 1] in [target.mention for target in group.targets]
        more = self.modal is group and beside and (free or before == "to")
        if not first and not more:
            return False
        targets = [Target(item, site, reading, self.ms[k]) for item, site in reading.targets]
        group.targets = [*(() if first else group.targets), *targets]
        self.modal = group
        return True

    def _reflex_place(self, k: int, reading: ItemReading, before: str) -> bool:
        """ "Reflexes 2+ at the biceps, triceps, knees and ankles": the jerks are the places of the reflexes."""
        group = self.group
        heads = group.targets or self.state.topic
        if not heads or heads[0].item != "reflex" or heads[0].site is not None:
            return False
        item, site = reading.alt if reading.alt is not None else reading.targets[0]
        if item != "reflex" or site is None or (self._own_before_comma(k) and not self._value_of_next_place(k)):
            return False
        beside = self._joined_or_comma(k) or (bool(group.places) and self.ms[k - 1] is group.places[-1].mention)
        if not (before in ("at", "in", "of") or (self.modal is group and beside)):
            return False
        side, mention = None, None
        if group.side_mention is not None and group.mentions[-1] is group.side_mention:
            side, mention = group.side, group.side_mention
        group.places.append(Place(SiteReading(SitePhrase(area=site), "many"), self.ms[k], side, mention))
        self.modal = group
        return True

    def _value_of_next_place(self, k: int) -> bool:
        """ "2+ at the biceps bilaterally 3+ at the knees": the value behind the place at k has its own place."""
        nxt = k + 1
        while self.at(nxt).side:
            nxt += 1
        place = nxt + 1
        if not self._value_at(nxt) or place >= len(self.ms):
            return False
        return (self.is_item(place) or self.is_site(place)) and self._word_before(place) in ("at", "in")

    def _loss_to(self, k: int, reading: ItemReading, before: str) -> bool:
        """ "no sensory loss to pinprick": the loss is of that modality."""
        group = self.group
        if len(group.targets) != 1 or before != "to":
            return False
        head = group.targets[0]
        item = reading.targets[0][0]
        if head.item != "sensation" or not head.sign or item not in SENSORY:
            return False
        group.targets = [Target(item, None, head.reading, self.ms[k])]
        return True

    def _muscle_first(self, k: int, targets: list[Target]) -> bool:
        """ "quads wasted on the right": the muscle named before the sign is where it is."""
        group, new = self.group, targets[0]
        if len(targets) != 1 or not new.sign or new.site is not None or len(group.targets) != 1 or group.complete:
            return False
        muscle = group.targets[0]
        if muscle.reading is None or muscle.mention is None or muscle.mention is not self.ms[k - 1]:
            return False
        site = self._muscle_site(new, muscle.reading)
        if site is None:
            return False
        group.targets = [Target(new.item, site, new.reading, new.mention)]
        group.mentions.append(self.ms[k])
        return True

    def _weakness_of(self, k: int, targets: list[Target]) -> bool:
        """ "weakness of left hip flexion", "weakness R grip": the movement is where the weakness is."""
        group = self.group
        if len(group.targets) != 1 or group.valued or group.places:
            return False
        last, new = group.targets[0], targets[0]
        if last.item not in WHERE_NEXT or not last.sign or last.site is not None:
            return False
        tied = self._word_before(k) in ("of", "in") or self.at(k - 1).text.startswith(("of ", "in "))
        face = last.item == "power" and new.item in _WEAK and not new.sign and tied
        if not face and (new.item != last.item or new.sign or (new.site is None and new.item != "power")):
            return False
        other = group.side in ("right", "left") and self.at(k + 2).side in ("right", "left")
        # "wasting of the right thenar eminence, none on the left"
        of_other = other and self.at(k + 2).side != group.side
        denied = group.neg is not None and not face
        told = self.result_of(k + 1) and self.at(k + 1).text not in SEEN
        if new.item != "power" and (denied or (told and not of_other)):
            return False
        return self.ms[k - 1].kind != COMMA and not self._joined(k)

    def _absorbed(self, k: int, reading: ItemReading) -> bool:
        """A test named as the way a sign was seen ("... on finger tapping"), or "strength" behind a muscle."""
        group = self.group
        m = self.ms[k]
        if group.valued and not group.targets and self._item_as_site(k, reading):
            group.targets = [Target(t.item, reading.targets[0][0], t.reading, m) for t in self.state.topic]
            return True
        if not group.targets:
            return False
        last = group.targets[-1]
        again = reading.heading and last.site is None and reading.targets == ((last.item, None),)
        behind = last.mention.j if last.mention is not None else 0
        apart = self.ms[k - 1] in (*group.results, *group.grades) and any(
            other.kind == UNKNOWN and behind <= other.i for other in self.ms[: k - 1]
        )
        if again and apart and not (group.sided or group.places or self.own_result(k)):
            return True  # "the only reflexes ... trace reflexes in his biceps"
        beside = last.mention is not None and (
            last.mention.j == m.i or (last.mention.j + 1 == m.i and self.tokens[last.mention.j] == "(")
        )
        part = self._muscle_site(last, reading) if last.sign and last.site is None else None
        if part is not None and len(group.targets) == 1 and not group.valued and not self.result_of(k + 1):
            group.targets = [Target(last.item, part, last.reading, last.mention)]
            return True
        graded = self.ms[k - 1] in group.grades and self.ms[k - 1].j == m.i
        if reading.heading and graded and reading.targets == ((last.item, None),) and last.site is not None:
            return True  # "ankle dorsiflexion, 2/5 strength"
        if self._item_as_site(k, reading):
            group.targets = [Target(t.item, reading.targets[0][0], t.reading, t.mention) for t in group.targets]
            return True
        if reading.heading and beside and reading.targets[0][1] is None:
            return reading.targets[0][0] == last.item and last.site is not None
        way = m.i > 0 and self.tokens[m.i - 1].lower() in ("on", "during")
        return way and (last.sign or group.valued) and group.complete and not reading.sign and not self.own_result(k)

    def _enter_station(self, target: Target) -> None:
        station = self.items[target.item].station
        if self.state.region == "face" and target.item not in ("power", *SENSORY):
            self.state.region = None
        if target.item == "tone" and self.state.last_item != "tone":
            self.state.entered = self.state.station
        self.state.last_item = target.item
        if station != "addon" and station != self.state.station:
            if self.state.station is not None:
                self.state.prior_side = None
            self.state.station = station
        if self.state.heading is not None:
            family = FAMILIES.get(self.state.heading)
            if family is not None and target.item not in family:
                self.state.heading = None

    def _has_one(self, m: Mention) -> bool:
        """ "there is a (left)", "has a", "with a" stands before, and no value with it."""
        words = [word.lower() for word in self.tokens[max(0, m.i - 3) : m.i] if word.lower() not in ("left", "right")]
        k = self.ms.index(m)
        return words[-1:] == ["a"] and words[-2:-1] != [] and words[-2] in _HAVING and not self.own_result(k)

    def _faulty(self, m: Mention, reading: ItemReading) -> ItemReading:
        """ "gaze abnormality", "hearing deficit": a fault word behind an item makes it a sign; so does "there is a"
        before a test (Babinski)."""
        fault = m.j < len(self.tokens) and self.tokens[m.j].lower() in _FAULTS
        there = reading.test and self._has_one(m)
        if reading.sign or not (fault or there):
            return reading
        changed = copy.copy(reading)
        changed.sign = True
        return changed
