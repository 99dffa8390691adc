"""What the board and the terminal show: one small frozen picture made from the state. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from dictate.doubt import is_weak
from dictate.live import wording
from dictate.live.state import OPEN_STATES, LiveState, waiting_items
from grammar.models import CAUTION, Finding, Frozen, Note, Slot

CLEAR_S = 2.0  # a lag of the recogniser up to this is not worth a word


class FindingLine(Frozen):
    """One finding in words; `side` is the identifier and `side_word` what is shown."""

    label: str
    side: str
    side_word: str
    result: str
    status: str
    said: str
    weak: bool


class SlotLine(Frozen):
    """One open item of a station: its sides and what is known ("asked, no result yet")."""

    label: str
    sides: str
    state: str
    remark: str


class StationView(Frozen):
    """A station: what is still open in it, and how many of its slots are filled."""

    id: str
    label: str
    here: bool
    open: tuple[SlotLine, ...]
    open_slots: int
    filled: int
    by_summary: int
    total: int


class Summary(Frozen):
    """The end of the examination."""

    title: str
    omissions: tuple[str, ...]
    queries: tuple[str, ...]
    unread: tuple[str, ...]


class View(Frozen):
    """Everything on the board but the level meter and the clock."""

    phase: Literal["listening", "paused", "ended"]
    recording: str
    station: str
    complaint: str
    latest: FindingLine | None
    earlier: tuple[FindingLine, ...]
    partial: str
    under_way: tuple[str, ...]
    stations: tuple[StationView, ...]
    queries: tuple[str, ...]
    unread: tuple[str, ...]
    unread_count: int
    hints: tuple[str, ...]
    notices: tuple[str, ...]
    missing: str
    missing_asked: bool
    summary: Summary | None
    caution: str = CAUTION


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the view shows besides the state: the state of disk, microphone and recogniser."""

    behind_s: float = 0.0
    overflows: int = 0
    problems: tuple[str, ...] = ()
    keep_sound: bool = True
    muted: bool = False
    missing_asked: bool = False
    kept_as: str | None = None


def picture(state: LiveState, catalogue: Any, around: Surroundings) -> View:
    """The view of this moment."""
    note = state.shown
    order = _newest_first(state)
    stations = station_views(note, catalogue, state.station)
    unread = unread_lines(note)
    return View(
        phase=state.phase,
        recording=_recording(state, around),
        station=catalogue.stations[state.station].label if state.station else "",
        complaint=", ".join(wording.plain(piece) for piece in note.complaint),
        latest=finding_line(order[0], catalogue) if order else None,
        earlier=tuple(finding_line(finding, catalogue) for finding in order[1:4]),
        partial=state.partial,
        under_way=tuple(
            wording.label(catalogue, item)
            for item in waiting_items(note)
            if item not in state.reminded_items  # of those the hint and the list of open items tell
        ),
        stations=stations,
        queries=_questions(note),
        unread=tuple(reversed(unread))[:3],
        unread_count=len(unread),
        hints=hint_words(state, catalogue),
        notices=_notices(state, around),
        missing=missing_words(stations),
        missing_asked=around.missing_asked,
        summary=_summary(state, catalogue, unread, around.kept_as) if state.phase == "ended" else None,
    )


def unread_lines(note: Note) -> list[str]:
    """What was not understood, one stretch of speech each (the grammar joins neighbours over a line break)."""
    return [line for span in note.unread for line in span.text.splitlines() if line.strip()]


def _newest_first(state: LiveState) -> list[Finding]:
    """Findings with those of the last utterance in front, the last said first."""
    places = sorted(range(len(state.shown.findings)), key=lambda place: (place in state.fresh, place))
    return [state.shown.findings[place] for place in reversed(places)]


def _questions(note: Note) -> tuple[str, ...]:
    """The questions, those about the newest findings first."""
    order = sorted(note.queries, key=lambda query: max(query.findings, default=-1), reverse=True)
    return tuple(query.message for query in order)


def finding_line(finding: Finding, catalogue: Any) -> FindingLine:
    return FindingLine(
        label=str(catalogue.item_label(finding.item, finding.site)),
        side=finding.side,
        side_word=wording.SIDE_WORDS[finding.side],
        result=wording.result(finding),
        status=finding.status,
        said=finding.text,
        weak=is_weak(finding.confidence),
    )


def station_views(note: Note, catalogue: Any, here: str | None) -> tuple[StationView, ...]:
    """The stations in their order, each with its open items (first the ones under way)."""
    found: dict[str, list[Slot]] = {}
    for slot in note.slots:
        found.setdefault(catalogue.items[slot.item].station, []).append(slot)
    return tuple(
        _station(station, catalogue, found[station], here == station)
        for station in catalogue.stations
        if station in found
    )


def _station(station: str, catalogue: Any, slots: Sequence[Slot], here: bool) -> StationView:
    places: dict[tuple[str, str | None], list[Slot]] = {}
    for slot in slots:
        if slot.state in OPEN_STATES:
            places.setdefault((slot.item, slot.site), []).append(slot)
    lines = []
    for (item, site), open_here in places.items():
        states = {slot.state for slot in open_here}
        state = next(name for name in ("asked_no_result", "side_unstated", "missing") if name in states)
        lines.append(
            SlotLine(
                label=str(catalogue.item_label(item, site)),
                sides=wording.sides(open_here),
                state=state,
                remark=wording.STATE_WORDS[state],
            )
        )
    lines.sort(key=lambda line: line.state == "missing")
    return StationView(
        id=station,
        label=catalogue.stations[station].label,
        here=here,
        open=tuple(lines),
        open_slots=sum(slot.state in OPEN_STATES for slot in slots),
        filled=sum(slot.state not in OPEN_STATES for slot in slots),
        by_summary=sum(slot.state == "recorded_by_summary" for slot in slots),
        total=len(slots),
    )


def missing_words(stations: Sequence[StationView]) -> str:
    """The answer to "what is missing": the station at hand in names, the others in numbers."""
    open_stations = [station for station in stations if station.open_slots]
    if not open_stations:
        return "Nothing is missing."
    current = next((station for station in open_stations if station.here), None)
    parts = []
    if current:
        parts.append(f"{current.label}: {wording.listed([_slot_words(line) for line in current.open], 6)}.")
    elif any(station.here for station in stations):
        parts.append(f"{next(station for station in stations if station.here).label}: nothing.")
    for station in open_stations:
        if station is not current:
            parts.append(f"{station.label}: {wording.counted(len(station.open), 'item')}.")
    return " ".join(parts)


def _slot_words(line: SlotLine) -> str:
    words = f"{line.label} {line.sides}".strip()
    return f"{words} ({line.remark})" if line.remark else words


def hint_words(state: LiveState, catalogue: Any) -> tuple[str, ...]:
    """Hints that still hold: a gap that was filled meanwhile is not mentioned."""
    words = [state.reply] if state.reply else []
    for hint in state.hints:
        kind, _, value = hint.text.partition(":")
        if kind == "left":
            station = next((s for s in station_views(state.shown, catalogue, None) if s.id == value), None)
            if station and station.open:
                names = wording.listed([_slot_words(line) for line in station.open], 3)
                words.append(f"{wording.counted(len(station.open), 'gap')} in {station.label}: {names}")
        elif value in waiting_items(state.note):
            words.append(f"{wording.label(catalogue, value)}: asked, but no result was said")
    return tuple(words)


def _recording(state: LiveState, around: Surroundings) -> str:
    if state.phase == "ended":
        return "Examination ended"
    if state.phase == "paused":
        return "Paused: nothing is kept"
    if around.muted:
        return "Microphone muted while the tool speaks"
    return "Recording" if around.keep_sound else "Recording (sound dropped after reading)"


def _notices(state: LiveState, around: Surroundings) -> tuple[str, ...]:
    notices = list(around.problems)
    if around.behind_s > CLEAR_S and state.phase != "ended":
        notices.append(f"Reading is {around.behind_s:.0f} s behind the sound; nothing is lost, it will catch up.")
    if around.overflows:
        notices.append(f"The sound card dropped sound {wording.counted(around.overflows, 'time')}.")
    return tuple(notices)


def _summary(state: LiveState, catalogue: Any, unread: Sequence[str], kept_as: str | None) -> Summary:
    stations = station_views(state.shown, catalogue, None)
    return Summary(
        title=f"Examination kept as draft {kept_as}" if kept_as else "Keeping the examination ...",
        omissions=tuple(f"{station.label}: {_slot_words(line)}" for station in stations for line in station.open),
        queries=tuple(query.message for query in state.shown.queries),
        unread=tuple(unread),
    )


def closing_lines(state: LiveState, catalogue: Any, kept_as: str) -> list[str]:
    """The end of the examination for a plain terminal: open, asked, unread, and where it is kept."""
    unread = unread_lines(state.shown)
    summary = _summary(state, catalogue, unread, kept_as)
    lines = []
    for title, words in (
        ("Not done", summary.omissions),
        ("Questions", summary.queries),
        ("Not understood", summary.unread),
    ):
        lines += [f"{title}: {len(words)}", *(f"  {word}" for word in words)]
    return [*lines, summary.title, CAUTION]
