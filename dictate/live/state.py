"""The state of a live examination and how each event changes it. Pure: no clock, no disk, no sound.

    state = opened(parse, complaint)
    state = heard(parse, state, final_text)     an utterance was recognised
    state = typed(parse, state, text, at_s)     a key or button, put as the words it stands for
    state = paused(state) / resumed(state) / ended(state)

`parse` is `grammar.parse` (handed in, so that this module holds no vocabulary of its own). Feeding the
same events gives the same state: that is how a draft is made again from its journal or from its sound.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from dictate.events import FinalText, Word
from grammar.models import Finding, Note

Parse = Callable[..., Any]  # grammar.parse: (text, *, context, complaint) -> ParseResult
Phase = Literal["listening", "paused", "ended"]
Outcome = Literal["nothing", "found", "needs_side", "not_understood", "command", "turned_down"]

OPEN_STATES = ("missing", "asked_no_result", "side_unstated")
HINT_LASTS = 3  # utterances
# A command that stops the listening must be heard well: below this the tool asks for it again (from
# memory: the posterior at which half of such words are wrong in noise lies near one half; a mistaken stop
# costs words).
TRUST = 0.5


@dataclass(frozen=True, slots=True)
class Control:
    """A spoken command of the last utterance: withdraw, complaint, pause, resume, missing, end or addon."""

    kind: str
    value: str | None = None


@dataclass(frozen=True, slots=True)
class Hint:
    """One quiet remark on the board; shown for a few utterances."""

    text: str
    at_line: int


@dataclass(frozen=True, slots=True)
class LiveState:
    """Everything known at one moment of the examination."""

    chosen: tuple[str, ...]
    note: Note
    context: Any
    station: str | None = None
    lines: tuple[FinalText, ...] = ()
    turned_down: tuple[FinalText, ...] = ()
    partial: str = ""
    phase: Phase = "listening"
    fresh: tuple[Finding, ...] = ()
    outcome: Outcome = "nothing"
    controls: tuple[Control, ...] = ()
    hints: tuple[Hint, ...] = ()
    hinted_stations: frozenset[str] = frozenset()
    reminded_items: frozenset[str] = frozenset()
    reply: str | None = None


def opened(parse: Parse, complaint: Sequence[str] = ()) -> LiveState:
    """The state before a word was said: every slot is missing."""
    result = parse("", complaint=tuple(complaint))
    return LiveState(tuple(complaint), result.note, None, result.station)


def hearing(state: LiveState, partial: str) -> LiveState:
    """The words so far of an utterance that is not finished."""
    return replace(state, partial=partial)


def heard(parse: Parse, state: LiveState, final: FinalText) -> LiveState:
    """A finished utterance: rejected speech is only kept as unread; while paused only "resume" counts."""
    state = replace(state, partial="", controls=(), reply=None)
    if not final.words:
        return state
    if state.phase == "paused":
        controls = _controls(parse(final.text, complaint=state.chosen))
        return replace(state, controls=tuple(control for control in controls if control.kind == "resume"))
    if final.rejected:
        return replace(state, turned_down=(*state.turned_down, final), outcome="turned_down", fresh=())
    return _read(parse, state, final)


def typed(parse: Parse, state: LiveState, text: str, at_s: float) -> LiveState:
    """A key or button: read as if its words had been spoken, perfectly, at `at_s`."""
    words = tuple(Word(word, at_s, at_s, 1.0) for word in text.split())
    return _read(parse, replace(state, controls=(), reply=None), FinalText(words, at_s, at_s))


def paused(state: LiveState) -> LiveState:
    return replace(state, phase="paused", partial="") if state.phase == "listening" else state


def resumed(state: LiveState) -> LiveState:
    return replace(state, phase="listening", partial="") if state.phase == "paused" else state


def ended(state: LiveState) -> LiveState:
    return replace(state, phase="ended", partial="")


def _read(parse: Parse, state: LiveState, final: FinalText) -> LiveState:
    result = parse(final.text, context=state.context, complaint=state.chosen)
    before, note = state.note, result.note
    known = Counter(before.findings)
    fresh = tuple(finding for finding in note.findings if not known[finding])
    controls = _controls(result)
    trusted, reply = _obeyed(controls, final)
    now = replace(
        state,
        note=note,
        context=result.context,
        station=result.station,
        lines=(*state.lines, final),
        fresh=fresh,
        controls=trusted,
        reply=reply,
        outcome=_outcome(before, note, fresh, controls),
    )
    return _with_hints(state, now)


def _controls(result: Any) -> tuple[Control, ...]:
    return tuple(Control(control.kind, control.value) for control in result.controls)


def _obeyed(controls: tuple[Control, ...], final: FinalText) -> tuple[tuple[Control, ...], str | None]:
    """Commands to carry out; "pause" and "end" only when every word was heard well."""
    weak = min((word.confidence for word in final.words), default=1.0) < TRUST
    doubtful = [control for control in controls if weak and control.kind in ("pause", "end")]
    if not doubtful:
        return controls, None
    kept = tuple(control for control in controls if control not in doubtful)
    return kept, f"Heard “{final.text}” only faintly. Say it again, or press the key."


def _outcome(before: Note, note: Note, fresh: tuple[Finding, ...], controls: tuple[Control, ...]) -> Outcome:
    if any(finding.side == "unstated" for finding in fresh):
        return "needs_side"
    if fresh:
        return "found"
    if controls or note.withdrawn != before.withdrawn:
        return "command"
    return "not_understood" if len(note.unread) > len(before.unread) else "nothing"


def open_slots(note: Note, items: Sequence[str] | None = None) -> tuple[Any, ...]:
    """Required slots without a result, of all items or of `items`."""
    return tuple(
        slot for slot in note.slots if slot.state in OPEN_STATES and (items is None or slot.item in items)
    )


def waiting_items(note: Note) -> tuple[str, ...]:
    """Items the patient was asked to do and whose result nobody has said yet."""
    answered = {finding.item for finding in note.findings}
    return tuple(dict.fromkeys(item for item in note.asked if item.partition(":")[0] not in answered))


def _with_hints(before: LiveState, now: LiveState) -> LiveState:
    """Point out, once each, a station left with gaps and an asked item whose result was never said."""
    at_line = len(now.lines)
    hints = [hint for hint in before.hints if at_line - hint.at_line < HINT_LASTS]
    left = before.station
    stations, items = before.hinted_stations, before.reminded_items
    if left and now.station != left and left not in stations:
        hints.append(Hint(f"left:{left}", at_line))
        stations = stations | {left}
    moved_on = bool(now.fresh) or len(now.note.asked) > len(before.note.asked)
    if moved_on:
        late = [item for item in waiting_items(before.note) if item in waiting_items(now.note)]
        for item in late:
            if item not in items:
                hints.append(Hint(f"asked:{item}", at_line))
        items = items | set(late)
    return replace(now, hints=tuple(hints), hinted_stations=stations, reminded_items=items)
