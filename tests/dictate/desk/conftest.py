"""A desk with one person of every role and a few invented drafts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from argon2 import PasswordHasher
from starlette.testclient import TestClient

from dictate.desk import accounts
from dictate.desk.accounts import People
from dictate.desk.app import create_app
from dictate.events import Word
from dictate.storage import Store, StoreSettings, open_store
from grammar import parse
from tests.dictate.storage.conftest import Clock
from tests.dictate.storage.examples import example_sound

PASSWORD = "a long enough phrase"
PEOPLE = {
    "mary": ("Dr Mary Vale", "clinician"),
    "noor": ("Dr Noor Haddad", "clinician"),
    "sue": ("Sue Birch", "secretary"),
    "eli": ("Eli Stone", "exporter"),
    "ada": ("Ada Lind", "administrator"),
}
SPOKEN = "right knee jerk two plus\nleft knee jerk two plus\nleft ankle jerk absent\nplantar extensor\nthe kettle is on"


def words_of(transcript: str) -> list[Word]:
    """A word every half second; "extensor" was heard weakly."""
    return [
        Word(
            text,
            i * 0.5,
            i * 0.5 + 0.4,
            0.3 if text == "extensor" else 0.9,
            ("flexor",) if text == "extensor" else (),
        )
        for i, text in enumerate(transcript.split())
    ]


def keep(store: Store, transcript: str = SPOKEN, *, patient: str = "P-17", clinician: str = "mary", **more: Any) -> int:
    """Keep an examination whose words were the transcript."""
    note = parse(transcript).note
    return store.keep_examination(
        note, words_of(transcript), audio=example_sound(12), patient_ref=patient, clinician=clinician, **more
    )


@pytest.fixture(autouse=True)
def _quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cheap argon2 costs: the tests sign in hundreds of times. What is verified stays the same."""
    monkeypatch.setattr(accounts, "_hasher", PasswordHasher(time_cost=1, memory_cost=64, parallelism=1))


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path, clock: Clock) -> Iterator[Store]:
    settings = StoreSettings(url=f"sqlite:///{tmp_path / 'd.sqlite3'}", key_file=tmp_path / "store.key")
    with open_store(settings, say=lambda text: None, clock=clock) as opened:
        people = People(opened)
        for username, (name, role) in PEOPLE.items():
            people.add(username, name, role, PASSWORD, by="test")
        yield opened


class Browser:
    """A person's browser without scripts: keeps cookies, fills in the hidden fields of forms."""

    def __init__(self, store: Store, **options: Any) -> None:
        self.store = store
        self._csrf = ("", "")
        self.client = TestClient(
            create_app(store, **options), base_url="http://127.0.0.1:8040", follow_redirects=False,
            raise_server_exceptions=True,
        )  # fmt: skip

    def sign_in(self, username: str, password: str = PASSWORD) -> httpx.Response:
        self.client.cookies.clear()
        self._csrf = ("", "")
        return self.client.post("/sign-in", data={"username": username, "password": password})

    @property
    def csrf(self) -> str:
        """The secret of this session, from one of its pages (looked up once)."""
        session = self.client.cookies.get("desk", "")
        if not session or self._csrf[0] != session:
            found = re.search(r'name="csrf" value="([^"]+)"', self.client.get("/account").text)
            self._csrf = (session, found.group(1) if found else "")
        return self._csrf[1]

    def get(self, path: str, **options: Any) -> httpx.Response:
        return self.client.get(path, headers={"accept": "text/html", **options.pop("headers", {})}, **options)

    def post(self, path: str, _headers: dict[str, str] | None = None, **fields: Any) -> httpx.Response:
        """Post a form of a draft; revision and secret are those of now unless given."""
        number = re.match(r"/drafts/(\d+)", path)
        if number and "revision" not in fields:
            fields["revision"] = self.store.head(int(number.group(1))).revision
        fields.setdefault("csrf", self.csrf)
        return self.client.post(
            path,
            data=fields,
            headers={"x-csrf": str(fields["csrf"]).encode("latin-1", "replace"), **(_headers or {})},
        )


@pytest.fixture
def browser(store: Store) -> Browser:
    return Browser(store)
