"""What stands where among the mentions of a sentence: the plainest questions of the reader.

A part of the reader (grammar/reader.py), which is a chain of small classes: each adds one kind of word.
"""

from __future__ import annotations

from grammar.amend import Amender
from grammar.drafts import Group
from grammar.lexicon import NOTHING, ItemReading, Lexeme
from grammar.mentions import COMMA, GRADE, Mention
from grammar.pipeline import Pipeline
from grammar.state import State

PREPOSITIONS = ("on ", "in ", "at ", "of ", "over ", "to ", "for ")


class Peek:
    """The mentions of a sentence, the group under way, and what stands at a place."""

    def __init__(self, pipe: Pipeline, state: State) -> None:
        self.pipe = pipe
        self.items = pipe.catalogue.items
        self.state = state
        self.tokens = state.tokens
        self.classes = state.classes
        self.emitter = Amender(pipe, state)
        self.group = Group()
        self.ms: list[Mention] = []
        self.instructed = False
        self.leading = False
        self.swallowed: list[Mention] = []
        self.repair: str | None = None
        self.correction: Mention | None = None
        self.place_side: tuple[str, Mention] | None = None
        self.skip_to = 0
        self.modal: Group | None = None
        self.said_for: Group | None = None
        self.patient_line = False
        self.colon_after: Group | None = None
        self.excepted = False
        self.heading_side: str | None = None
        self.reasoning = False
        self.together = -1
        self.pained = False
        self.led: tuple[str, str | None] | None = None
        self.weak_of: ItemReading | None = None

    def lex(self, k: int) -> Lexeme | None:
        return self.ms[k].lex if 0 <= k < len(self.ms) else None

    def at(self, k: int) -> Lexeme:
        """The phrase at k, or an empty one."""
        ms = self.ms
        return (ms[k].lex or NOTHING) if 0 <= k < len(ms) else NOTHING

    def take(self, m: Mention, kind: int) -> None:
        for t in range(m.i, m.j):
            self.classes[t] = kind
        m.used = True

    @staticmethod
    def _notex(lex: Lexeme) -> bool:
        return lex.result is not None and lex.result.any is not None and lex.result.any.status == "not_examined"

    def _value_at(self, k: int) -> bool:
        """A number stands there, and none of seconds or steps: "positive right at 30 seconds"."""
        grade = self.ms[k].grade if k < len(self.ms) and self.ms[k].kind == GRADE else None
        return grade is not None and not (self.at(k + 1).units and grade.den is None and grade.unit is None)

    def _side_at(self, k: int) -> bool:
        lex = self.lex(k)
        return lex is not None and lex.side is not None

    def _joined(self, k: int) -> bool:
        before = self.ms[k - 1] if k else None
        return before is not None and ((before.lex is not None and bool(before.lex.joins)) or before.mark in ("/", "&"))

    def _anded(self, k: int) -> bool:
        """ "and" itself (or its sign) stands before k."""
        before = self.ms[k - 1] if k else None
        return before is not None and (
            before.mark in ("/", "&")
            or (before.lex is not None and before.lex.text in ("and", "or", "&", "as well as"))
        )

    def _joined_or_comma(self, k: int) -> bool:
        return k > 0 and (self.ms[k - 1].kind == COMMA or self._joined(k))

    def _word_before(self, k: int) -> str:
        """The word before the phrase at k, past its sides and articles."""
        i = self.ms[k].i
        while k > 0 and (lex := self.lex(k - 1)) is not None and lex.side and self.ms[k - 1].j == i:
            k -= 1
            i = self.ms[k].i
            if lex.text.startswith(PREPOSITIONS):
                return lex.text.split()[0]
        while i > 0 and self.tokens[i - 1].lower() in ("the", "his", "her", "both", "all"):
            i -= 1
        return self.tokens[i - 1].lower() if i else ""
