"""What the page of one draft shows, worked out before the template: transcript pieces, findings by place,
checklist.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from dictate.clinic import catalogue
from dictate.desk import words
from dictate.storage.document import Document, Entry, KeptWord, UnreadPiece
from dictate.storage.reading import Recording
from grammar.models import Query, Slot

WEAK_BELOW = 0.5
"""Words heard with less certainty than this are marked (confidence is 0 to 1)."""
TOKEN = re.compile(r"\S+")
Place = tuple[str, str | None]


@dataclass(slots=True)
class Token:
    """One word of the transcript as the page shows it."""

    text: str
    start: int
    end: int
    entries: tuple[int, ...] = ()
    unread: int | None = None
    recording: int | None = None
    start_s: float | None = None
    end_s: float | None = None
    weak: bool = False
    heard: str = ""

    @property
    def timed(self) -> bool:
        return self.start_s is not None


@dataclass(slots=True)
class Line:
    """One utterance, or one addition with the words that say who added it."""

    tokens: list[Token]
    note: str = ""


@dataclass(slots=True)
class Cell:
    """One side of one place: its findings, or the state of its required slot."""

    entries: list[Entry] = field(default_factory=list)
    slot: Slot | None = None


@dataclass(slots=True)
class Row:
    """One item (and site): right, left, and what has no side."""

    item: str
    site: str | None
    label: str
    right: Cell = field(default_factory=Cell)
    left: Cell = field(default_factory=Cell)
    whole: Cell = field(default_factory=Cell)

    @property
    def sided(self) -> bool:
        return bool(self.right.entries or self.left.entries or self.right.slot or self.left.slot)


@dataclass(slots=True)
class Station:
    """A station of the examination with its rows."""

    label: str
    rows: list[Row]


def transcript_lines(document: Document, recordings: Iterable[Recording]) -> list[Line]:
    """The transcript by utterances, every word with its sound, findings, and marks."""
    text = document.note.transcript
    timed = {
        word.start_char: (recording.number, word)
        for recording in recordings
        for word in recording.words
        if word.start_char is not None
    }
    findings = _by_character([(entry.number, spans_of(entry)) for entry in document.entries if not entry.withdrawn])
    unread = _by_character([(piece.number, [(piece.span.start_char, piece.span.end_char)])
                            for piece in document.unread if piece.verdict in (None, "accepted")])  # fmt: skip
    repairs = {repair.start_char: repair for entry in document.standing() for repair in entry.finding.repaired}
    additions = {addition.start_char: addition for addition in document.additions}
    lines, note, offset = [], "", 0
    for raw in text.split("\n"):
        if offset in additions:
            addition = additions[offset]
            note = f"{words.ORIGIN_WORDS[addition.origin]} by {addition.by}"
        tokens = []
        for match in TOKEN.finditer(raw):
            start, end = offset + match.start(), offset + match.end()
            token = Token(match.group(), start, end, tuple(sorted(findings.get(start, ()))))
            token.unread = min(unread.get(start, ()), default=None)
            _put_sound(token, timed)
            repair = repairs.get(start)
            if repair is not None:
                token.heard = f"heard as “{repair.heard}”, read as “{repair.read_as}”"
            tokens.append(token)
        lines.append(Line(tokens, note))
        note, offset = "", offset + len(raw) + 1
    return lines


def _put_sound(token: Token, timed: dict[int, tuple[int, KeptWord]]) -> None:
    found = timed.get(token.start)
    if found is None:
        return
    number, word = found
    token.recording, token.start_s, token.end_s = number, word.start_s, word.end_s
    token.weak = word.confidence < WEAK_BELOW
    if token.weak and word.rivals:
        token.heard = "also weighed: " + ", ".join(word.rivals)


def spans_of(entry: Entry) -> list[tuple[int, int]]:
    """The stretches of transcript that a finding rests on."""
    finding = entry.finding
    return list(finding.spans) or [(finding.start_char, finding.end_char)]


def _by_character(owners: Iterable[tuple[int, list[tuple[int, int]]]]) -> dict[int, set[int]]:
    found: dict[int, set[int]] = {}
    for number, spans in owners:
        for start, end in spans:
            for position in range(start, min(end, start + 100_000)):
                found.setdefault(position, set()).add(number)
    return found


def stations(document: Document) -> list[Station]:
    """Findings and required places by station, right and left apart; places that are missing say so."""
    known = catalogue()
    rows: dict[Place, Row] = {}

    def row_of(item: str, site: str | None) -> Row:
        return rows.setdefault((item, site), Row(item, site, words.item_words(item, site)))

    for entry in document.standing():
        row = row_of(entry.finding.item, entry.finding.site)
        for side in words.sides_of(entry.finding):
            _cell(row, side).entries.append(entry)
    for slot in document.note.slots:
        cell = _cell(row_of(slot.item, slot.site), slot.side)
        if not cell.entries:
            cell.slot = slot
    order = list(known.items)
    found = []
    for station, label in station_labels():
        mine = [row for row in rows.values() if station_of(row.item) == station]
        mine.sort(key=lambda row: (order.index(row.item) if row.item in order else len(order), row.site or ""))
        if mine:
            found.append(Station(label, mine))
    return found


def station_of(item: str) -> str:
    """The station of an item; unknown items stand with the added pieces."""
    known = catalogue()
    return known.items[item].station if item in known.items else "addon"


def station_labels() -> list[tuple[str, str]]:
    """Station identifiers and labels in the order of the examination."""
    return [(name, str(getattr(station, "label", name))) for name, station in catalogue().stations.items()]


def _cell(row: Row, side: str) -> Cell:
    return row.right if side == "right" else row.left if side == "left" else row.whole


@dataclass(frozen=True, slots=True)
class QueryLine:
    """A query with its key, and the acceptance if there is one."""

    key: str
    query: Query
    accepted: str
    entries: tuple[int, ...]


def query_lines(document: Document) -> list[QueryLine]:
    """All queries, open ones first."""
    accepted = {acceptance.key: acceptance for acceptance in document.acceptances}
    standing = document.standing()
    lines = []
    for query in document.note.queries:
        key = document.query_key(query)
        held = accepted.get(key)
        numbers = tuple(standing[index].number for index in query.findings)
        lines.append(QueryLine(key, query, f"{held.reason} ({held.by})" if held else "", numbers))
    return sorted(lines, key=lambda line: bool(line.accepted))


def open_slots(document: Document) -> list[Slot]:
    """Required places that still lack a result."""
    return [
        slot
        for slot in document.note.slots
        if slot.state in ("missing", "asked_no_result", "side_unstated", "recorded_by_summary")
    ]


def gap_lines(slots: Iterable[Slot]) -> list[tuple[str, list[str]]]:
    """Open places for a letter: the state in words, and the places with their sides, each place once."""
    found: dict[str, dict[Place, list[str]]] = {}
    for slot in slots:
        sides = found.setdefault(words.SLOT_WORDS[slot.state], {}).setdefault((slot.item, slot.site), [])
        sides.append(words.SIDE_WORDS[slot.side])
    return [
        (
            state,
            [
                words.item_words(*place) + (f" ({' and '.join(sides)})" if any(sides) else "")
                for place, sides in places.items()
            ],
        )
        for state, places in found.items()
    ]


def decided_pieces(document: Document) -> tuple[UnreadPiece, ...]:
    """Unread text that somebody decided about."""
    return tuple(piece for piece in document.unread if piece.verdict is not None)
