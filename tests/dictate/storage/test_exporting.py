"""What the store hands to the exports: the signed note and its facts, drafts only when asked for."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from dictate.errors import NoDraftError, StoreError
from dictate.exports.subject import fingerprint
from dictate.storage import Change, Document, Store
from dictate.storage.exporting import all_signed, export_input
from tests.dictate.storage.examples import example_note

START = datetime(2026, 2, 3, 10, 30, tzinfo=UTC)


def keep(store: Store, patient: str = "P-17") -> int:
    return store.keep_examination(example_note(), patient_ref=patient, clinician="mary", started_at=START)


def sign(store: Store, number: int) -> None:
    draft = store.draft(number)
    with store.writing() as writer:
        writer.sign(number, draft.head.revision, draft.document, "mary", "Dr Mary Vale")


def test_a_signed_note_carries_its_signature(store: Store) -> None:
    number = keep(store)
    sign(store, number)
    subject = export_input(store, number)
    assert (subject.status, subject.clinician, subject.patient_ref) == ("signed", "Dr Mary Vale", "P-17")
    assert subject.started_at == START
    assert subject.signature is not None
    assert subject.signature.fingerprint == fingerprint(subject.note) == fingerprint(example_note())


def test_an_amended_note_says_why_and_the_first_version_stays(store: Store) -> None:
    number = keep(store)
    sign(store, number)
    with store.writing() as writer:
        writer.amend(number, 0, store.draft(number).document, "mary", "wrong side")
    changed = Document.from_note(example_note().model_copy(update={"complaint": ()}))
    store.save(number, 1, changed, Change(text="x"), actor="mary", action="edit", state="draft")
    assert export_input(store, number).status == "signed", "until it is signed again, the first version counts"
    sign(store, number)
    second = export_input(store, number)
    assert (second.status, second.note.complaint) == ("amended", ())
    assert second.signature is not None
    assert second.signature.reason == "wrong side"
    assert export_input(store, number, version=1).note == example_note()


def test_a_draft_is_given_only_when_asked_for(store: Store) -> None:
    number = keep(store, patient=" ")
    with pytest.raises(StoreError, match="is not signed"):
        export_input(store, number)
    subject = export_input(store, number, draft=True)
    assert (subject.status, subject.signature, subject.patient_ref) == ("draft", None, "not stated")
    with pytest.raises(NoDraftError):
        export_input(store, number + 1)


def test_all_signed_gives_the_signed_ones_in_order(store: Store) -> None:
    numbers = [keep(store) for _count in range(4)]
    for number in (numbers[2], numbers[0]):
        sign(store, number)
    assert [subject.examination_id for subject in all_signed(store)] == [str(numbers[0]), str(numbers[2])]
