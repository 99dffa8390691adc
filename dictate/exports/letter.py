"""The letter's contents, the same for every kind of letter (text, Markdown, HTML, PDF, DOCX).

A `Letter` holds words only, in the order in which they are printed; the renderers add nothing of their own,
so that no kind of letter can say more than another.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from dictate.exports.fhir_text import question_lines
from dictate.exports.prose import not_examined_lines, sentences
from dictate.exports.subject import STATUS_WORDS, ExportInput
from dictate.exports.wording import (
    SIDE_WORDS,
    STATE_WORDS,
    by_station,
    item_label,
    open_slots,
    place_words,
    result_words,
    spaced,
    stations,
)
from dictate.figure import figure
from grammar.models import Note

TITLE = "Neurological examination"


@dataclass(frozen=True)
class Section:
    """One station: its findings as sentences and as rows (item, side, result, words)."""

    title: str
    sentences: tuple[str, ...]
    rows: tuple[tuple[str, str, str, str], ...]


@dataclass(frozen=True)
class Letter:
    """Everything a letter says. `marking` is empty for a signed note; `as_table` asks for rows, not prose."""

    title: str
    marking: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    not_examined: tuple[str, ...]
    omissions: tuple[str, ...]
    by_summary: tuple[str, ...]
    questions: tuple[str, ...]
    codes: tuple[tuple[str, str, str, str], ...]
    caution: str
    signature: tuple[str, ...]
    figure_svg: str
    as_table: bool
    language: str = "en"


def letter(subject: ExportInput, *, as_table: bool = False) -> Letter:
    """The contents of the letter of one examination."""
    note = subject.note
    examined = [finding for finding in note.findings if finding.status != "not_examined"]
    return Letter(
        title=TITLE,
        marking="" if subject.status == "signed" else STATUS_WORDS[subject.status],
        facts=tuple(_facts(subject)),
        sections=tuple(
            Section(
                title=stations()[station],
                sentences=tuple(sentences(found)),
                rows=tuple((item_label(f.item, f.site), SIDE_WORDS[f.side], result_words(f), f.text) for f in found),
            )
            for station, found in by_station(examined).items()
        ),
        not_examined=tuple(not_examined_lines(note.findings)),
        omissions=tuple(_omissions(note)),
        by_summary=tuple(
            place_words(slot.item, slot.site, slot.side) for slot in note.slots if slot.state == "recorded_by_summary"
        ),
        questions=tuple(question_lines(note)),
        codes=tuple(_codes(subject)),
        caution=note.caution,
        signature=tuple(_signature(subject)),
        figure_svg=figure(note, draft=subject.is_draft),
        as_table=as_table,
    )


def _omissions(note: Note) -> list[str]:
    """Open slots in words, right and left of one item on one line when the same is true of both."""
    groups: dict[tuple[str, str | None, str], list[str]] = {}
    for slot in open_slots(note):
        if slot.state != "not_examined":
            sides = groups.setdefault((slot.item, slot.site, STATE_WORDS[slot.state]), [])
            if SIDE_WORDS[slot.side] not in sides:
                sides.append(SIDE_WORDS[slot.side])
    return [
        f"{', '.join(filter(None, [item_label(item, site), ' and '.join(filter(None, sides))]))}: {state}"
        for (item, site, state), sides in groups.items()
    ]


def _when(time: datetime) -> str:
    if time.year == 1970:
        return "not stated"
    return time.strftime("%d %B %Y, %H:%M %Z").strip()


def _facts(subject: ExportInput) -> list[tuple[str, str]]:
    born = subject.birth_date.strftime("%d %B %Y") if subject.birth_date else None
    facts = [
        ("Patient", subject.patient_name),
        ("Patient reference", subject.patient_ref),
        ("Born", born),
        ("Examined", _when(subject.started_at)),
        ("By", subject.clinician),
        ("Place", subject.place),
        ("Visit", subject.encounter),
        ("Complaint", ", ".join(map(spaced, subject.note.complaint)) or None),
        ("Record", subject.examination_id),
        ("State", STATUS_WORDS[subject.status]),
    ]
    return [(label, value) for label, value in facts if value]


def _codes(subject: ExportInput) -> list[tuple[str, str, str, str]]:
    """(finding, system, code, name) of the appendix; excluded terms say so, modifiers follow their term."""
    rows = []
    for finding in subject.note.findings:
        place = place_words(finding.item, finding.site, finding.side)
        modifiers = {
            code.system: ", ".join(f"{c.display} {c.code}" for c in finding.codes if c.modifier)
            for code in finding.codes
            if code.modifier
        }
        for code in finding.codes:
            if code.modifier:
                continue
            name = f"excluded: {code.display}" if code.excluded else code.display
            if code.system in modifiers:
                name += f" ({modifiers[code.system]})"
            rows.append((place, code.system, code.code, name))
    return rows


def _signature(subject: ExportInput) -> list[str]:
    signature = subject.signature
    if signature is None:
        return ["Not signed. Name: ____________________   Date: ____________   Signature: ____________________"]
    lines = [f"Signed by {signature.signed_by}, {_when(signature.signed_at)}"]
    if signature.reason:
        lines.append(f"Amended: {signature.reason}")
    return [*lines, f"Fingerprint (SHA-256) {signature.fingerprint}"]
