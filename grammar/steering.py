"""Words that steer: stations, headings, complaints, spoken commands, instructions to the patient.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.ahead import PRAISE
from grammar.drafts import Group, Target
from grammar.look import PREPOSITIONS
from grammar.mentions import COLON, COMMA, MARK, UNKNOWN, Mention
from grammar.state import COMMAND, CONTEXT, INSTRUCTION
from grammar.waiting import Waiting


class Steering(Waiting):
    """Words that steer: stations, headings, complaints, spoken commands, instructions to the patient."""

    ends_line = False

    def _is_pair_order(self, k: int) -> bool:
        before = self.ms[k - 1] if k else None
        after = self.ms[k + 1] if k + 1 < len(self.ms) else None
        reading = self.item_at(0) if k == 1 and self.is_item(0) else None
        if after is None and self.ends_line and reading is not None and reading.heading:
            return True
        return bool(
            (before is not None and before.mark in ("(", "["))
            or (after is not None and (after.kind == COLON or after.mark in (")", "]")))
        )

    def on_complaint(self, k: int) -> bool:
        other = k + 1
        while (
            other < len(self.ms)
            and (
                self.ms[other].kind in (COLON, COMMA, MARK)
                or (self.ms[other].kind == UNKNOWN)
                or (
                    self.at(other).complaints is None
                    and (
                        self.at(other).side or self.at(other).severity or self.at(other).joins or self.at(other).context
                    )
                )
            )
            and other < k + 6
        ):
            other += 1
        lex = self.lex(other)
        listed = k + 1 < len(self.ms) and self.ms[k + 1].kind == COLON
        if lex is None or lex.complaints is None:
            return self._symptoms(k, k, first=True, listed=listed) > k
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
        self._symptoms(k - 1, k - 1, first=False, listed=listed)
        return True

    def _symptoms(self, start: int, k: int, *, first: bool, listed: bool = False) -> int:
        """ "presenting with headache and left arm weakness": a sign behind the cue or joined to the complaint, with no
        result of its own, is what the patient comes with; so is one behind a comma in what a colon has `listed` ("CC:
        headache, L ptosis"). The index of its last word, or `start` if there is none."""
        at, links = k + 1, (COLON, MARK, COMMA) if listed else (COLON, MARK)
        while at < len(self.ms) and (self.ms[at].kind in links or self.at(at).text in ("and", "or")):
            at += 1
        if not first and (at == k + 1 or self.ms[k + 1].kind == COLON):
            return start
        while at < len(self.ms) and (self.at(at).side or self.at(at).severity or self.is_site(at)):
            at += 1
        reading = self.item_at(at) if at < len(self.ms) else None
        if reading is None or not (reading.sign or reading.status == "abnormal") or self.own_result(at):
            return start
        while at + 1 < len(self.ms) and (self.at(at + 1).side or self.is_site(at + 1)) and self._tied(at + 1):
            at += 1
        if first:
            self.close()
        for index in range(start if first else start + 1, at + 1):
            self.take(self.ms[index], CONTEXT)
        return self._symptoms(at, at, first=False, listed=listed)

    def _tied(self, k: int) -> bool:
        """A preposition ties the side or place to what stands before it: "... of the right leg"."""
        return self.at(k).text.startswith(PREPOSITIONS) or self._word_before(k) in ("of", "in", "on", "at", "over")

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
            if "face" not in lex.text and self.state.region == "face":
                self.state.region = None  # "now the cranial nerves": more than the face
        self.state.topic_sites = []
        self.state.bound = None
        self.state.prior_side = self.heading_side = self.led = None
        self.state.head_side = self.state.head_region = None
        self.state.pair_order = None

    def _steer(self, station: str) -> None:
        self.state.station = "couch" if station == "legs" else station
        self.state.region = {"arms": "arm", "legs": "leg", "face": "face"}.get(station)
        self.state.limb = (self.state.region, None) if self.state.region in ("arm", "leg") else None
        self.state.heading = None
        self.state.topic = []

    def on_colon(self, k: int) -> None:
        """ "On the left: ..." and "Right arm: ..." are headings; "Plantars: ..." keeps its item waiting."""
        self._set_limb_apart()
        if self._limb_heading() or self._nerve_heading(k):
            return
        if self.group.side and not self.group.targets and not self.group.valued:
            self.heading_side = self.group.side
            if len(self.ms) == 2:  # a line of its own heads the lines below
                self.state.head_side, self.state.head_region, self.state.head_line = self.group.side, None, True
            for m in self.group.mentions:
                self.take(m, COMMAND)
            self.group = Group()
        elif self.group.targets and not self.group.complete:
            self.colon_after = self.group
        elif self.group.targets and self.is_site(k + 1) and k + 2 < len(self.ms) and self.is_item(k + 2):
            self.close()  # "right hemiplegia: right arm power 0/5"

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
        self.state.limb = (self.state.head_region, self.state.head_side)
        self.state.topic_sites = []
        self.heading_side = self.state.head_side
        for m in group.mentions:
            self.take(m, COMMAND)
        self.group = Group()
        return True

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

    def _opening_side(self) -> str | None:
        """A sentence that opens with "on the left" and goes on with an item has that side as its heading."""
        lex = self.lex(0)
        if lex is None or lex.side not in ("right", "left"):
            return None
        marked = len(self.ms) > 1 and self.ms[1].kind in (COMMA, COLON)
        limb = self.is_site(1) and bool(self.at(2).neg) and set(self._areas(1)) <= {"arm", "leg"}
        if not marked and not limb and not lex.text.startswith(PREPOSITIONS):
            return None
        first = 2 if marked or limb else 1
        while self.at(first).neg and not self.is_item(first):
            first += 1
        return lex.side if self.is_item(first) else None

    def _head(self, group: Group) -> None:
        """Items before a colon, with items behind it, were a heading."""
        self.state.topic = list(group.targets)
        self.state.topic_sites = []
        for m in group.mentions:
            if m is not group.side_mention:
                self.take(m, COMMAND)
        kept = Group()
        last = group.targets[-1].mention
        if last is not None:
            self._carry_prefix(group, kept, last.j)
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
        """ "withdraw that", "withdraw the last two", "withdraw right knee jerk"."""
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        self.close()
        drafts = self.state.drafts
        if lex.control == "withdraw_named":
            end = k + 1
            while (
                end < len(self.ms)
                and (other := self.lex(end)) is not None
                and (other.side or other.site is not None or other.item is not None)
                and end < k + 4
            ):
                end += 1
                if other.item is not None and self.at(end).side and self.is_item(end + 1) and self.own_result(end + 1):
                    break  # "withdraw left plantar, left plantar flexor"
            self._withdraw_named(self.ms[k + 1 : end])
            self._control("withdraw", None, self.ms[k:end])
            return end
        count = 1
        if lex.control == "withdraw_many":
            count = next((int(w) for w in lex.key or () if w.isdecimal()), 1)
        self.emitter.retract(drafts[-count:])
        self.state.last_group = self.state.last_rows = []
        self.state.refused = None
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

    def on_instruction(self, k: int) -> bool:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        long_enough = len(lex.text.split()) > 1
        if self.is_item(k) and (
            self.own_result(k) or self.group.neg is not None or not long_enough or self._prefix_of(k)
        ):
            return False
        if lex.result is not None and self.group.targets and not self.group.valued:
            return False
        if (lex.joins or lex.site or lex.side) and not long_enough:
            return False
        if lex.text in ("that one", "this one") and self.group.targets and self._value_follows(k):
            return self.group.valued or self.at(k + 1).text in PRAISE  # "the left plantar, that one is extensor"
        if lex.side and self._value_follows(k) and self.at(k + 1).text not in PRAISE:
            return False  # "the other side down"
        if lex.ditto and self._side_at(k + 1) and (self.state.last_rows or self.group.valued):
            return False  # "same again on the left"
        waiting = self._waits_for(lex.instruction)
        self.close()
        self.settle()
        self.take(m, INSTRUCTION)
        self.instructed = True
        self.emitter.doubtful = False
        if waiting is not None:
            self.state.bound, self.state.strange_words = waiting, 0
        self.heading_side = self.led = None
        self.state.prior_side = None
        if lex.instruction:
            self.state.asked.setdefault(lex.instruction, len(self.state.drafts))
            held = self.state.bound is not None and self.state.bound[0] == lex.instruction[0]
            if not lex.weak_ask and not (held and lex.instruction[1] is None):  # "lift your leg up, hold it"
                self.state.bound = lex.instruction
                self.state.strange_words = 0
            self.state.topic = []
            self.state.topic_sites = []
        return True

    def _set_limb_apart(self) -> None:
        """ "5/5 BUE, LE: 4+/5 ...": the limb before the colon heads what follows and is no place of what was said."""
        group = self.group
        last = group.places[-1] if group.valued and group.places else None
        if last is None or group.mentions[-1] is not last.mention or last.reading.areas not in (("arm",), ("leg",)):
            return
        group.places.pop()
        group.mentions.pop()
        self.close()
        self.group.places.append(last)
        self.group.mentions.append(last.mention)

    def _prefix_of(self, k: int) -> bool:
        return bool(self.group.results or self.group.hedge) and not self.group.targets

    def line_end(self) -> None:
        """The end of an utterance or line: a carried side ends; an item may wait for the next one."""
        self.state.prior_side = None
        self.patient_line = False
        if not self.state.head_line:
            self.state.head_region = self.state.head_side = None

    def _full_stop(self) -> None:
        """A full stop ends what is carried; an item that still waits is the topic, no more."""
        if not self.state.head_line:
            self.state.head_region = self.state.head_side = None
        self.state.prior_side = None
        self.state.pending = None

    def _question(self, ms: list[Mention], end: int) -> None:
        for t in range(ms[0].i, end):
            self.classes[t] = INSTRUCTION
        first = self.item_at(0)
        if first is not None and len(ms) > 1 and ms[1].kind == COMMA:  # "pinprick, hmm, does this feel sharp?"
            self.state.topic, self.state.topic_sites = [Target(*pair, first, ms[0]) for pair in first.targets], []
        for m in ms:
            if m.lex is not None and m.lex.instruction:
                self.state.asked.setdefault(m.lex.instruction, len(self.state.drafts))

    def _complained(self, ms: list[Mention]) -> None:
        """ "complains of headache", "referred with ...": talk, but it names the complaint all the same."""
        cue = next((m.lex for m in ms if m.lex is not None and m.lex.context), None)
        if cue is None or not cue.complaint_cue:
            return
        for m in ms:
            if m.lex is not None and (m.lex.neg or m.lex.but):
                return
            if m.lex is not None and m.lex.complaints is not None:
                if m.lex.complaints not in self.state.complaints:
                    self.state.complaints.append(m.lex.complaints)
                return

    def _set_aside(self, ms: list[Mention], low: int, high: int, end: int) -> None:
        self._complained(ms[low:high])
        start = ms[low].i
        floor = ms[low - 1].j if low else 0
        while start > floor and not self.state.classes[start - 1] and self.tokens[start - 1].isalpha():
            start -= 1
        stop = ms[high].i if high < len(ms) else end
        for t in range(start, stop):
            self.classes[t] = CONTEXT
