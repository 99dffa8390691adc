"""What is kept comes back as it was, on SQLite and on PostgreSQL."""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import soundfile
from sqlalchemy import text

from dictate.errors import NoDraftError, StaleDraftError, StoreError
from dictate.events import AudioChunk
from dictate.storage import Change, Document, Store, StoreSettings, Wanted, check_store, open_store, reading
from tests.dictate.storage.conftest import Clock
from tests.dictate.storage.examples import example_note, example_sound, example_words


def keep(store: Store, patient: str = "P-17", clinician: str = "mary", **more: object) -> int:
    return store.keep_examination(
        example_note(),
        example_words(),
        audio=example_sound(),
        patient_ref=patient,
        clinician=clinician,
        **more,
    )


def test_the_machine_note_comes_back_to_the_byte(store: Store) -> None:
    number = keep(store)
    kept = store.machine_note(number)
    assert kept.model_dump_json(by_alias=True) == example_note().model_dump_json(by_alias=True)


def test_the_machine_note_survives_edits(store: Store) -> None:
    number = keep(store)
    edited = Document.from_note(example_note().model_copy(update={"complaint": ()}))
    store.save(number, 0, edited, Change(text="x"), actor="sue", action="edit", state="draft")
    assert store.machine_note(number) == example_note()
    assert store.note(number).complaint == ()


def test_words_know_their_place_in_the_transcript(store: Store) -> None:
    (recording,) = store.recordings(keep(store))
    transcript = example_note().transcript
    assert [transcript[w.start_char : w.end_char] for w in recording.words] == [w.text for w in example_words()]
    assert [w.as_word() for w in recording.words] == example_words()


@pytest.mark.parametrize(
    ("start", "end"),
    [
        (0, 10),
        (0, 44),
        (10, 60),
        (44, 46),
        (320_000, 320_100),
        (320_043, 320_045),
        (0, 10**9),
        (752_000, 752_044),
    ],
)
def test_any_part_of_the_sound_reads_like_the_whole_file(store: Store, start: int, end: int) -> None:
    number = keep(store)
    sound = store.sound(number)
    whole = sound.read(0, sound.size_bytes)
    assert len(whole) == sound.size_bytes
    assert sound.read(start, end) == whole[start:end]
    heard, rate = soundfile.read(io.BytesIO(whole), dtype="int16")
    assert rate == 16_000
    assert np.array_equal(heard, example_sound())


def test_sound_can_come_as_chunks(store: Store) -> None:
    samples = example_sound(11)
    chunks = [AudioChunk(samples[i : i + 1600], i / 16_000) for i in range(0, len(samples), 1600)]
    number = store.keep_examination(example_note(), audio=chunks)
    assert np.array_equal(store.sound(number).all_samples(), samples)


def test_a_stale_save_is_refused_and_nothing_changes(store: Store) -> None:
    number = keep(store)
    first = Document.from_note(example_note().model_copy(update={"complaint": ("headache",)}))
    store.save(number, 0, first, Change(text="first"), actor="sue", action="edit", state="draft")
    with pytest.raises(StaleDraftError, match="you saw revision 0, it is now at 1"):
        store.save(number, 0, Document.from_note(example_note()), Change(text="second"), actor="tom",
                   action="edit", state="draft")  # fmt: skip
    assert store.note(number).complaint == ("headache",)
    assert [line.change.text for line in store.history(number)] == ["Examination kept", "first"]


def test_of_many_saves_at_once_exactly_one_wins(store: Store) -> None:
    number = keep(store)
    outcomes: list[str] = []

    def try_save(who: str) -> None:
        try:
            document = Document.from_note(example_note())
            store.save(number, 0, document, Change(text=who), actor=who, action="edit", state="draft")
            outcomes.append("saved")
        except StaleDraftError:
            outcomes.append("stale")

    threads = [threading.Thread(target=try_save, args=(f"u{i}",)) for i in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["saved"] + ["stale"] * 7
    assert store.audit_report().sound


def test_a_signed_version_cannot_change_and_an_amendment_keeps_both(store: Store) -> None:
    number = keep(store)
    document = store.draft(number).document
    with store.writing() as writer:
        writer.sign(number, 0, document, "mary", "Dr Mary Vale")
    with pytest.raises(StoreError, match="is signed and cannot change"):
        store.save(number, 0, document, Change(text="x"), actor="sue", action="edit", state="draft")
    with store.writing() as writer:
        writer.amend(number, 0, document, "mary", "wrong side")
    changed = Document.from_note(example_note().model_copy(update={"complaint": ()}))
    store.save(number, 1, changed, Change(text="x"), actor="mary", action="edit", state="draft")
    with store.writing() as writer:
        writer.sign(number, 2, changed, "mary", "Dr Mary Vale")
    first, second = store.signatures(number)
    assert (first.note, second.note) == (example_note(), changed.note)
    assert store.verify_signature(first)
    assert store.head(number).state == "amended"
    assert store.signed_note(number).version == 2
    assert store.signed_note(number, 1).note == example_note()
    assert check_store(store).faults == ()


def test_an_origin_key_keeps_one_draft_only(store: Store) -> None:
    assert keep(store, origin_key="j1") == keep(store, origin_key="j1")
    assert store.listing().total == 1


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        (Wanted(), [3, 2, 1]),
        (Wanted(sort="number", descending=False), [1, 2, 3]),
        (Wanted(sort="patient", descending=False), [2, 1, 3]),
        (Wanted(sort="patient", descending=True), [3, 1, 2]),
        (Wanted(text="p", sort="clinician", descending=False), [1, 3]),
        (Wanted(text="p", sort="number", descending=False, limit=1, offset=1), [3]),
        (Wanted(text="p", sort="omissions", states=("draft",)), [3, 1]),
        (Wanted(text="p-1"), [3, 1]),
        (Wanted(text="#2"), [2]),
        (Wanted(text="' OR 1=1 --"), []),
        (Wanted(text="%"), []),
        (Wanted(clinician="mary"), [2, 1]),
        (Wanted(states=("signed",)), []),
        (Wanted(limit=1, offset=1), [2]),
    ],
)
@pytest.mark.parametrize("most_named", [0, 500])
def test_the_list_searches_filters_and_sorts(
    store: Store, wanted: Wanted, expected: list[int], most_named: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "MOST_NAMED", most_named)
    for patient, clinician in (("P-11", "mary"), ("A-20", "mary"), ("P-12", "noor")):
        keep(store, patient, clinician)
    assert [head.number for head in store.listing(wanted).drafts] == expected


def test_the_list_sees_what_another_program_did_to_the_store(store: Store, tmp_path: Path) -> None:
    first, second = keep(store, "P-1"), keep(store, "P-2")
    search = Wanted(text="p-", sort="patient", descending=False)

    def listed() -> list[tuple[int, str]]:
        return [(head.number, head.patient_ref) for head in store.listing(search).drafts]

    assert listed() == [(first, "P-1"), (second, "P-2")]
    settings = StoreSettings(url=store.settings.url, key="file", key_file=tmp_path / "store.key")
    with open_store(settings, say=lambda text: None) as other:
        third = keep(other, "P-0")
        assert listed() == [(third, "P-0"), (first, "P-1"), (second, "P-2")]
        with other.writing() as writer:
            writer.set_header(first, 0, "sue", "P-9", "mary")
        assert listed() == [(third, "P-0"), (second, "P-2"), (first, "P-9")]
        other.forget("P-2", "admin")
        assert listed() == [(third, "P-0"), (first, "P-9")]
        fourth = keep(other, "P-5")
        assert listed() == [(third, "P-0"), (fourth, "P-5"), (first, "P-9")]


def test_earlier_examinations_are_found_by_patient_whatever_the_case(store: Store) -> None:
    first, second, _other = keep(store, "P-1"), keep(store, "p-1 "), keep(store, "P-2")
    assert [head.number for head in store.same_patient(second)] == [first]
    assert store.same_patient(keep(store, "")) == ()


def test_sound_goes_n_days_after_signing_and_the_words_stay(store: Store, clock: Clock) -> None:
    signed, unsigned = keep(store), keep(store)
    with store.writing() as writer:
        writer.sign(signed, 0, store.draft(signed).document, "mary", "Dr Mary Vale")
    clock.now += timedelta(days=29)
    assert store.delete_due_sound() == []
    clock.now += timedelta(days=2)
    assert store.delete_due_sound() == [signed]
    assert store.delete_due_sound() == []
    with pytest.raises(NoDraftError, match="deleted after signing"):
        store.sound(signed)
    assert store.sound(unsigned).samples
    assert store.recordings(signed)[0].words
    with store.reading() as reader:
        actions = [(entry.action, entry.target) for entry in reader.audit_entries()]
    assert ("sound deleted", f"draft {signed}") in actions
    assert check_store(store).faults == ()


def test_forget_without_a_patient_removes_nothing(store: Store) -> None:
    kept = keep(store, "")
    for nobody in ("", "  "):
        with pytest.raises(StoreError, match="No patient was named"):
            store.forget(nobody, "admin")
    assert store.head(kept).number == kept


def test_forget_removes_a_patient_and_keeps_the_proof(store: Store) -> None:
    gone, other = keep(store, "P-1"), keep(store, "P-2")
    assert store.forget("p-1", "admin") == [gone]
    with pytest.raises(NoDraftError):
        store.draft(gone)
    with store.database.reading() as connection:
        for table in ("revision", "recording", "sound_piece", "signature"):
            owners = connection.execute(text(f"SELECT DISTINCT examination_id FROM {table}")).scalars().all()
            assert gone not in owners
    with store.reading() as reader:
        proof = [entry for entry in reader.audit_entries() if entry.action == "forget"]
    assert len(proof) == 1
    assert store.cipher.patient_key("P-1") in proof[0].detail
    assert "P-1" not in proof[0].detail
    assert store.forget("P-1", "admin") == []
    assert store.draft(other).head.patient_ref == "P-2"
    assert keep(store) not in (gone, other), "a number is never used twice"


def test_times_are_kept_with_their_zone(store: Store) -> None:
    start = datetime(2026, 2, 3, 10, 30, tzinfo=UTC)
    number = keep(store, started_at=start, ended_at=start + timedelta(minutes=9), device="USB microphone")
    head = store.head(number)
    assert (head.started_at, head.ended_at) == (start, start + timedelta(minutes=9))
    assert head.device == "USB microphone"


def test_words_that_are_not_in_the_transcript_are_kept_without_a_place(store: Store, tmp_path: Path) -> None:
    from dictate.events import Word

    number = store.keep_examination(example_note(), [Word("zebra", 0, 1, 0.2), Word("right", 1, 2, 0.9)])
    first, second = store.recordings(number)[0].words
    assert (first.start_char, second.start_char) == (None, 0)


def test_others_can_write_while_sound_is_read_and_packed(store: Store) -> None:
    def sound() -> Iterator[AudioChunk]:
        for start in range(0, 33, 11):
            store.log("sue", "wrote meanwhile", "store", "accepted")
            yield AudioChunk(np.full(11 * 16_000, start, np.int16), float(start))

    number = store.keep_examination(example_note(), audio=sound(), origin_key="20260301-090000")
    change = Change(text="dictated")
    document = store.draft(number).document
    store.save(
        number, 0, document, change, actor="sue", action="dictation", state="draft", sound=((), sound(), 0)
    )  # fmt: skip
    for recording in (0, 1):
        kept = store.sound(number, recording)
        assert np.array_equal(np.unique(kept.all_samples()), [0, 11, 22])
        assert kept.duration_s == 33
    again = store.keep_examination(example_note(), audio=Path("gone.wav"), origin_key="20260301-090000")
    assert again == number
