"""The human-readable part of the FHIR document: XHTML narratives, and the lines about what is missing."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import Any

from dictate.exports.fhir_terms import clean
from dictate.exports.subject import STATUS_WORDS, ExportInput
from dictate.exports.wording import by_station, open_slots, place_words, result_words, slot_words, stations
from grammar.models import Note

XHTML = "http://www.w3.org/1999/xhtml"


def narrative(subject: ExportInput) -> dict[str, Any]:
    """The whole document as one narrative: state first, findings, then what was not examined."""
    parts = [f"<p><b>{_safe(STATUS_WORDS[subject.status])}</b></p>"]
    if subject.signature:
        when = subject.signature.signed_at.isoformat()
        parts.append(f"<p>Signed by {_safe(subject.signature.signed_by)}, {when}</p>")
    for station, found in by_station(subject.note.findings).items():
        lines = [f"{place_words(f.item, f.site, f.side)}: {result_words(f)}" for f in found]
        parts.append(_listed(stations()[station], lines))
    parts.append(_listed("Not examined or not recorded", omission_lines(subject.note) or ["None."]))
    parts.append(f"<p>{_safe(subject.note.caution)}</p>")
    return _div("".join(parts))


def section_texts(title: str, lines: Iterable[str]) -> dict[str, Any]:
    """The narrative of one section."""
    return _div(_listed(title, lines))


def omission_lines(note: Note) -> list[str]:
    """Required places without a result, and findings that say "not examined", each in words."""
    said = [
        f"{place_words(f.item, f.site, f.side)}: {result_words(f)}" for f in note.findings if f.status == "not_examined"
    ]
    return list(dict.fromkeys([*said, *(slot_words(slot) for slot in open_slots(note))]))


def question_lines(note: Note) -> list[str]:
    """Queries and words that were not understood."""
    return [*(query.message for query in note.queries), *(f"Not understood: {s.text}" for s in note.unread)]


def _listed(title: str, lines: Iterable[str]) -> str:
    items = "".join(f"<li>{_safe(line)}</li>" for line in lines)
    return f"<p><b>{_safe(title)}</b></p><ul>{items}</ul>"


def _div(content: str) -> dict[str, Any]:
    return {"status": "generated", "div": f'<div xmlns="{XHTML}">{content}</div>'}


def _safe(text: str) -> str:
    return escape(clean(text))
