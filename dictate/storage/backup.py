"""Backup and restore: every table copied, in one consistent moment, into a single SQLite file (and back).

The file holds the sealed pieces as they are, so it is as unreadable without the key as the store itself; it
can be restored into SQLite or PostgreSQL, whichever the store came from.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, func, select, text

from dictate.errors import StoreError
from dictate.settings import Settings, StoreSettings
from dictate.storage import migrations
from dictate.storage import tables as t
from dictate.storage.database import Database
from dictate.storage.options import filled_in
from dictate.storage.store import Store, open_store
from dictate.storage.writer import Writer

# Parents before children. Sessions are left out: nobody stays signed in through a restore.
COPIED: tuple[Table, ...] = (
    t.meta,
    t.account,
    t.examination,
    t.revision,
    t.signature,
    t.recording,
    t.sound_piece,
    t.audit,
)


@dataclass(frozen=True, slots=True)
class BackupReport:
    """What was copied: rows of each table, and the SHA-256 of the backup file."""

    path: Path
    rows: dict[str, int]
    sha256: str


def back_up(store: Store, target: Path) -> BackupReport:
    """Write all of the store into `target` (must not exist); it appears only when it is complete."""
    if target.exists():
        raise StoreError(f"The backup file {target} is there already; name a new one.")
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    copy = Database(f"sqlite:///{part}")
    try:
        with store.database.snapshot() as source, copy.writing() as goal:
            migrations.migrate(goal, str(target))
            rows = _copy(source, Writer(goal, store.cipher, store.clock()))
        copy.fold_into_one_file()
    finally:
        copy.close()
    os.replace(part, target)
    store.log("dictate", "backup", "store", "accepted", f"{rows['examination']} examinations")
    return BackupReport(target, rows, _sha256(target))


def restore(backup: Path, settings: Settings | StoreSettings, **opening: Any) -> tuple[Store, BackupReport]:
    """Fill the empty store that `settings` names from a backup; refuses a store that holds anything."""
    if not backup.is_file():
        raise StoreError(f"There is no backup file {backup}; name the file that `dictate store backup` wrote.")
    source_database = Database(f"sqlite:///{backup}")
    goal_database = Database(str(filled_in(settings).url))
    try:
        with source_database.reading() as source:
            found = migrations.version_of(source)
            migrations.refuse_newer(found, str(backup))
            if found == 0:
                raise StoreError(f"The file {backup} is no backup of this program.")
            steps = tuple(step for step in migrations.MIGRATIONS if step[0] <= found)
            with goal_database.writing() as goal:
                if migrations.version_of(goal) and _holds_anything(goal):
                    raise StoreError(f"The store {goal_database.where} is not empty; restore into a new place.")
                writer = _bare_writer(goal)
                if migrations.version_of(goal) == 0:
                    migrations.migrate(goal, goal_database.where, steps)
                for table in (t.meta, t.audit):
                    writer.clear(table)
                rows = _copy(source, writer)
                _set_next_number(goal)
    finally:
        source_database.close()
        goal_database.close()
    return open_store(settings, **opening), BackupReport(backup, rows, _sha256(backup))


def _bare_writer(connection: Connection) -> Writer:
    from datetime import UTC, datetime

    from dictate.storage.cipher import Cipher

    return Writer(connection, Cipher(b"\0" * 32), datetime.now(UTC))


def _copy(source: Connection, writer: Writer) -> dict[str, int]:
    rows = {}
    for table in COPIED:
        result = source.execution_options(yield_per=100).execute(select(table).order_by(*table.primary_key.columns))
        rows[table.name] = writer.copy_rows(table, (dict(row._mapping) for row in result))
    return rows


def _holds_anything(connection: Connection) -> bool:
    tables = (t.examination, t.account)
    return any(connection.execute(select(func.count()).select_from(table)).scalar() for table in tables)


def _set_next_number(connection: Connection) -> None:
    """PostgreSQL: rows came with their numbers, so the counter must be told."""
    if connection.dialect.name == "postgresql":
        connection.execute(
            text(
                "SELECT setval(pg_get_serial_sequence('examination', 'id'), "
                "(SELECT COALESCE(MAX(id), 0) + 1 FROM examination), false)"
            )
        )


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
