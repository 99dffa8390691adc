"""What waits for its value through talk to the patient, and a nerve that heads what follows.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.drafts import Group
from grammar.lexicon import ItemReading
from grammar.repairs import Repairs
from grammar.state import COMMAND


class Waiting(Repairs):
    """What waits for its value, and a nerve that heads what follows."""

    @staticmethod
    def _state(reading: ItemReading | None) -> bool:
        """ "alert", "drowsy": a state that is said, and not the scale."""
        if reading is None or reading.targets[0][0] != "consciousness":
            return False
        return reading.sign or reading.status is not None

    def _waiting(self) -> tuple[str, str | None] | None:
        """ "hearing, can you hear that, reduced on the right": the item that a question to the patient is about."""
        target = self.group.targets[0] if len(self.group.targets) == 1 and not self.group.complete else None
        return (target.item, target.site) if target is not None and not target.sign else None

    def _waits_for(self, asked: tuple[()] | tuple[str, str | None] | None) -> tuple[str, str | None] | None:
        """ "triceps, push, push, four plus on the right": the item that was named before goes on waiting for its value
        when what is said to the patient asks for nothing else."""
        group = self.group
        if len(group.targets) != 1 or group.complete or not asked or asked[1] is not None:
            return None
        target = group.targets[0]
        alt = target.reading.alt if target.reading is not None else None
        named = [pair for pair in ((target.item, target.site), alt) if pair is not None and pair[0] == asked[0]]
        return named[0] if named and named[0][1] is not None else None

    def _nerve_heading(self, k: int) -> bool:
        """ "CN V: sensation intact": a nerve before a colon heads what follows; sensation and power are the face's."""
        group = self.group
        nerves = [m for m in group.grades if m.grade is not None and m.grade.unit == "nerves"]
        alone = not group.targets and len(group.mentions) == 1
        if (len(group.targets) != 1 and not alone) or len(nerves) != 1 or group.results or group.neg is not None:
            return False
        grade = nerves[0].grade
        if grade is None or grade.hi is not None or grade.n not in (5, 7) or not self._prefix_follows(k):
            return False
        for m in group.mentions:
            self.take(m, COMMAND)
        self.group = Group()
        self.state.head_region = "face"
        return True
