"""The state of a live examination and how each event changes it. Pure: no clock, no disk, no sound.

    state = opened(reading, complaint)
    state = heard(reading, state, final_text)     an utterance was recognised
    state = typed(reading, state, text, at_s)     a key or button, put as the words it stands for
    state = paused(state) / resumed(state) / ended(state)

`reading` is the grammar, handed in, so that this module holds no vocabulary of its own. Feeding the same
events gives the same state: that is how a draft is made again from its journal or from its sound.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from dictate.doubt import is_weak
from dictate.events import FinalText, Word
from grammar.models import Note


@dataclass(frozen=True)
class Reading:
    """The grammar as it is handed in.

    `parse(text, *, context, complaint)` reads one utterance after those in `context`;
    `finish(note, utterances)` adds times, confidence, doubts and refused speech; `catalogue` has the labels;
    `version` is the fingerprint.
    """

    parse: Callable[..., Any]
    finish: Callable[[Note, Sequence[FinalText]], Note]
    catalogue: Any
    version: str


Phase = Literal["listening", "paused", "ended"]
Outcome = Literal["nothing", "found", "needs_side", "not_understood", "command", "turned_down"]

OPEN_STATES = ("missing", "asked_no_result", "side_unstated")
HINT_LASTS = 3  # utterances


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
    note: Note  # as the grammar gave it
    shown: Note  # with times, confidence, doubts and refused speech
    context: Any
    station: str | None = None
    said: tuple[FinalText, ...] = ()
    partial: str = ""
    phase: Phase = "listening"
    fresh: tuple[int, ...] = ()  # findings of the last utterance, as places in note.findings
    outcome: Outcome = "nothing"
    controls: tuple[Control, ...] = ()
    hints: tuple[Hint, ...] = ()
    hinted_stations: frozenset[str] = frozenset()
    reminded_items: frozenset[str] = frozenset()
    reply: str | None = None


def opened(reading: Reading, complaint: Sequence[str] = ()) -> LiveState:
    """The state before a word was said: every slot is missing."""
    result = reading.parse("", complaint=tuple(complaint))
    return LiveState(tuple(complaint), result.note, result.note, None, result.station)


def hearing(state: LiveState, partial: str) -> LiveState:
    """The words so far of an utterance that is not finished."""
    return replace(state, partial=partial)


def heard(reading: Reading, state: LiveState, final: FinalText) -> LiveState:
    """A finished utterance: rejected speech is only kept as unread; while paused only "resume" counts."""
    state = replace(state, partial="", controls=(), reply=None)
    if not final.words:
        return state
    if state.phase == "paused":
        controls = _controls(reading.parse(final.text, complaint=state.chosen))
        return replace(state, controls=tuple(control for control in controls if control.kind == "resume"))
    if final.rejected:
        said = (*state.said, final)
        shown = reading.finish(state.note, said)
        return replace(state, said=said, shown=shown, outcome="turned_down", fresh=())
    return _read(reading, state, final)


def unreadable(state: LiveState) -> LiveState:
    """An utterance that the program failed on: nothing of it is shown as found."""
    return replace(state, partial="", controls=(), fresh=(), reply=None, outcome="not_understood")


def typed(reading: Reading, state: LiveState, text: str, at_s: float) -> LiveState:
    """A key or button: read as if its words had been spoken, perfectly, at `at_s`."""
    words = tuple(Word(word, at_s, at_s, 1.0) for word in text.split())
    return _read(reading, replace(state, controls=(), reply=None), FinalText(words, at_s, at_s))


def paused(state: LiveState) -> LiveState:
    return replace(state, phase="paused", partial="") if state.phase == "listening" else state


def resumed(state: LiveState) -> LiveState:
    return replace(state, phase="listening", partial="") if state.phase == "paused" else state


def ended(state: LiveState) -> LiveState:
    return replace(state, phase="ended", partial="")


def _read(reading: Reading, state: LiveState, final: FinalText) -> LiveState:
    result = reading.parse(final.text, context=state.context, complaint=state.chosen)
    before, note = state.note, result.note
    known = Counter(before.findings)
    fresh = tuple(place for place, finding in enumerate(note.findings) if not known[finding])
    said = (*state.said, final)
    controls = _controls(result)
    trusted, reply = _obeyed(controls, final)
    now = replace(
        state,
        note=note,
        shown=reading.finish(note, said),
        context=result.context,
        station=result.station,
        said=said,
        fresh=fresh,
        controls=trusted,
        reply=reply,
        outcome=_outcome(before, note, fresh, controls),
    )
    return _with_hints(state, now)


def _controls(result: Any) -> tuple[Control, ...]:
    return tuple(Control(control.kind, control.value) for control in result.controls)


def _obeyed(controls: tuple[Control, ...], final: FinalText) -> tuple[tuple[Control, ...], str | None]:
    """Commands to carry out; "pause" and "end" (a false one costs words) only when heard well."""
    weak = any(is_weak(word.confidence) for word in final.words)
    doubtful = [control for control in controls if weak and control.kind in ("pause", "end")]
    if not doubtful:
        return controls, None
    kept = tuple(control for control in controls if control not in doubtful)
    return kept, f"Heard “{final.text}” only faintly. Say it again, or press the key."


def _outcome(before: Note, note: Note, fresh: tuple[int, ...], controls: tuple[Control, ...]) -> Outcome:
    if any(note.findings[place].side == "unstated" for place in fresh):
        return "needs_side"
    if fresh:
        return "found"
    if controls or note.withdrawn != before.withdrawn or note.complaint != before.complaint:
        return "command"
    return "not_understood" if len(note.unread) > len(before.unread) else "nothing"


def open_slots(note: Note, items: Sequence[str] | None = None) -> tuple[Any, ...]:
    """Required slots without a result, of all items or of `items`."""
    return tuple(slot for slot in note.slots if slot.state in OPEN_STATES and (items is None or slot.item in items))


def waiting_items(note: Note) -> tuple[str, ...]:
    """Items the patient was asked to do and whose result nobody has said yet."""
    answered = {finding.item for finding in note.findings}
    return tuple(dict.fromkeys(item for item in note.asked if item.partition(":")[0] not in answered))


def _with_hints(before: LiveState, now: LiveState) -> LiveState:
    """Point out, once each, a station left with gaps and an asked item whose result was never said."""
    at_line = len(now.said)
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
