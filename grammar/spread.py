"""A weakness that is said of the face and of limbs: "weakness of the left face and arm", "... in the arms and face".

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.drafts import Target
from grammar.listing import Listing
from grammar.mentions import COMMA


class Spread(Listing):
    """A weakness that is said of the face and of limbs."""

    def _limb_follows(self, k: int) -> bool:
        """A comma or "and", perhaps a side, and a place."""
        if k + 1 >= len(self.ms) or not (self.ms[k + 1].kind == COMMA or self.at(k + 1).joins):
            return False
        place = k + 2
        while self.at(place).side or self.at(place).joins:
            place += 1
        limb = any(area in ("arm", "leg", "hand", "foot") for area in self._areas(place))
        return limb and not self.result_of(place + 1)

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
