"""The desk on a real PostgreSQL server: people, sessions, edits by two at once, signature, log."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from dictate.desk.accounts import People
from dictate.storage import Store, StoreSettings, check_store, open_store
from tests.dictate.desk.conftest import PASSWORD, PEOPLE, Browser, keep
from tests.dictate.storage.servers import fresh_database, postgres_server


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    with postgres_server() as url:
        yield url


@pytest.fixture
def on_postgres(server: str, tmp_path: Path) -> Iterator[Store]:
    settings = StoreSettings(url=fresh_database(server, "desk"), key_file=tmp_path / "store.key")
    with open_store(settings, say=lambda text: None) as store:
        for username, (name, role) in PEOPLE.items():
            People(store).add(username, name, role, PASSWORD, by="test")
        yield store


def test_from_draft_to_signed_note(on_postgres: Store) -> None:
    store = on_postgres
    number = keep(store, "right knee jerk two plus\nthe kettle is on")
    browser = Browser(store)
    browser.sign_in("sue")
    assert "P-17" in browser.get("/drafts?sort=patient&q=p-17").text
    assert browser.post(f"/drafts/{number}/phrase", phrase="left knee jerk two plus").status_code == 303
    assert browser.post(f"/drafts/{number}/unread/1", verdict="nothing_clinical").status_code == 303
    browser.sign_in("mary")
    assert browser.get(f"/drafts/{number}/sound/0.wav", headers={"range": "bytes=0-99"}).status_code == 206
    assert browser.post(f"/drafts/{number}/sign", password=PASSWORD).status_code == 303
    browser.sign_in("eli")
    assert browser.get(f"/notes/{number}/export/json").status_code == 200
    assert check_store(store).faults == ()


def test_two_people_saving_at_once_lose_nothing(on_postgres: Store) -> None:
    store = on_postgres
    number = keep(store)
    saved: list[str] = []

    def work(name: str) -> None:
        browser = Browser(store)
        browser.sign_in("sue")
        for step in range(5):
            for _attempt in range(60):
                if browser.post(f"/drafts/{number}/questions", question=f"{name} {step}").status_code == 303:
                    saved.append(f"{name} {step}")
                    break

    people = [threading.Thread(target=work, args=(name,)) for name in ("first", "second", "third")]
    for person in people:
        person.start()
    for person in people:
        person.join()
    assert len(saved) == 15
    assert sorted(q.text for q in store.draft(number).document.questions) == sorted(saved)
    assert store.audit_report().sound
