"""Edits keep the rules of the note: what was said stays, values come from the catalogue, gaps are worked
out anew.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from dictate.desk import editing
from dictate.desk.checking import choices, grade_fault
from dictate.desk.editing import Hand, Wish
from dictate.errors import DeskError
from dictate.storage import Change, Document
from grammar import parse
from tests.dictate.desk.conftest import SPOKEN

HAND = Hand("sue", "2026-03-01T09:00:00+00:00")


def heard(text: str = SPOKEN) -> Document:
    return Document.from_note(parse(text).note)


def number_of(document: Document, item: str, side: str) -> int:
    return next(e.number for e in document.standing() if (e.finding.item, e.finding.side) == (item, side))


def state_of(document: Document, item: str, site: str | None, side: str) -> str:
    return next(s.state for s in document.note.slots if (s.item, s.site, s.side) == (item, site, side))


def rules_hold(document: Document) -> None:
    """What must be true of every document, whatever was done to it."""
    note = document.note
    assert note.findings == tuple(entry.finding for entry in document.standing())
    assert note.withdrawn == tuple(entry.finding for entry in document.entries if entry.withdrawn)
    position = 0
    for piece in note.cover:
        assert piece.start_char == position, "every character is in exactly one piece"
        position = piece.end_char
    assert position == len(note.transcript)
    for finding in note.findings:
        assert note.transcript[finding.start_char : finding.end_char] == finding.text
        for start, end in finding.spans:
            assert finding.start_char <= start < end <= finding.end_char
    for span in (*note.unread, *note.context):
        assert note.transcript[span.start_char : span.end_char] == span.text
    for query in note.queries:
        assert all(0 <= index < len(note.findings) for index in query.findings)
    numbers = [entry.number for entry in document.entries]
    assert len(set(numbers)) == len(numbers)


def wish(**changes: object) -> Wish:
    facts = {"item": "plantar", "site": None, "side": "left", "status": "abnormal", "grade": None,
             "descriptors": ("extensor",)}  # fmt: skip
    return Wish(**{**facts, **changes})  # type: ignore[arg-type]


def test_a_side_is_corrected_and_its_query_goes() -> None:
    document = heard()
    assert [q.kind for q in document.note.queries].count("side_unstated") == 1
    assert state_of(document, "plantar", None, "left") == "side_unstated"
    number = number_of(document, "plantar", "unstated")
    edited, change = editing.change_finding(document, number, wish(), HAND)
    rules_hold(edited)
    assert state_of(edited, "plantar", None, "left") == "recorded"
    assert state_of(edited, "plantar", None, "right") == "missing"
    assert "side_unstated" not in [q.kind for q in edited.note.queries]
    entry = edited.entry(number)
    assert entry is not None
    assert entry.was == document.note.findings[number - 1]
    assert entry.finding.text == "plantar extensor", "the words stay the evidence"
    assert (entry.by, change.before != change.after) == ("sue", True)
    assert "side not stated" in change.before
    assert "left" in change.after


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"side": "none."}, "has no side"),
        ({"side": "up"}, "has no side 'up'"),
        ({"status": "fine"}, "no result 'fine'"),
        ({"descriptors": ("brisk",)}, "does not describe plantar as 'brisk'"),
        ({"grade": "2+"}, "plantar has no grade"),
        ({"site": "knee"}, "has no site 'knee'"),
    ],
)
def test_only_catalogue_values_are_taken(changes: dict[str, object], sentence: str) -> None:
    document = heard()
    with pytest.raises(DeskError, match=sentence):
        editing.change_finding(document, number_of(document, "plantar", "unstated"), wish(**changes), HAND)


GRADES = [
    ("power", "4-", True), ("power", "5-", True), ("power", "6", False), ("power", "2+", False),
    ("reflex", "2+", True), ("reflex", "trace", True), ("reflex", "5+", False), ("tone", "1+", True),
    ("consciousness", "15", True), ("consciousness", "2", False), ("consciousness", "16", False),
    ("visual_acuity", "6/9", True), ("visual_acuity", "20/40", True), ("visual_acuity", "7/9", False),
    ("orientation", "8/10", True), ("orientation", "11/10", False), ("orientation", "0/0", False),
    ("straight_leg_raise", "40", True), ("straight_leg_raise", "200", False), ("pupils", "4", True),
    ("pupils", "40", False), ("sensory_level", "T10", True), ("sensory_level", "T13", False),
    ("clonus", "5", True), ("cranial_nerves", "2-12", True), ("cranial_nerves", "2-13", False),
    ("plantar", "1", False), ("power", "", False), ("power", "4 ", False), ("pupils", "-1", False),
]  # fmt: skip


@pytest.mark.parametrize(("item", "grade", "fits"), GRADES)
def test_grades_lie_on_the_scale_of_their_item(item: str, grade: str, fits: bool) -> None:
    assert (grade_fault(item, grade) == "") == fits


def test_every_catalogue_item_has_a_form() -> None:
    from grammar import catalogue

    for item in catalogue().items:
        found = choices(item)
        assert found.sides
        for grade in found.grades:
            assert grade_fault(item, grade) == ""


def test_withdraw_and_restore() -> None:
    document = heard()
    number = number_of(document, "reflex", "right")
    gone, _change = editing.withdraw(document, number, HAND)
    rules_hold(gone)
    assert state_of(gone, "reflex", "knee", "right") == "missing"
    assert state_of(gone, "reflex", "knee", "left") == "recorded"
    with pytest.raises(DeskError, match="not in the draft any more"):
        editing.withdraw(gone, number, HAND)
    again, _change = editing.restore(gone, number, HAND)
    rules_hold(again)
    assert again.note.findings == document.note.findings
    with pytest.raises(DeskError, match="is not withdrawn"):
        editing.restore(again, number, HAND)


def test_a_phrase_is_appended_with_its_words() -> None:
    document = heard()
    edited, change = editing.add_phrase(document, "right ankle jerk two plus", HAND)
    rules_hold(edited)
    assert edited.note.transcript == SPOKEN + "\nright ankle jerk two plus"
    assert state_of(edited, "reflex", "ankle", "right") == "recorded"
    assert edited.entries[-1].origin == "phrase"
    assert edited.additions[-1].by == "sue"
    assert "right" in change.after
    assert "asymmetry" in [q.kind for q in edited.note.queries], "the ankle jerks differ now"


def test_a_phrase_without_a_finding_is_refused() -> None:
    with pytest.raises(DeskError, match="reads no finding"):
        editing.add_phrase(heard(), "the weather is nice", HAND)


def test_words_of_a_phrase_that_are_not_read_wait_for_a_decision() -> None:
    edited, _change = editing.add_phrase(heard(), "left biceps jerk absent zebra crossing", HAND)
    rules_hold(edited)
    assert any("zebra" in piece.span.text for piece in edited.undecided())


def test_unread_text_becomes_a_finding() -> None:
    document = heard()
    (piece,) = document.undecided()
    edited, change = editing.add_phrase(document, "left plantar extensor", HAND, unread=piece.number)
    rules_hold(edited)
    assert edited.undecided() == ()
    assert edited.note.unread == ()
    assert edited.unread[0].verdict == "made_a_finding"
    assert edited.unread[0].entries == (edited.entries[-1].number,)
    assert change.before == piece.span.text


def test_nothing_clinical_becomes_context() -> None:
    document = heard()
    (piece,) = document.undecided()
    edited, _change = editing.nothing_clinical(document, piece.number, HAND)
    rules_hold(edited)
    assert edited.note.unread == ()
    assert piece.span in edited.note.context
    with pytest.raises(DeskError, match="decided already"):
        editing.nothing_clinical(edited, piece.number, HAND)


def test_accepted_unread_text_stays_unread() -> None:
    document = heard()
    (piece,) = document.undecided()
    edited, _change = editing.accept_unread(document, piece.number, "a visitor", HAND)
    rules_hold(edited)
    assert edited.note.unread == document.note.unread
    assert edited.undecided() == ()


def test_an_omission_is_marked_with_its_reason_and_never_looks_done() -> None:
    edited, _change = editing.not_examined(heard(), "romberg", None, "none", "cannot stand", HAND)
    rules_hold(edited)
    assert state_of(edited, "romberg", None, "none") == "not_examined"
    finding = edited.note.findings[-1]
    assert (finding.status, finding.reason, finding.codes) == ("not_examined", "cannot stand", ())
    with pytest.raises(DeskError, match="not examined already"):
        editing.not_examined(edited, "romberg", None, "none", "again", HAND)
    with pytest.raises(DeskError, match="not one of the required places"):
        editing.not_examined(edited, "smell", None, "right", "cold", HAND)
    with pytest.raises(DeskError, match="recorded already"):
        editing.not_examined(edited, "reflex", "knee", "right", "pain", HAND)


def test_an_accepted_query_comes_back_when_its_findings_change() -> None:
    document = heard()
    query = document.open_queries()[0]
    accepted, _change = editing.accept_query(document, document.query_key(query), "known", HAND)
    assert query not in accepted.open_queries()
    number = number_of(accepted, "plantar", "unstated")
    changed, _change = editing.change_finding(
        accepted, number, wish(side="unstated", status="normal", descriptors=("flexor",)), HAND
    )
    assert [q.kind for q in changed.open_queries()].count("side_unstated") == 1
    with pytest.raises(DeskError, match="not open any more"):
        editing.accept_query(changed, "0" * 16, "known", HAND)


def test_questions_are_asked_and_answered_once() -> None:
    asked, _change = editing.ask_back(heard(), "plantar", "which side?", HAND)
    assert editing.what_blocks(asked)[-1] == "1 question is unanswered"
    answered, change = editing.answer(asked, 1, "the left one", Hand("mary", HAND.at))
    assert (change.before, change.after) == ("which side?", "the left one")
    assert answered.open_questions() == ()
    with pytest.raises(DeskError, match="answered already"):
        editing.answer(answered, 1, "the right one", HAND)


def test_a_value_outside_its_scale_stays_a_query_through_edits() -> None:
    document = heard(SPOKEN + "\npower in left elbow flexion six out of five")
    kinds = [query.kind for query in document.note.queries]
    assert "out_of_scale" in kinds
    edited, _change = editing.withdraw(document, number_of(document, "reflex", "right"), HAND)
    rules_hold(edited)
    assert "out_of_scale" in [query.kind for query in edited.note.queries]


STEPS: list[Callable[[Document], tuple[Document, Change]]] = [
    lambda d: editing.withdraw(d, 1, HAND),
    lambda d: editing.add_phrase(d, "left biceps jerk absent", HAND),
    lambda d: editing.restore(d, 1, HAND),
    lambda d: editing.not_examined(d, "tandem_gait", None, "none", "plaster", HAND),
    lambda d: editing.nothing_clinical(d, d.undecided()[0].number, HAND),
    lambda d: editing.ask_back(d, "gait", "seen?", HAND),
    lambda d: editing.change_finding(d, number_of(d, "plantar", "unstated"), wish(), HAND),
]


def test_the_rules_hold_through_a_row_of_edits() -> None:
    document = heard()
    rules_hold(document)
    for step in STEPS:
        document, _change = step(document)
        rules_hold(document)
        assert Document.model_validate_json(document.model_dump_json(by_alias=True)) == document
    assert document.note.transcript.startswith(SPOKEN), "no spoken word is ever lost"
