"""Opens the database: SQLite with a write-ahead log in the user's data directory, or PostgreSQL by URL.

Transactions are begun by this module and not by the drivers: `reading` gives a snapshot, `writing` takes the
write lock at once, so that two writers queue up instead of failing half way. SQLite runs with
synchronous=FULL (an acknowledged save survives power loss) and secure_delete (removed texts are
overwritten).
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.pool import QueuePool

from dictate.errors import StoreError

BUSY_MS = 15_000


class Database:
    """One database with its rules for transactions."""

    def __init__(self, url: str) -> None:
        try:
            self.url = make_url(url)
        except ArgumentError as error:
            raise StoreError(
                f"The store URL {url!r} cannot be read; give for example postgresql://host/name."
            ) from error
        self.sqlite = self.url.get_backend_name() == "sqlite"
        self.where = str(self.url.database) if self.sqlite else self.url.render_as_string(hide_password=True)
        if self.sqlite:
            _prepare_file(Path(str(self.url.database)))
        options: dict[str, Any] = {"poolclass": QueuePool, "pool_size": 8, "max_overflow": 24}
        if not self.sqlite:
            options["pool_pre_ping"] = True
        try:
            self.engine = create_engine(self.url, **options)
        except (ModuleNotFoundError, NoSuchModuleError) as error:
            raise StoreError(
                f"The store {self.where} needs a database driver that is not installed: "
                "pip install 'spoken-exam[postgres]'."
            ) from error
        self._lock = threading.RLock()
        if self.sqlite:
            event.listen(self.engine, "connect", _sqlite_pragmas)
            event.listen(self.engine, "begin", _sqlite_begin)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection inside a read transaction."""
        with self._explained(), self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def snapshot(self) -> Iterator[Connection]:
        """A read transaction that sees one moment only, however long it takes."""
        options = {} if self.sqlite else {"isolation_level": "REPEATABLE READ"}
        with self._explained(), self._connect(**options) as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A connection inside a write transaction; committed at the end, rolled back on any error."""
        if not self.sqlite:
            with self._explained(), self.engine.begin() as connection:
                yield connection
            return
        with self._explained(), self._lock, self._connect(write=True) as connection, connection.begin():
            yield connection

    def overwrite_removed(self) -> None:
        """SQLite: empty the write-ahead log, so that removed texts are nowhere in the files."""
        self._pragma("wal_checkpoint(TRUNCATE)")

    def fold_into_one_file(self) -> None:
        """SQLite: everything into the main file, no write-ahead log beside it (for a finished backup)."""
        self._pragma("journal_mode=DELETE")

    def _pragma(self, pragma: str) -> None:
        if not self.sqlite:
            return
        with self._explained(), self._lock, self.engine.connect() as connection:
            raw = connection.connection.driver_connection
            assert raw is not None
            raw.execute(f"PRAGMA {pragma}").fetchall()

    def _connect(self, **options: Any) -> Connection:
        return self.engine.connect().execution_options(**options)

    def close(self) -> None:
        """Give the connections back."""
        self.engine.dispose()

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as error:
            cause = str(error.orig).strip().splitlines()
            raise StoreError(
                f"The store {self.where} cannot be used ({cause[0] if cause else 'no reason given'}); "
                "check disk space, permissions and that the database is running."
            ) from error


def _prepare_file(path: Path) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.exists():
            os.close(os.open(path, os.O_WRONLY | os.O_CREAT, 0o600))
    except OSError as error:
        raise StoreError(
            f"The store {path} cannot be made ({error.strerror}); give a folder that you may write to."
        ) from error


def _sqlite_pragmas(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # this module begins transactions, the driver must not
    for pragma in (
        f"busy_timeout={BUSY_MS}",
        "journal_mode=WAL",
        "synchronous=FULL",
        "foreign_keys=ON",
        "secure_delete=ON",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _sqlite_begin(connection: Connection) -> None:
    write = connection.get_execution_options().get("write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")
