"""Who looks on: the Protocol of board, terminal and line printers, and the two line printers."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol, TextIO

from dictate.events import FinalText
from dictate.live.view import View
from grammar.models import Finding


@dataclass(frozen=True, slots=True)
class Moment:
    """When a picture was made: seconds since the first sample (wall clock), seconds of sound taken."""

    elapsed_s: float
    captured_s: float
    heard: FinalText | None = None
    fresh: tuple[Finding, ...] = ()
    after_endpoint_s: float | None = None
    stages: Mapping[str, float] = field(default_factory=dict)
    """Seconds of each stage of the work on this utterance."""


class Screen(Protocol):
    """Something that shows the examination. Calls come from one thread."""

    def show(self, view: View, moment: Moment) -> None:
        """A new picture."""

    def meter(self, level: float, moment: Moment) -> None:
        """A new level (0 to 1), a few times a second."""

    def close(self) -> None:
        """The examination is over."""


class Lines:
    """Plain lines for a pipe: each new finding, question, hint and notice once."""

    def __init__(self, out: TextIO | None = None) -> None:
        self._out = out or sys.stdout
        self._said: set[str] = set()
        self._phase = ""
        self._missing_asked = False

    def show(self, view: View, moment: Moment) -> None:
        stamp = f"{int(moment.elapsed_s) // 60}:{int(moment.elapsed_s) % 60:02d}"
        if view.phase != self._phase:
            self._phase = view.phase
            self._print(f"{stamp}  {view.recording}")
        if moment.heard is not None:
            known = [finding for finding in (view.latest, *view.earlier) if finding]
            for found in reversed(known[: len(moment.fresh)]):
                side = f" {found.side_word}" if found.side_word else ""
                self._print(f"{stamp}  {found.label}{side}: {found.result}")
        for kind, lines in (
            ("?", view.queries),
            ("!", view.notices),
            ("·", view.hints),
            ("unread", view.unread),
        ):
            for line in lines:
                if f"{kind} {line}" not in self._said:
                    self._said.add(f"{kind} {line}")
                    self._print(f"{stamp}  {kind} {line}")
        if view.missing_asked and not self._missing_asked:
            self._print(f"{stamp}  {view.missing}")
        self._missing_asked = view.missing_asked

    def meter(self, level: float, moment: Moment) -> None:
        """A pipe needs no meter."""

    def close(self) -> None:
        self._out.flush()

    def _print(self, text: str) -> None:
        print(text, file=self._out, flush=True)


class JsonLines:
    """One JSON object a line: "utterance", "view" and "level" as they happen."""

    def __init__(self, out: TextIO | None = None) -> None:
        self._out = out or sys.stdout

    def show(self, view: View, moment: Moment) -> None:
        if moment.heard is not None:
            heard = moment.heard
            self._print(
                event="utterance",
                text=heard.text,
                rejected=heard.rejected,
                start_s=heard.start_s,
                last_word_end_s=heard.words[-1].end_s if heard.words else heard.end_s,
                after_endpoint_s=moment.after_endpoint_s,
                stages_s={name: round(seconds, 4) for name, seconds in moment.stages.items()},
                findings=[finding.model_dump() for finding in moment.fresh],
                **self._times(moment),
            )
        self._print(event="view", view=view.model_dump(), **self._times(moment))

    def meter(self, level: float, moment: Moment) -> None:
        self._print(event="level", level=round(level, 3), **self._times(moment))

    def close(self) -> None:
        self._out.flush()

    @staticmethod
    def _times(moment: Moment) -> dict[str, Any]:
        return {"elapsed_s": round(moment.elapsed_s, 3), "captured_s": round(moment.captured_s, 3)}

    def _print(self, **facts: Any) -> None:
        print(json.dumps(facts, ensure_ascii=False), file=self._out, flush=True)
