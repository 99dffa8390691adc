"""A note as table rows: plain tuples in the order of the columns below, ready to go between processes."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from grammar.models import Code, Note

Row = tuple[Any, ...]

# Columns of each table after the two that every table begins with (note_id, position) and before the last one
# (grammar_version). tables_out.py gives them their types.
COLUMNS: dict[str, tuple[str, ...]] = {
    "findings": (
        "row",
        "item",
        "site",
        "side",
        "status",
        "grade",
        "descriptors",
        "qualifiers",
        "reason",
        "text",
        "start_char",
        "end_char",
        "start_s",
        "end_s",
        "confidence",
        "codes",
    ),
    "slots": ("item", "site", "side", "state", "required_by", "reason"),
    "queries": ("kind", "message", "findings", "settle", "start_char", "end_char"),
    "unread": ("text", "start_char", "end_char", "start_s", "end_s"),
    "notes": (
        "kind",
        "date",
        "clinician",
        "complaint",
        "chars",
        "words",
        "seconds",
        "engine",
        "findings",
        "slots",
        "queries",
        "unread",
        "unread_words",
        "withdrawn",
        "context",
    ),
    "rejects": ("kind", "reason", "detail"),
}


@dataclass(slots=True)
class NoteRows:
    """The rows of one note by table; `facts` are the figures for its row in `notes`."""

    tables: dict[str, list[Row]] = field(default_factory=dict)
    facts: dict[str, Any] = field(default_factory=dict)


@lru_cache(maxsize=20_000)
def _codes(codes: tuple[Code, ...]) -> tuple[dict[str, Any], ...]:
    """Codes as plain values; the grammar gives the same few thousand tuples again and again."""
    return tuple(code.model_dump() for code in codes)


def rows_of(note: Note, seconds: float | None = None, engine: str | None = None) -> NoteRows:
    """The rows of a parsed note; `seconds` and `engine` are its recording's length and recogniser."""
    return NoteRows(
        tables={
            "findings": [
                (
                    number,
                    f.item,
                    f.site,
                    f.side,
                    f.status,
                    f.grade,
                    list(f.descriptors),
                    list(f.qualifiers),
                    f.reason,
                    f.text,
                    f.start_char,
                    f.end_char,
                    f.start_s,
                    f.end_s,
                    f.confidence,
                    list(_codes(f.codes)),
                )
                for number, f in enumerate(note.findings)
            ],
            "slots": [(s.item, s.site, s.side, s.state, s.required_by, s.reason) for s in note.slots],
            "queries": [
                (q.kind, q.message, list(q.findings), q.settle, q.start_char, q.end_char) for q in note.queries
            ],
            "unread": [(u.text, u.start_char, u.end_char, u.start_s, u.end_s) for u in note.unread],
        },
        facts={
            "complaint": list(note.complaint),
            "chars": len(note.transcript),
            "words": len(note.transcript.split()),
            "seconds": seconds,
            "engine": engine,
            "unread_words": sum(len(u.text.split()) for u in note.unread),
            "withdrawn": len(note.withdrawn),
            "context": len(note.context),
        },
    )
