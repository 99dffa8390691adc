"""Mentions -> groups: the walk from left to right that joins items, sides, places and results.

The reader fills one group at a time. A new item, or a second result or side, closes the group; what was said after
the result and before the next item is either a further result for the same item ("..., absent on the left") or the
beginning of the next ("left biceps ..."). The rules that decide are the methods below, one per kind of word.
"""

from __future__ import annotations

from grammar.drafts import Group, Target
from grammar.mentions import COLON, COMMA, GCS, GRADE, PHRASE, UNKNOWN, Mention
from grammar.small import Small
from grammar.state import COMMAND, CONTEXT, INSTRUCTION
from grammar.talk import context_scopes

# Words that are not understood after which a bare result no longer answers the last instruction (own choice).
LONG_TALK = 12
# Negations that need their verb behind them.
VERBS_DENIED = frozenset(("does not", "doesn't", "did not", "didn't"))


class Reader(Small):
    """Reads the mentions of one utterance into the state."""

    def reset(self) -> None:
        """Forget what was under way."""
        self.group = Group()
        self.instructed = self.excepted = self.reasoning = self.ends_line = False
        self.swallowed = []
        self.repair = self.place_side = self.modal = self.said_for = self.colon_after = None

    def sentence(self, ms: list[Mention], mark: str, end: int) -> None:
        """Read one sentence: set its talk aside, then read the rest. `end` is the token index where it ends."""
        self.ms = ms
        self.ends_line = mark in ("\n", "")
        self.emitter.known = frozenset(
            t
            for k, m in enumerate(ms)
            if m.kind != UNKNOWN and not (m.lex and m.lex.stranger) and not self._idle(k)
            for t in range(m.i, m.j)
        )
        if self.patient_line:
            for t in range(ms[0].i, end):
                self.classes[t] = CONTEXT
            return
        self.state.sentence_from = len(self.state.drafts)
        self.emitter.told_side = None
        self.emitter.exam = None
        self.emitter.opening = self._opening_word()
        self.emitter.strange = frozenset(t for m in ms if m.lex and m.lex.stranger for t in range(m.i, m.j))
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
                self._still_about(low, high)
            self.read(ms[first:])
        self.emitter.gcs_total()
        if mark in (".", "!", "?"):
            self._full_stop()

    def _idle(self, k: int) -> bool:
        """ "pain was detected": a word that names a modality only in a list of them names nothing here."""
        lex = self.ms[k].lex
        item = lex.item if lex is not None else None
        return item is not None and item.needs == "modality" and not self.modality_near(k)

    def _opening_word(self) -> int:
        """The token behind the words that open the sentence and are not understood, or -1: a bare result there is
        theirs, and not that of the sentence before ("H-S N b/l", "Gait ataxic. XYZ normal")."""
        k = 0
        while k < len(self.ms) and self.ms[k].kind == UNKNOWN:
            k += 1
        said = k > 0 and any(
            self.state.content[t] and not self.tokens[t].endswith("ly") for t in range(self.ms[0].i, self.ms[k - 1].j)
        )
        tied = said and k < len(self.ms) and self.ms[k].i == self.ms[k - 1].j
        return self.ms[k].i if tied else -1

    def _still_about(self, low: int, high: int) -> None:
        """ "last year the ankle jerks were absent, now they are normal": the talk names what is now spoken of."""
        if not self.at(high).now:
            return
        for k in range(high - 1, low, -1):
            reading = self.item_at(k)
            if reading is not None and self.is_item(k):
                self.state.topic = [Target(item, site, reading, self.ms[k]) for item, site in reading.targets]
                self.emitter.told_side = self.at(k - 1).side or self.at(k + 1).side
                return

    def read(self, ms: list[Mention]) -> None:
        """Read one sentence (the mentions up to a full stop)."""
        self.ms = ms = self._without_roots(ms) if any(m.mark == "(" for m in ms) else ms
        self.instructed = False
        self.repair = self.led = None
        if (
            len(ms) == 2
            and ms[0].lex is not None
            and ms[0].lex.joins
            and ms[1].lex is not None
            and ms[1].lex.side in ("right", "left")
        ):
            self.group.ditto = ms[0]
            self.group.mentions.append(ms[0])
        self.excepted = self.emitter.doubtful = self.leading = False
        self.pained, self.weak_of = False, None
        self.heading_side = self._opening_side() or self.state.head_side
        self.colon_after = None
        self.reasoning = False
        if self.state.pending is not None:
            if self._answers(ms):
                self.group = self.state.pending
            self.state.pending = None
        k = 0
        self.skip_to = 0
        while k < len(ms):
            k = max(self.step(k), self.skip_to)
        self.settle()
        alone = ms[0] in self.group.mentions if ms else False
        if len(ms) <= 3 and ((alone and self._limb_heading(line=True)) or self._column_heading()):
            return
        self.close()
        if self.repair == "side" and self.correction is not None:
            self.emitter.open_correction(self.correction)

    def _answers(self, ms: list[Mention]) -> bool:
        """An utterance that begins with a value, a side or a doubt goes on with the item that waits for one."""
        k = next((k for k, m in enumerate(ms) if m.kind != COMMA), 0)
        first = ms[k] if ms else None
        if first is None or first.kind not in (GRADE, PHRASE) or self.is_item(k):
            return False
        lex = first.lex
        return lex is None or bool(
            lex.result or lex.side or lex.hedge or lex.severity or lex.neg or lex.ditto or lex.site or lex.compare
        )

    def step(self, k: int) -> int:
        m = self.ms[k]
        if m.mark == "(" and self.group.notex is not None and self.group.targets and self.group.reason is None:
            self.reasoning = True  # "unable to test hopping (plaster)"
        if self.reasoning:
            end = self.reason(k)
            if end > k:
                return end
        if m.mark == ")":
            self._bracket_ends(k)
        opens = m.mark == "(" and self.result_of(k + 1) and self.at(k + 1).result is not None
        if opens and self.group.complete and self.next_is_item(k + 1):
            self.close()  # "proximal weakness (cannot rise from a chair)"
        if m.kind == COMMA:
            self._limb_heading()
        elif m.kind == GRADE and self.is_item(k):
            self.on_item(k)
        elif m.kind == GRADE:
            self.on_grade(k)
        elif m.kind == GCS:
            self.emitter.gcs(m)
        elif m.kind == COLON:
            self.on_colon(k)
        elif m.kind == PHRASE:
            return self.on_phrase(k)
        if m.kind == UNKNOWN:
            self._drift(m)
        if m.kind == UNKNOWN and self.instructed:
            self.swallow(m)
        elif m.kind == UNKNOWN:
            self.on_unknown(k)
        return k + 1

    def _bracket_ends(self, k: int) -> None:
        """ "left knee jerk 1+ (2+ on the right), ...": a side said in brackets is not carried on."""
        side = self.group.side_mention
        if side is None or not self.group.valued or side.j != self.ms[k].i:
            return
        if k + 1 < len(self.ms) and self.ms[k + 1].kind == COMMA:
            self.close()
            self.state.prior_side = self.state.topic_side = None

    def _drift(self, m: Mention) -> None:
        """Talk of other things ends the wait for the result of an instruction."""
        self.state.strange_words += m.j - m.i
        if self.state.strange_words > LONG_TALK:
            self.state.bound = None

    def on_phrase(self, k: int) -> int:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        if lex.pair_order and self._is_pair_order(k):
            self.state.pair_order = lex.pair_order
            self.take(m, COMMAND)
            return k + 1
        if lex.complaint_only:
            denied = self.group.neg is not None or self.at(k - 1).neg is not None
            if not lex.text.startswith(("right ", "left ")) and not denied:
                self.take(m, COMMAND)
            if lex.complaints is not None and lex.complaints not in self.state.complaints and not denied:
                self.state.complaints.append(lex.complaints)
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
        if lex.text == "not" and (end := self.not_that_side(k)) > k:
            return end
        if lex.text == "no" and self.no_but_the_other(k):
            return k + 1
        if lex.instruction is not None and self.on_instruction(k):
            return k + 1
        answer = lex.result and self.group.targets and not self.group.valued
        if lex.question and not self.is_item(k) and not answer and not self._there_is(k):
            waiting = self._waiting()
            self.close()
            self.take(m, INSTRUCTION)
            self.instructed = True
            if waiting is not None:
                self.state.bound, self.state.strange_words = waiting, 0
            return self._asked(k)
        if (lex.side or lex.site) and self._of_next_sign(k):
            self.close()
        if self.is_item(k) and not self._result_here(k):
            self.on_item(k)
        elif lex.station or lex.heading:
            self.on_station(k)
        elif (
            lex.site is not None
            and lex.result is not None
            and self.group.targets
            and any(t.item in lex.result.by_item for t in self.group.targets)
        ):
            self.on_result(k)
        elif lex.site is not None and not (lex.result is not None and self.group.targets and not lex.site.areas):
            self.on_site(k)
        elif lex.text == "neither":
            if not self.result_of(k + 1):
                self.on_side(k)  # of "neither brisk nor absent" it says no side
            self.group.neg = m
            self.group.mentions.append(m)
        elif lex.compare in ("right", "left"):
            self.on_compare(k)
        elif lex.compare == "worse" and self._worse_than_before():
            self.on_worse(k)
        elif lex.side and not self._no_side(k):
            self.on_side(k)
        elif lex.neg and self._denies(k):
            self.on_neg(k)
        elif self._reaches(k) and self.group.places:
            self.group.mentions.append(m)
        elif lex.result is not None and not (lex.hedge and not self._result_fits(m)) and not self._only_severe(k):
            self.on_result(k)
            if lex.because and m in self.group.results:
                self._cause(k)
        else:
            self.on_small(k)
        return k + 1

    def _only_severe(self, k: int) -> bool:
        """ "complete weakness": a result of a clock that was drawn, but of a sign it says how much."""
        lex, ahead = self.at(k), self.item_at(k + 1)
        if not lex.severity or lex.result is None or ahead is None or self.group.targets:
            return False
        return lex.result.any is None and not any(item in lex.result.by_item for item, _ in ahead.targets)

    def _no_side(self, k: int) -> bool:
        """ "on the other hand the plantars are ...", "the other reflexes are ...": a turn of speech, and the rest. "My
        wife left me", "one biscuit left so ...": no side either."""
        lex = self.at(k)
        if lex.text in ("left", "right") and self._of_talk(k):
            return True
        i = self.ms[k].i
        if lex.text.startswith("to ") and i and self.tokens[i - 1].lower() in ("compared", "relative"):
            return True  # "1+ on the right, diminished compared to left"
        if lex.side == "other" and self._word_before(k) == "with":  # "cogwheeling with the other hand moving"
            return any(t.item in ("cogwheel_rigidity", "tone") for t in self.group.targets or self.state.topic)
        if not (lex.but or lex.rest) or not self.next_is_item(k):
            return False
        reading = self.item_at(self._next_item(k))
        return lex.but is not None or (reading is not None and (reading.heading or reading.number == "many"))

    def _of_talk(self, k: int) -> bool:
        """A verb, or a word amid others that are not understood."""
        m, before = self.ms[k], self.ms[k - 1] if k else None
        after = self.tokens[m.j].lower() if m.j < len(self.tokens) else ""
        if after in ("me", "him", "us", "them", "it"):
            return True
        amid = before is not None and before.kind == UNKNOWN and before.j == m.i and self.group.blank
        return amid and (after in ("so", "then") or k + 1 == len(self.ms) or self.ms[k + 1].kind == UNKNOWN)

    def _there_is(self, k: int) -> bool:
        """ "and there are four beats of clonus": no question to the patient."""
        m = self.ms[k]
        return self.at(k).text == "and there" and self.tokens[m.j : m.j + 1] in (["is"], ["are"], ["'s"], ["was"])

    def _denies(self, k: int) -> bool:
        """ "does not" denies what follows at once ("the face does not droop"), or is itself the result of a drift."""
        verb = self.at(k).text in VERBS_DENIED
        if not verb:
            return self.at(k).result is None or self.next_is_item(k)
        if self.next_is_item(k):
            return True
        nxt = k + 1
        return nxt < len(self.ms) and self.result_of(nxt) and self.ms[nxt].i == self.ms[k].j and self._negated(k) == nxt

    def _asked(self, k: int) -> int:
        """ "are there any areas of decreased sensation": a question for any of it reaches to what it asks for."""
        if not self.at(k).text.endswith(" any"):
            return k + 1
        end = k + 1
        while end < len(self.ms) and end < k + 6 and self.ms[end].kind != COMMA:
            if self.is_item(end):
                while self.at(end + 1).joins and self.is_item(end + 2) and not self.own_result(end + 2):
                    end += 2
                for index in range(k, end + 1):
                    self.take(self.ms[index], INSTRUCTION)
                return end + 1
            end += 1
        return k + 1

    def _result_fits(self, m: Mention) -> bool:
        targets = self.group.targets or self.state.topic
        return any(self.emitter.reading(t, m) is not None for t in targets)

    def _result_here(self, k: int) -> bool:
        """A phrase that is both an item and a result is a result for the item that waits for one."""
        lex = self.lex(k)
        if lex is None or lex.result is None or self._weak_elsewhere(k):
            return False
        waiting = [t.item for t in self.group.targets]
        if not waiting and self.group.mentions:
            waiting = [t.item for t in self.state.topic]
        if lex.item is not None and lex.item.status == "normal" and lex.item.targets[0][0] == "consciousness":
            return "consciousness" in waiting
        if lex.item is not None and lex.item.status == "normal" and lex.item.targets[0][0] == "general_statement":
            return bool(self.group.targets) and not self.group.complete
        if self.next_is_item(k) and not self.group.targets:
            nxt = k + 1
            while not self.is_item(nxt):
                nxt += 1
            reading = self.item_at(nxt)
            here = lex.item is not None and lex.item.sign and self._word_before(nxt) in ("of", "in")
            if here and self.at(nxt).text == "face" and self._limb_follows(nxt):
                return False  # "weakness in the face and arms"
            if reading is not None and any(item in lex.result.by_item for item, _ in reading.targets):
                return True
        return any(item in lex.result.by_item for item in waiting) and not self.group.neg
