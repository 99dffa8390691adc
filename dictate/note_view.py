"""A note as lines for people: by station, right beside left; then what is missing, asked, unread.

`lines(note)` gives plain text; `show(note, console)` the same with emphasis on a terminal. Sides are always
words. A finding whose weakest word was heard badly is marked with "?" and said so at the foot.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from dictate.doubt import is_weak
from grammar.explain import why_side, why_status
from grammar.models import Finding, Note, Slot

WEAK_MARK = "?"
STATE_WORDS = {
    "missing": "not yet examined",
    "asked_no_result": "asked, no result said",
    "side_unstated": "side not said",
}
MAX_TEXT = 70


@dataclass(frozen=True, slots=True)
class Row:
    """One item of one station; each cell holds the words of that side's findings."""

    label: str
    right: str = ""
    left: str = ""
    whole: str = ""


@dataclass(frozen=True, slots=True)
class View:
    """The parts of a note's page in order, each a title and its lines or rows."""

    stations: tuple[tuple[str, tuple[Row, ...]], ...]
    missing: tuple[str, ...]
    queries: tuple[str, ...]
    unread: tuple[str, ...]
    foot: tuple[str, ...]
    head: tuple[str, ...] = ()
    withdrawn: tuple[str, ...] = ()
    explained: tuple[str, ...] = field(default=())


def view(note: Note, *, explain: bool = False) -> View:
    """Arrange a note for reading."""
    from dictate.clinic import catalogue

    known = catalogue()
    stations = []
    placed: set[int] = set()
    for station, about in known.stations.items():
        found = [
            (index, finding)
            for index, finding in enumerate(note.findings)
            if finding.item in known.items and known.items[finding.item].station == station
        ]
        placed.update(index for index, _ in found)
        if found:
            title = getattr(about, "label", None) or str(station)
            stations.append((title, tuple(_rows([finding for _, finding in found], known))))
    rest = [finding for index, finding in enumerate(note.findings) if index not in placed]
    if rest:
        stations.append(("Other", tuple(_rows(rest, known))))
    weak = any(is_weak(finding.confidence) for finding in note.findings)
    foot = [f"{WEAK_MARK} marks words that were heard weakly."] if weak else []
    return View(
        head=(f"Complaint: {', '.join(name.replace('_', ' ') for name in note.complaint)}",) if note.complaint else (),
        stations=tuple(stations),
        missing=tuple(_missing(note.slots, known)),
        queries=tuple(
            query.message + (f" To settle: {query.settle.rstrip('.')}." if query.settle else "")
            for query in note.queries
        ),
        unread=tuple(_clip(span.text) + _at(span.start_s) for span in note.unread),
        withdrawn=tuple(_clip(finding.text) for finding in note.withdrawn),
        foot=(*foot, note.caution),
        explained=tuple(_explain(note)) if explain else (),
    )


def lines(note: Note, *, explain: bool = False) -> Iterable[str]:
    """The page as plain lines."""
    page = view(note, explain=explain)
    yield from page.head
    if not page.stations:
        yield "No finding was said."
    for title, rows in page.stations:
        yield title
        width = max(len(row.label) for row in rows)
        for row in rows:
            yield f"  {row.label:{width}}  {_cells(row)}"
    for title, entries in _lists(page):
        yield f"{title}:"
        yield from (f"  {entry}" for entry in entries)
    yield from page.foot


def show(note: Note, console: Any, *, explain: bool = False) -> None:
    """Print the page on a rich console, as tables with emphasis."""
    from rich.table import Table
    from rich.text import Text

    page = view(note, explain=explain)
    for entry in page.head:
        console.print(Text(entry, style="bold"))
    if not page.stations:
        console.print("No finding was said.")
    for title, rows in page.stations:
        table = Table(
            title=title,
            title_justify="left",
            title_style="bold",
            show_edge=False,
            pad_edge=False,
            expand=False,
            box=None,
            header_style="dim",
        )
        for name in ("item", "right", "left", "both or midline"):
            table.add_column(name, overflow="fold")
        for row in rows:
            table.add_row(
                Text(row.label),
                *(Text(cell, style=_style(cell)) for cell in (row.right, row.left, row.whole)),
            )
        console.print(table)
        console.print()
    for title, entries in _lists(page):
        console.print(Text(f"{title} ({len(entries)})", style="bold"))
        for entry in entries:
            console.print(Text(f"  {entry}"))
    for entry in page.foot:
        console.print(Text(entry, style="italic dim"))


def describe(finding: Finding) -> str:
    """A finding's result in words: status, grade, descriptors, qualifiers, reason."""
    words = [finding.status.replace("_", " ")]
    words += [finding.grade] if finding.grade else []
    shown = [word for word in (*finding.descriptors, *finding.qualifiers) if word != finding.status]
    text = " ".join(words)
    if shown:
        text += " (" + ", ".join(word.replace("_", " ") for word in shown) + ")"
    if finding.reason:
        text += f": {finding.reason}"
    return text + (f" {WEAK_MARK}" if is_weak(finding.confidence) else "")


def _lists(page: View) -> list[tuple[str, Sequence[str]]]:
    named = (
        ("Not yet examined", page.missing),
        ("Queries", page.queries),
        ("Unread", page.unread),
        ("Withdrawn", page.withdrawn),
        ("How it was read", page.explained),
    )
    return [(title, entries) for title, entries in named if entries]


def _rows(findings: Sequence[Finding], known: Any) -> Iterable[Row]:
    grouped: dict[tuple[str, str | None], list[Finding]] = {}
    for finding in findings:
        grouped.setdefault((finding.item, finding.site), []).append(finding)
    for (item, site), group in grouped.items():
        label = known.item_label(item, site) if item in known.items else item.replace("_", " ")
        cells = {"right": [], "left": [], "whole": []}  # type: dict[str, list[str]]
        for finding in group:
            said = describe(finding)
            if finding.side in ("right", "left"):
                cells[finding.side].append(said)
            elif finding.side == "both":
                cells["right"].append(said)
                cells["left"].append(said)
            else:
                cells["whole"].append(said + (" (side not said)" if finding.side == "unstated" else ""))
        yield Row(label, *("; ".join(dict.fromkeys(cells[name])) for name in ("right", "left", "whole")))


def _cells(row: Row) -> str:
    if row.right and row.right == row.left:
        parts = [f"right and left: {row.right}"]
    else:
        parts = [f"{side}: {cell}" for side, cell in (("right", row.right), ("left", row.left)) if cell]
    return " | ".join([*parts, *([row.whole] if row.whole else [])])


def _missing(slots: Sequence[Slot], known: Any) -> Iterable[str]:
    grouped: dict[tuple[str, str | None, str, str], list[str]] = {}
    for slot in slots:
        if slot.state in STATE_WORDS:
            grouped.setdefault((slot.item, slot.site, slot.state, slot.required_by), []).append(slot.side)
    for (item, site, state, required_by), sides in grouped.items():
        label = known.item_label(item, site)
        where = " and ".join(side for side in ("right", "left") if side in sides)
        extra = [] if state == "missing" else [STATE_WORDS[state]]
        extra += [] if required_by == "core_screen" else [f"for {required_by.replace('_', ' ')}"]
        yield label + (f", {where}" if where else "") + (f" ({'; '.join(extra)})" if extra else "")


def _explain(note: Note) -> Iterable[str]:
    for finding in note.findings:
        yield (
            f"{finding.text!r} [{finding.start_char}:{finding.end_char}]{_at(finding.start_s)} -> "
            f"{finding.item}{':' + finding.site if finding.site else ''}, {finding.side}, {describe(finding)}"
        )
        for step in finding.steps:
            yield f"    {step.rule}: {step.words}"
        yield f"    side is {finding.side}: {why_side(finding)}"
        yield f"    status is {finding.status}: {why_status(finding)}"
        for repair in finding.repaired:
            yield f"    heard {repair.heard!r}, read as {repair.read_as!r}"
        for code in finding.codes:
            yield f"    {code.system} {code.code} {code.display}"


def _clip(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= MAX_TEXT else text[: MAX_TEXT - 1] + "…"


def _at(start_s: float | None) -> str:
    return "" if start_s is None else f" (at {start_s:.1f} s)"


def _style(cell: str) -> str:
    if "abnormal" in cell:
        return "bold"
    return "dim" if cell.startswith("not examined") else ""
