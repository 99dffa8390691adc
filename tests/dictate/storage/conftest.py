"""Stores on both databases: every test that takes `store` runs on SQLite and on a real PostgreSQL server."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dictate.storage import Store, StoreSettings, open_store
from tests.dictate.storage.servers import fresh_database, postgres_server


class Clock:
    """A clock that the test sets."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(milliseconds=1)
        return self.now


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    with postgres_server() as url:
        yield url


@pytest.fixture(params=["sqlite", "postgres"])
def fresh_url(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[str], str]:
    """Gives the URL of a new empty database of the kind under test."""
    if request.param == "sqlite":
        return lambda name: f"sqlite:///{tmp_path / name}.sqlite3"
    url = request.getfixturevalue("server")
    return lambda name: fresh_database(url, name)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(fresh_url: Callable[[str], str], tmp_path: Path, clock: Clock) -> Iterator[Store]:
    settings = StoreSettings(url=fresh_url("main"), key="file", key_file=tmp_path / "store.key")
    with open_store(settings, say=lambda text: None, clock=clock) as opened:
        yield opened
