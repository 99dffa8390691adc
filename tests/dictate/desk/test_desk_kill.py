"""The desk is killed in the middle of saves: every save that was acknowledged is there afterwards."""

from __future__ import annotations

import random
import re
import threading
import time
from pathlib import Path

import httpx
import pytest

from dictate.storage import check_store, open_store
from tests.dictate.desk.conftest import PASSWORD, PEOPLE, keep
from tests.dictate.desk.servers import RunningDesk, running_desk, settings_of

ROUNDS = 3


@pytest.fixture
def home(tmp_path: Path) -> Path:
    from dictate.desk.accounts import People

    with open_store(settings_of(tmp_path), say=lambda text: None) as store:
        people = People(store)
        for username, (name, role) in PEOPLE.items():
            people.add(username, name, role, PASSWORD, by="test")
        for _number in range(3):
            keep(store)
    return tmp_path


def ask_until_killed(desk: RunningDesk, number: int, kept: list[str], mark: str) -> None:
    """Ask questions about one draft as fast as it goes; remember those that were acknowledged."""
    try:
        with httpx.Client(base_url=desk.url, timeout=30) as client:
            client.post("/sign-in", data={"username": "sue", "password": PASSWORD})
            csrf = re.search(r'name="csrf" value="([^"]+)"', client.get("/account").text)
            assert csrf is not None
            revision = int(re.search(r'data-revision="(\d+)"', client.get(f"/drafts/{number}").text)[1])  # type: ignore[index]
            for count in range(10_000):
                text = f"{mark} {number} {count}"
                answer = client.post(
                    f"/drafts/{number}/questions",
                    data={"csrf": csrf.group(1), "revision": revision, "question": text},
                )
                if answer.status_code == 303:
                    kept.append(text)
                    revision += 1
    except httpx.TransportError:
        return


def test_kill_9_loses_no_acknowledged_edit(home: Path) -> None:
    chance = random.Random(5)
    kept: list[str] = []
    for round_number in range(ROUNDS):
        before = len(kept)
        with running_desk(home) as desk:
            people = [
                threading.Thread(target=ask_until_killed, args=(desk, number, kept, f"round {round_number}"))
                for number in (1, 2, 3)
            ]
            for person in people:
                person.start()
            deadline = time.monotonic() + 60
            while len(kept) < before + 6 and time.monotonic() < deadline:
                time.sleep(0.01)
            time.sleep(chance.uniform(0.05, 0.6))
            desk.kill()
            for person in people:
                person.join(60)
        assert len(kept) >= before + 6, "the desk was killed while it was saving"
        with open_store(settings_of(home), say=lambda text: None) as store:
            found = {q.text for number in (1, 2, 3) for q in store.draft(number).document.questions}
            assert set(kept) <= found
            assert check_store(store).faults == ()
