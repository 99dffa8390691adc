"""Small words: but, except, the rest, ditto, doubts, comparisons; and words that are not understood.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.drafts import Group
from grammar.mentions import COMMA
from grammar.naming import Naming
from grammar.state import CONTEXT, INSTRUCTION


class Small(Naming):
    """Small words: but, except, the rest, ditto, doubts, comparisons; and words that are not understood."""

    def on_small(self, k: int) -> None:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        if lex.except_:
            self.close(keep_prefix=False)
            self.excepted = True
        elif lex.but and self._same_breath(k):
            self.group.mentions.append(m)
        elif lex.but:
            self.close(keep_prefix=False)
            self.instructed = self.emitter.doubtful = False
            self.led = None
        elif lex.rest:
            elsewhere = not self.group.targets and k > 0 and self.ms[k - 1] in self.group.grades + self.group.results
            if self.group.complete and self.group.valued and not elsewhere:
                self.close()
            self.group.rest = True
            self.group.mentions.append(m)
        elif lex.ditto:
            if self.group.valued:
                self.close()
            self.group.ditto = m
            self.group.mentions.append(m)
        elif lex.compare == "worse":
            self.on_worse(k)
        elif lex.severity:
            either = self.at(k - 1).text in ("or", "very") and self._either(self._past_severity(k))
            if (self.group.valued and not either and self._prefix_follows(k)) or (
                self.group.complete and self.group.sided and self._side_at(k + 1)
            ):
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
        elif lex.item is not None and self._provoked(k):
            self.pained = True

    def on_hedge(self, k: int) -> None:
        m = self.ms[k]
        lex = m.lex
        assert lex is not None
        nxt = k + 1
        while nxt < len(self.ms) and self.ms[nxt].kind == COMMA:
            nxt += 1
        if lex.hedge == "weak" or (self.group.complete and self.at(nxt).because):
            return  # "confused, maybe due to ...": of the cause
        if self.colon_after is self.group and self.group.targets and self._prefix_follows(k):
            self._head(self.group)
        apart = self.ms[k - 1].kind == COMMA or self.ms[k - 1] is self.group.side_mention
        anew = apart and self._prefix_follows(k)  # "? L drift, ? R catch"
        if self.group.hedge is not None and self.group.targets and not self.group.valued and not anew:
            self.group.mentions.append(m)
            return
        if (self.group.complete and (self._prefix_follows(k) or (self.group.valued and self.group.sided))) or (
            self.group.complete and not self.group.valued and self._second_of_sign(k)
        ):
            self.close()
        self.group.hedge = m
        self.group.mentions.append(m)

    def _where(self, k: int) -> bool:
        """ "extensor on the write": a side or place was said that is not understood, so none is carried to here."""
        i = self.ms[k].i
        words = [word.lower() for word in self.tokens[max(0, i - 2) : i]]
        return words[-1:] == ["on"] or words == ["on", "the"]

    def _unknown_place(self, k: int) -> bool:
        """ "Reflexes: R zzz 2+": behind its side, a word that is not understood is where it was tested."""
        group = self.group
        if not group.targets or group.valued or k == 0 or group.side_mention is not self.ms[k - 1]:
            return False
        last = group.targets[-1]
        heads = last.reading is not None and last.reading.heading and last.site is None
        return bool(heads) and not group.places and self._value_at(k + 1) and self.ms[k + 1].i == self.ms[k].j

    def on_compare(self, k: int) -> None:
        m = self.ms[k]
        assert m.lex is not None
        self.group.compare = m.lex.compare
        self.group.mentions.append(m)

    def on_worse(self, k: int) -> None:
        """ "... brisk, particularly on the left": both sides, and that one the worse; else the side was said before."""
        group = self.group
        side = self.at(k + 1).side
        group.compare = "worse"
        group.mentions.append(self.ms[k])
        said = (group.targets or group.places) and group.results
        free = group.side in (None, "both") and all(spot.side in (None, "both") for spot in group.places)
        if said and free and side in ("right", "left") and not self.next_is_item(k + 1):
            group.compare = side
            group.mentions.append(self.ms[k + 1])
            self.skip_to = k + 2

    def _worse_than_before(self) -> bool:
        """ "both arms weak, left weaker": said of a side of what was abnormal on both."""
        rows = self.state.last_group
        bare = self.group.side in ("right", "left") and not self.group.targets and not self.group.valued
        return bare and bool(rows) and all(row.side == "both" and row.status == "abnormal" for row in rows)

    def on_unknown(self, k: int) -> None:
        """Unknown words between a prefix and its item cut them apart ("no head deviation, ...")."""
        group = self.group
        if group.targets and not group.complete and k and self.ms[k - 1].kind == COMMA:
            self.close()
            return
        if self._unknown_place(k):
            self.close()
            self.group = Group()
            return
        if group.valued and not group.sided and self._where(k):
            group.uncarried = True
        if group.targets and group.complete and group.side is not None and not group.places and self._anded(k):
            self.close()
            return
        if group.targets or group.valued or group.places or group.neg is not None or group.side is not None:
            return
        if group.mentions:
            self.group = Group()
