"""Closing a group, and what a speaker takes back: "sorry", "correction", "no, the left".

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

import copy

from grammar.ahead import COPULA, Ahead
from grammar.drafts import SENSORY, Draft, Group, Place, Target
from grammar.mentions import COMMA, MARK, PHRASE, STOP, UNKNOWN, Mention
from grammar.state import COMMAND, FINDING

# Functions whose missing is said with "no": "no ankle jerks".
_LOST_BY_NO = SENSORY | {
    "reflex",
    "power",
    "gag_reflex",
    "corneal_reflex",
    "hearing",
    "arm_swing",
    "smell",
    "blink_to_threat",
    "facial_sensation",
}

# What is denied of these words behind an item is a complaint.
_COMPLAINTS = frozenset(("problem", "problems", "trouble", "troubles", "issue", "issues", "complaint", "complaints"))

BESIDE = {"right", "left"}


class Repairs(Ahead):
    """Closing a group, and what a speaker takes back: "sorry", "correction", "no, the left"."""

    @staticmethod
    def _value_first(group: Group) -> bool:
        """ "absent right ankle jerk": its value stands before its item."""
        values = [m.i for m in (*group.results, *group.grades)]
        items = [t.mention.i for t in group.targets if t.mention is not None]
        return bool(values and items) and max(values) < min(items)

    def close(self, keep_prefix: bool = True) -> None:
        """Emit the group and begin a new one."""
        if self.group.blank:
            return
        if self.repair is not None and self.repair != "open":
            self.finish_repair()
        else:
            self.flush_plain()

    def flush_plain(self) -> None:
        self.repair = None
        group, self.group = self.group, Group()
        if group.targets:
            self.value_led = self._value_first(group)
        if group.neg is not None and not group.valued:
            group = self._lost(group)
        led = group.led if group.led is None or not (group.places or group.sided or self._even(group)) else None
        self.emitter.led = led[0] if led is not None else None
        rows, refused = self.state.groups, len(self.state.out_of_scale)
        self.emitter.emit(group, led[1] if led is not None and led[1] else self.heading_side)
        self.emitter.led = None
        self.state.refused = group if self.state.groups == rows and len(self.state.out_of_scale) > refused else None

    @staticmethod
    def _even(group: Group) -> bool:
        """ "reflexes normal and symmetrical": said of both sides, whatever limb was named before."""
        said = " ".join(m.lex.text for m in group.results if m.lex is not None)
        return "symmetr" in said or "equal" in said

    def _lost(self, group: Group) -> Group:
        """ "no ankle jerks": for a function, none of it is its absence; "not alert" denies the normal state."""
        if group.targets and group.targets[-1].sign:
            for t in group.targets[:-1]:  # "no motor or sensory deficit": the deficit is that of both
                if not t.sign and t.reading is not None and t.reading.heading and t.site is None:
                    t.reading = copy.copy(t.reading)
                    t.reading.sign = True
        cue = group.neg.lex.text if group.neg is not None and group.neg.lex is not None else "not"
        plain = not cue.startswith("not")
        if plain and group.neg is not None and group.targets and group.targets[0].mention is not None:
            between = range(group.neg.j, group.targets[0].mention.i)  # "without lateralizing findings for strength"
            plain = all(not self.state.content[t] or t in self.emitter.known for t in between)
        group.targets = [
            t
            for t in group.targets
            if not self._leans(t)
            if t.sign
            or self.items[t.item].kind == "test"
            or (self.items[t.item].kind == "sign" and t.reading is None)
            or (plain and t.item in _LOST_BY_NO and not self._muscles(t) and not self._of_complaint(t))
            or ((cue == "not" or cue in COPULA) and t.reading is not None and t.reading.status is not None)
            or (t.reading is not None and t.reading.test)
        ]
        return group

    def _of_complaint(self, target: Target) -> bool:
        """ "no hearing problem": a complaint that is denied, not a sense that is lost; and no finding either."""
        after = target.mention.j if target.mention is not None else len(self.tokens)
        return after < len(self.tokens) and self.tokens[after].lower() in _COMPLAINTS

    @staticmethod
    def _muscles(target: Target) -> bool:
        """ "no finger flexors": no muscle is ever absent, so what was meant (a reflex, spasm ...) was not said."""
        words = target.mention.lex.text if target.mention is not None and target.mention.lex is not None else ""
        return target.item == "power" and target.site is not None and words.endswith("ors")

    def _leans(self, target: Target) -> bool:
        """The item leans on a word that is not understood ("no motor impersistence")."""
        if target.mention is None or target.sign or target.reading is None or not target.reading.heading:
            return False
        after = target.mention.j
        content = self.state.content
        return after < len(content) and bool(content[after]) and after not in self.emitter.known

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
        if lex.repair == "soft" and self._apology(k):
            return False
        words = [word.lower() for word in self.tokens[m.j : m.j + 2]]
        if words[:1] == ["that"] and words[1:] in (["was"], ["is"], ["'s"]) and nxt is not None:
            pass  # "sorry that was the right"
        elif words[:1] and words[0] in ("about", "for", "to", "i", "did", "that", "if", "what"):
            return False
        if nxt is not None and (nxt.joins or (nxt.instruction is not None and nxt.item is None and not nxt.result)):
            self.take(m, FINDING if self.state.replaceable else COMMAND)
            return True
        self._start_repair(m, lex.repair or "strong")
        return True

    def _apology(self, k: int) -> bool:
        """ "..., sorry, it's been a long day, and the right is 2+": nothing in its clause could be put right."""
        first = k + 2
        if first >= len(self.ms) or self.ms[k + 1].kind != COMMA:
            return False
        end = first
        while end < len(self.ms) and self.ms[end].kind not in (COMMA, STOP):
            lex = self.lex(end)
            if self.ms[end].kind not in (UNKNOWN, PHRASE) or (lex is not None and not lex.units):
                return False
            end += 1
        strange = sum(bool(self.state.content[t]) for t in range(self.ms[k + 1].j, self.ms[end - 1].j))
        return end < len(self.ms) and end > first and strange > 0

    def _repaired_before(self, k: int) -> None:
        """ "absent right toe, sorry, left toe, present right toe": the value at k has a side of its own behind it."""
        group, behind = self.group, self.at(k + 1).side
        if self.repair in (None, "open") or group.targets or group.valued or not group.sided:
            return
        sides = {group.side, *(place.side for place in group.places)} - {None}
        other = behind in ("right", "left") and behind not in sides
        if other and not self._value_follows(k + 1) and not self.next_is_item(k + 1):
            self.close()

    def no_but_the_other(self, k: int) -> bool:
        """ "left Hoffmann positive, no, right Hoffmann positive": the same item with its result again is a repair."""
        group, item = self.group, self.item_at(k + 2) if k + 2 < len(self.ms) else None
        if item is None or not group.valued or {self.at(k + 1).side, group.side} != {"right", "left"}:
            return False
        if set(item.targets) != {(t.item, t.site) for t in group.targets} or not self.own_result(k + 2):
            return False
        self._start_repair(self.ms[k], "strong")
        return True

    def not_that_side(self, k: int) -> int:
        """ "a catch on the right, not the right, the left": the index behind it, and k if it is not that."""
        group, own = self.group, k + 1
        other = own + 2 if own + 1 < len(self.ms) and self.ms[own + 1].kind == COMMA else own + 1
        if group.side not in ("right", "left") or not group.complete or group.places:
            return k
        if self.at(own).side != group.side or {self.at(other).side, group.side} != {"right", "left"}:
            return k
        if self.next_is_item(other) or self._value_at(other + 1):
            return k
        group.side, group.side_mention = self.at(other).side, self.ms[other]
        group.mentions.extend(m for m in self.ms[k : other + 1] if m.kind != COMMA)
        return other + 1

    def _start_repair(self, m: Mention, strength: str) -> None:
        """What is said next replaces the part of the last finding that it fits."""
        self.take(m, FINDING)
        self.correction = m if strength == "side" else None
        if self.group.complete:
            self.close(keep_prefix=False)
            self.repair = strength
        elif self.group.blank:
            self.repair = strength if self.state.replaceable else None
        else:
            self.repair = "open"

    def _takes_over(self, old: list[Draft]) -> bool:
        """The item said last can have the result of the one before: sided like it, and graded on the same scale."""
        new = self.items[self.group.targets[0].item]
        before = [(row, self.items[row.item]) for row in old]
        return all(item.sided == new.sided and (row.grade is None or item.scale == new.scale) for row, item in before)

    def finish_repair(self) -> None:
        """The group just read replaces part or all of the finding before it."""
        group, old = self.group, self.state.last_group
        strength, self.repair = self.repair, None
        if self.state.refused is not None and strength != "open":
            self._say_again(self.state.refused)
            self.flush_plain()
            return
        if not old or strength == "open":
            self.flush_plain()
            return
        self._as_before(group, old)
        named = group.targets and not any(target.sign for target in group.targets)
        if named and not group.valued and group.neg is None and not self.state.bound and self._takes_over(old):
            self.emitter.replace_item(group, old)
            self.group = Group()
        elif not group.targets and not group.valued and group.hedge is None:
            self.emitter.replace_side(group, old)
            self.group = Group()
        else:
            self._replace_whole(group, old, strength or "soft")

    def _say_again(self, refused: Group) -> None:
        """ "power six out of five in the left deltoid, no, five out of five": the muscle, place and side are those of
        the value that was outside its scale and so left no row."""
        group = self.group
        if group.targets:
            return
        sided = group.sided
        group.targets = refused.targets
        if not group.places:
            group.places = [Place(p.reading, p.mention, None, None) if sided else p for p in refused.places]
        if not sided:
            group.side, group.side_mention, group.side_first = refused.side, refused.side_mention, refused.side_first
        left = (*refused.grades, *((refused.side_mention,) if sided else ()))
        group.mentions = [*(m for m in refused.mentions if m not in left), *group.mentions]

    @staticmethod
    def _as_before(group: Group, old: list[Draft]) -> None:
        """ "right biceps jerk absent, I mean triceps": the jerk, as before, and not the muscle."""
        if not group.targets or group.valued:
            return
        first = group.targets[0]
        alt = first.reading.alt if first.reading is not None else None
        if alt is not None and all(row.item == alt[0] for row in old):
            group.targets[0] = Target(alt[0], alt[1], first.reading, first.mention)

    def _replace_whole(self, group: Group, old: list, strength: str) -> None:
        named = {(t.item, t.site) for t in group.targets}
        sides = {group.side, "both", "unstated"} if group.side else {"right", "left", "both", "unstated", "none"}
        earlier = [d for d in self.state.drafts[-60:] if d.slot in named and d.side in sides]
        side = group.side or next((spot.side for spot in group.places if spot.side), None)
        if strength != "soft" and earlier:
            other = [row for row in old if row not in earlier and row.slot in named and {row.side, side} == BESIDE]
            self.emitter.retract(earlier, side)
            self.flush_plain()
            new = self.state.last_group
            told = [row for row in other if any((n.status, n.grade) == (row.status, row.grade) for n in new)]
            self.emitter.retract(told)  # "right jerk absent, no make that the left jerk absent"
            return
        same = not group.targets or any(
            t.item == d.item and t.site in (d.site, None) for t in group.targets for d in old
        )
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
        self.emitter.retract(old, side)
        self.flush_plain()
