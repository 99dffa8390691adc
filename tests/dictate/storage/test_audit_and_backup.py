"""The audit chain finds every change; a backup brings everything back; the check finds damage."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import text

from dictate.errors import StoreError
from dictate.storage import Store, StoreSettings, back_up, check_store, open_store, restore
from tests.dictate.storage.examples import example_note, example_sound, example_words

FORGERIES = [
    ("UPDATE audit SET actor = 'eve' WHERE id = 3", "Audit entry 3 was changed"),
    ("UPDATE audit SET outcome = 'Accepted' WHERE id = 5", "Audit entry 5 was changed"),
    ("UPDATE audit SET at = '2020-01-01T00:00:00+00:00' WHERE id = 1", "Audit entry 1 was changed"),
    ("UPDATE audit SET hash = 'abc' WHERE id = 5", "Audit entry 5 was changed"),
    ("DELETE FROM audit WHERE id = 3", "Entry 3 is missing"),
    ("DELETE FROM audit WHERE id = 6", "end of the audit log after entry 5 was cut off"),
    ("DELETE FROM audit", "end of the audit log after entry 0 was cut off"),
    ("INSERT INTO audit SELECT 7, at, actor, action, target, outcome, detail, hash FROM audit WHERE id = 6",
     "Audit entry 7 was changed"),
    ("UPDATE meta SET value = '5' || SUBSTR(value, 2) WHERE name = 'audit_head'", "cut off or changed"),
]  # fmt: skip


def filled(store: Store) -> int:
    number = store.keep_examination(
        example_note(), example_words(), audio=example_sound(12), patient_ref="P-1", clinician="mary"
    )
    for count in range(4):
        store.log("sue", "read", f"draft {number}", "accepted", f"count {count}")
    return number


@pytest.mark.parametrize(("forgery", "fault"), FORGERIES)
def test_every_forgery_of_the_log_is_found(store: Store, forgery: str, fault: str) -> None:
    filled(store)
    assert store.audit_report().sound
    assert store.audit_report().entries == 6
    with store.database.writing() as connection:
        connection.execute(text(forgery))
    report = store.audit_report()
    assert not report.sound
    assert fault in report.fault


def test_a_log_put_back_to_an_earlier_state_is_found_by_a_noted_head(store: Store) -> None:
    filled(store)
    with store.database.reading() as connection:
        earlier = connection.execute(text("SELECT value FROM meta WHERE name = 'audit_head'")).scalar_one()
    noted_early = f"6:{store.audit_report().head}"
    store.log("eve", "read", "draft 1", "accepted")
    noted = f"7:{store.audit_report().head}"
    assert store.audit_report(expect=noted_early).sound
    with store.database.writing() as connection:
        connection.execute(text("DELETE FROM audit WHERE id = 7"))
        connection.execute(text("UPDATE meta SET value = :v WHERE name = 'audit_head'"), {"v": earlier})
    assert store.audit_report().sound, "a whole earlier state cannot be told apart from inside"
    assert "does not contain the head that was noted" in store.audit_report(expect=noted).fault


def test_a_backup_brings_everything_back_into_either_database(
    store: Store, fresh_url: Callable[[str], str], tmp_path: Path
) -> None:
    number = filled(store)
    with store.writing() as writer:
        writer.add_account("mary", "Dr Mary Vale", "clinician", "hash")
        writer.sign(number, 0, store.draft(number).document, "mary", "Dr Mary Vale")
    report = back_up(store, tmp_path / "b.backup")
    assert report.rows["examination"] == 1
    for url in (fresh_url("again"), f"sqlite:///{tmp_path / 'other.sqlite3'}"):
        settings = StoreSettings(url=url, key_file=tmp_path / "store.key")
        again, _report = restore(report.path, settings, say=lambda text: None)
        with again:
            assert again.machine_note(number) == example_note()
            assert again.signed_note(number).digest == store.signed_note(number).digest
            assert (again.sound(number).all_samples() == example_sound(12)).all()
            assert check_store(again).faults == ()
            assert again.keep_examination(example_note()) == number + 1


def test_a_backup_is_as_unreadable_as_the_store(store: Store, tmp_path: Path) -> None:
    patient = "patient-reference-4711"  # long enough never to stand in random bytes by chance
    store.keep_examination(example_note(), example_words(), audio=example_sound(12), patient_ref=patient)
    report = back_up(store, tmp_path / "b.backup")
    raw = report.path.read_bytes()
    assert example_note().transcript[:12].encode() not in raw
    assert patient.encode() not in raw
    assert list(tmp_path.glob("b.backup*")) == [report.path]
    other_key = StoreSettings(url=f"sqlite:///{tmp_path / 'o.sqlite3'}", key_file=tmp_path / "other.key")
    open_store(StoreSettings(url=f"sqlite:///{tmp_path / 'p.sqlite3'}", key_file=tmp_path / "other.key"),
               say=lambda text: None).close()  # fmt: skip
    with pytest.raises(StoreError, match="Wrong key"):
        restore(report.path, other_key, say=lambda text: None)


def test_a_restore_never_overwrites(store: Store, tmp_path: Path) -> None:
    filled(store)
    report = back_up(store, tmp_path / "b.backup")
    with pytest.raises(StoreError, match="is not empty"):
        restore(report.path, store.settings, say=lambda text: None)
    with pytest.raises(StoreError, match="is there already"):
        back_up(store, report.path)


DAMAGE = [
    ("UPDATE examination SET omissions = 7", "the counts in its head"),
    ("UPDATE examination SET state = 'signed'", "has no signature"),
    ("DELETE FROM sound_piece WHERE piece = 1", "Piece 1 of sound 0"),
    ("UPDATE revision SET document = change", "was changed or damaged"),
    ("UPDATE examination SET revision = 4", "revisions are kept, its head says 5"),
]


@pytest.mark.parametrize(("damage", "fault"), DAMAGE)
def test_the_check_finds_damage(store: Store, damage: str, fault: str) -> None:
    filled(store)
    assert check_store(store).faults == ()
    with store.database.writing() as connection:
        connection.execute(text(damage))
    assert any(fault in found for found in check_store(store).faults)
