"""What is said once and holds for more: a weakness of the face and of limbs ("weakness of the left face and arm"), the
limb that leads several tests ("in the right arm tone is normal, power 5/5").

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.about import SUMMED
from grammar.drafts import Target
from grammar.lexicon import ItemReading
from grammar.listing import Listing
from grammar.mentions import COMMA, UNKNOWN

_LIMB_TESTS = frozenset((item, limb) for item in SUMMED for limb in ("arm", "leg"))
_LIMBS = frozenset(("arm", "leg", "hand", "foot"))


class Spread(Listing):
    """What is said once and holds for more: a weakness of the face and limbs, the limb that leads several tests."""

    def _led_by_limb(self, k: int, reading: ItemReading) -> None:
        """ "in the right arm tone is normal power five out of five reflexes two plus": the limb before the first test
        is that of the tests which follow with no place or side of their own."""
        group, led = self.group, self.led
        self.led = None
        if group.targets or group.valued or group.neg is not None:
            return
        if not (group.places or group.sided):
            if self._is_family(reading):
                group.led = self.led = led
                return
            if reading.targets[0] not in _LIMB_TESTS or reading.number != "many":
                return
        limb, side, many = self._limb_here(reading)
        if limb is not None and (side in ("right", "left") or many) and self._family_follows(k):
            self.led = limb, side

    def _limb_here(self, reading: ItemReading) -> tuple[str | None, str | None, bool]:
        """The limb at which the test is done ("right arm tone", "in the arms power"), its side, is it plural?"""
        group = self.group
        if not group.places and reading.targets[0] in _LIMB_TESTS:
            return reading.targets[0][1], group.side, reading.number == "many"
        if len(group.places) != 1 or not self._is_family(reading):
            return None, None, False
        place = group.places[0]
        if place.reading.areas not in (("arm",), ("leg",)):
            return None, None, False
        return place.reading.areas[0], place.side or group.side, place.reading.number == "many"

    @staticmethod
    def _is_family(reading: ItemReading) -> bool:
        """A test of a whole limb: tone, power, reflexes, a modality."""
        item, site = reading.targets[0]
        return site is None and item in SUMMED and not reading.sign and len(reading.targets) == 1

    def _family_follows(self, k: int) -> bool:
        """Behind the value of the item at k stands another such test with a value, and no place or side is about it."""
        nxt = k + 1
        while nxt < len(self.ms) and (self.result_of(nxt) or self.at(nxt).severity):
            nxt += 1
        valued = nxt > k + 1
        while nxt < len(self.ms) and (self.ms[nxt].kind == COMMA or self.at(nxt).joins):
            nxt += 1
        if not valued or nxt >= len(self.ms) or not self.is_item(nxt):
            return False
        reading = self.item_at(nxt)
        if reading is None or not self._is_family(reading):
            return False
        end = nxt + 1
        while end < len(self.ms) and (self.result_of(end) or self.at(end).severity):
            end += 1
        return end > nxt + 1 and not self.at(end).side and not (end < len(self.ms) and self.is_site(end))

    def _limb_follows(self, k: int) -> bool:
        """A comma or "and", perhaps a side, and a place."""
        if k + 1 >= len(self.ms) or not (self.ms[k + 1].kind == COMMA or self.at(k + 1).joins):
            return False
        place = k + 2
        while self.at(place).side or self.at(place).joins:
            place += 1
        limb = any(area in ("arm", "leg", "hand", "foot") for area in self._areas(place))
        return limb and not self.result_of(place + 1)

    def _of_next_sign(self, k: int) -> bool:
        """ "right facial droop and left arm weakness": side and place behind a sign are those of the next one, for the
        first cannot be there."""
        group = self.group
        if not self._there() or group.valued or group.neg is not None or group.places or not self._joined_or_comma(k):
            return False
        sign, areas = k, list[str]()
        while sign < len(self.ms) and not self.is_item(sign):
            lex = self.at(sign)
            if not (lex.side or lex.site or lex.severity or lex.joins or self.ms[sign].kind == COMMA):
                return False
            areas += self._areas(sign)
            sign += 1
        reading = self.item_at(sign) if sign < len(self.ms) else None
        if reading is None or not reading.sign or not {*areas} & _LIMBS or self.ms[sign].i - self.ms[sign - 1].j > 1:
            return False
        if any(t.site is None and self._site_of(t.item, tuple(areas)) for t in group.targets):
            return False
        items = [self.items[item] for item, _ in reading.targets]
        return any((item.sided and not item.sites) or self._site_of(item.id, tuple(areas)) for item in items)

    def _weak_elsewhere(self, k: int) -> bool:
        """The weakness of a limb behind a sign of the face is no result of that sign."""
        lex, group = self.at(k), self.group
        if lex.text != "weakness" or group.valued or any(t.item != "facial_power" or not t.sign for t in group.targets):
            return False
        if not group.targets:
            return bool(group.places) and all({*p.reading.areas} & _LIMBS for p in group.places)
        place = k + 1
        while self.at(place).side or self.at(place).text in ("of", "in"):
            place += 1
        return self._joined_or_comma(k) and bool({*self._areas(place)} & _LIMBS)

    def _weak_limbs_too(self, head: Target, own_side: bool) -> None:
        """ "weakness of the left face and arm": the face is done, the same is said of the limbs that follow."""
        face = self.group
        self.close()
        self.group.targets = [head]
        self.group.neg, self.group.sevs, self.group.mentions = face.neg, list(face.sevs), list(face.mentions[:-1])
        if not own_side:
            self.group.side, self.group.side_mention = face.side, face.side_mention

    def _weak_face_too(self, k: int) -> bool:
        """ "weakness in the left arm and face": the same is said of the face, which ends the list."""
        group = self.group
        weak = len(group.targets) == 1 and group.targets[0].item == "power" and group.targets[0].sign
        if not weak or group.valued or not group.places or self.at(k).text != "face" or self.own_result(k):
            return False
        first = k - 1
        while first > 0 and self.at(first).side:
            first -= 1
        if self.at(first).text not in ("and", "or", "nor"):
            return False
        head, side = group.targets[0], next((p.side for p in reversed(group.places) if p.side), group.side)
        own = self.at(k - 1).side
        if own and group.side_mention is self.ms[k - 1]:
            group.side = group.side_mention = None
            group.mentions.remove(self.ms[k - 1])
        self.close()
        self.group.targets = [Target("facial_power", None, head.reading, self.ms[k])]
        self.group.neg, self.group.sevs, self.group.side = group.neg, list(group.sevs), own or side
        self.group.mentions = [m for m in (head.mention, group.neg, self.ms[k]) if m is not None]
        return True

    def _of_strange_test(self, k: int) -> bool:
        """ "Froment positive on the right pinprick dull ...": value and side are of what is not understood."""
        group, first = self.group, k - 2
        if group.targets or len(group.results) != 1 or group.mentions != [group.results[0], group.side_mention]:
            return False
        if (
            group.side_bare
            or first < 1
            or self.ms[first] is not group.results[0]
            or self.ms[k - 1] is not group.mentions[1]
        ):
            return False
        strange = self.ms[first - 1].kind == UNKNOWN and self.ms[first - 1].j == self.ms[first].i
        return strange and self.own_result(k)

    def _prefix_of_another(self, k: int) -> bool:
        """ "left eye xyz diplopia on right gaze": words stand between the side and the item, which has its own."""
        group = self.group
        apart = bool(group.mentions) and self.ms[k - 1] not in group.mentions and self.ms[k - 1].kind != COMMA
        bare = not (group.targets or group.valued or group.neg or group.hedge or group.sevs or group.rest)
        return apart and bare and group.side in ("right", "left") and self._has_own_side(k)
