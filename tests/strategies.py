"""Random valid examinations for hypothesis: notes that the catalogue allows, with any text one can type."""

from __future__ import annotations

import tomllib
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from dictate.exports.subject import ExportInput, Signature, fingerprint
from grammar.codes import codes_for
from grammar.models import (
    CoverSpan,
    Finding,
    Note,
    Query,
    Repair,
    Slot,
    Step,
    Suggestion,
    TextSpan,
)

_DATA = Path(__file__).parents[1] / "grammar" / "data" / "protocols"
CATALOGUE = tomllib.loads((_DATA / "catalogue.toml").read_text(encoding="utf-8"))
ITEMS: dict[str, dict[str, Any]] = CATALOGUE["items"]

GRADES = {
    "mrc": ["0", "1", "2", "3", "4-", "4", "4+", "5-", "5"],
    "reflex": ["0", "trace", "1+", "2+", "3+", "4+"],
    "ashworth": ["0", "1", "1+", "2", "3", "4"],
    "gcs": [str(total) for total in range(3, 16)],
    "snellen": ["6/6", "6/9", "20/40", "6/60"],
    "degrees": ["0", "40", "90", "180"],
    "count": ["10/10", "2/3", "0/5"],
    "beats": ["0", "3", "12"],
    "millimetres": ["2", "4", "7"],
    "level": ["C5", "T10", "L1"],
}
QUALIFIERS = ["slight", "very slight", "mild", "moderate", "marked", "severe", "hedged", "worse on this side"]
# What breaks formats: separators, quotes, formulas, right-to-left script, combining accents, emoji, markup.
NASTY = [
    "|", "^", "&", "~", "\\", "<b>", "</p>", "&amp;", "=1+1", "+x", "-x", "@x", '"', "'", ",", ";", "\t",
    "\n", "é", "e\u0301", "ß", "אב", "مرض", "漢字", "🙂", "\\F\\", "{{ 7*7 }}", "{% raw %}", "--", "]]>",
    "#", "*", "_",
]  # fmt: skip

any_text = st.lists(
    st.one_of(
        st.sampled_from(NASTY),
        st.text(st.characters(exclude_categories=("Cs", "Cc", "Co", "Cn")), max_size=12),
    ),
    min_size=1,
    max_size=6,
).map(lambda parts: "".join(parts) or "x")
"""Text with anything but control characters and characters that Unicode has not assigned."""

one_line = any_text.map(lambda text: text.replace("\n", " ").replace("\t", " ").strip() or "x")


def sites_of(item: str) -> list[str]:
    """Sites that the catalogue allows for an item."""
    sites = ITEMS[item].get("sites", [])
    return CATALOGUE["areas"] if sites == "areas" else sites


@st.composite
def findings(draw: st.DrawFn) -> Finding:
    """One finding that the catalogue allows, with its codes."""
    item = draw(st.sampled_from(sorted(ITEMS)))
    entry = ITEMS[item]
    site = draw(st.sampled_from(sites_of(item))) if sites_of(item) else None
    side = draw(st.sampled_from(["right", "left", "both", "unstated", "none"] if entry["sided"] else ["none"]))
    status = draw(st.sampled_from(["normal", "abnormal", "equivocal", "not_examined"]))
    examined = status != "not_examined"
    grades = GRADES.get(entry.get("scale", ""), [])
    grade = draw(st.none() | st.sampled_from(grades)) if examined and grades else None
    describe = entry.get("describe", [])
    descriptors = tuple(draw(st.lists(st.sampled_from(describe), max_size=2, unique=True))) if describe else ()
    qualifiers = tuple(draw(st.lists(st.sampled_from(QUALIFIERS), max_size=2, unique=True)))
    if not examined:
        descriptors = qualifiers = ()
    start = draw(st.integers(0, 5000))
    text = draw(any_text)
    start_s = draw(st.none() | st.floats(0, 3600, allow_nan=False))
    return Finding(
        item=item,
        site=site,
        side=side,
        status=status,
        grade=grade,
        descriptors=descriptors,
        qualifiers=qualifiers,
        reason=draw(st.none() | any_text) if not examined else None,
        text=text,
        start_char=start,
        end_char=start + len(text),
        start_s=start_s,
        end_s=None if start_s is None else start_s + 1.25,
        confidence=draw(st.none() | st.floats(0, 1, allow_nan=False)),
        codes=codes_for(item, site, side, status, descriptors, qualifiers, grade=grade),
        spans=((start, start + len(text)),),
        repaired=tuple(draw(st.lists(repairs(), max_size=1))),
        steps=tuple(draw(st.lists(st.builds(Step, rule=any_text, words=any_text), max_size=2))),
    )


def repairs() -> st.SearchStrategy[Repair]:
    """A word read as another."""
    return st.builds(Repair, heard=any_text, read_as=any_text, start_char=st.just(3), end_char=st.just(9))


@st.composite
def slots(draw: st.DrawFn) -> Slot:
    """One required place in any state."""
    item = draw(st.sampled_from(sorted(ITEMS)))
    state = draw(
        st.sampled_from(
            ["recorded", "recorded_by_summary", "not_examined", "side_unstated", "asked_no_result", "missing"]
        )
    )
    return Slot(
        item=item,
        site=draw(st.sampled_from(sites_of(item))) if sites_of(item) else None,
        side=draw(st.sampled_from(["right", "left"])) if ITEMS[item]["sided"] else "none",
        state=state,
        required_by=draw(st.sampled_from(["core_screen", "foot_drop", "headache"])),
        reason=draw(st.none() | any_text) if state == "not_examined" else None,
    )


def text_spans() -> st.SearchStrategy[TextSpan]:
    """A stretch of text, with or without times."""
    return st.builds(TextSpan, text=any_text, start_char=st.just(0), end_char=st.integers(1, 99))


@st.composite
def notes(draw: st.DrawFn, *, max_findings: int = 6) -> Note:
    """A valid note; empty ones included."""
    found = tuple(draw(st.lists(findings(), max_size=max_findings)))
    pointers = st.lists(st.integers(0, len(found) - 1), max_size=2).map(tuple) if found else st.just(())
    return Note(
        complaint=tuple(draw(st.lists(st.sampled_from(["foot_drop", "headache"]), max_size=1))),
        findings=found,
        slots=tuple(draw(st.lists(slots(), max_size=6))),
        queries=tuple(
            draw(
                st.lists(
                    st.builds(
                        Query,
                        kind=st.sampled_from(["conflict", "side_unstated"]),
                        message=any_text,
                        findings=pointers,
                        settle=st.none() | any_text,
                    ),
                    max_size=2,
                )
            )
        ),
        unread=tuple(draw(st.lists(text_spans(), max_size=2))),
        withdrawn=tuple(draw(st.lists(findings(), max_size=1))),
        context=tuple(draw(st.lists(text_spans(), max_size=1))),
        asked=tuple(draw(st.lists(st.sampled_from(sorted(ITEMS)), max_size=2, unique=True))),
        suggestions=tuple(
            draw(
                st.lists(
                    st.builds(Suggestion, addon=st.just("foot_drop"), reason=any_text, findings=pointers),
                    max_size=1,
                )
            )
        ),
        cover=(CoverSpan(kind="unread", start_char=0, end_char=10),),
        transcript=draw(any_text),
    )


@st.composite
def subjects(draw: st.DrawFn, *, max_findings: int = 6) -> ExportInput:
    """An examination as exports get it: draft, signed or amended, with names in any script."""
    note = draw(notes(max_findings=max_findings))
    status = draw(st.sampled_from(["draft", "signed", "amended"]))
    started = datetime(2026, 3, 1, tzinfo=UTC) + timedelta(minutes=draw(st.integers(0, 500_000)))
    signature = None
    if status != "draft":
        signature = Signature(
            signed_by=draw(one_line),
            signed_at=started + timedelta(minutes=9),
            fingerprint=fingerprint(note),
            reason=draw(any_text) if status == "amended" else None,
        )
    return ExportInput(
        examination_id=draw(one_line),
        patient_ref=draw(one_line),
        patient_name=draw(st.none() | one_line),
        birth_date=draw(st.none() | st.dates(date(1920, 1, 1), date(2020, 1, 1))),
        clinician=draw(st.none() | one_line),
        place=draw(st.none() | one_line),
        encounter=draw(st.none() | one_line),
        started_at=started,
        ended_at=draw(st.sampled_from([None, started + timedelta(minutes=3)])),
        status=status,
        signature=signature,
        note=note,
    )
