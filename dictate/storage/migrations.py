"""Numbered changes of the tables. Each runs in a transaction together with the row that records it.

A migration is never edited after release: the next change gets the next number. `tests/dictate/storage`
compares the result with `tables.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from sqlalchemy import Connection, inspect, text

from dictate.errors import StoreError

Migration = tuple[int, str, Callable[[Connection], None]]


def _run(connection: Connection, *statements: str) -> None:
    """Statements in the common subset; {blob} and {serial} are named differently by the two databases."""
    sqlite = connection.dialect.name == "sqlite"
    words = {
        "blob": "BLOB" if sqlite else "BYTEA",
        "serial": "INTEGER PRIMARY KEY AUTOINCREMENT" if sqlite else "SERIAL PRIMARY KEY",
    }
    for statement in statements:
        connection.execute(text(statement.format(**words)))


OWNED = "INTEGER NOT NULL REFERENCES examination (id) ON DELETE CASCADE"


def examinations(connection: Connection) -> None:
    """Examinations with their revisions, signatures, words and sound."""
    _run(
        connection,
        """CREATE TABLE examination (
            id {serial}, created_at TEXT NOT NULL, started_at TEXT NOT NULL, ended_at TEXT,
            patient {blob} NOT NULL, patient_key TEXT NOT NULL, complaint {blob} NOT NULL,
            clinician TEXT NOT NULL, device TEXT NOT NULL, state TEXT NOT NULL,
            version INTEGER NOT NULL, revision INTEGER NOT NULL,
            omissions INTEGER NOT NULL, queries INTEGER NOT NULL, unread INTEGER NOT NULL,
            signed_at TEXT, signed_version INTEGER NOT NULL, sound TEXT NOT NULL, origin_key TEXT,
            CONSTRAINT one_examination_per_origin UNIQUE (origin_key))""",
        "CREATE INDEX examination_by_patient ON examination (patient_key)",
        "CREATE INDEX examination_by_state ON examination (state, started_at)",
        "CREATE INDEX examination_by_clinician ON examination (clinician, started_at)",
        "CREATE INDEX examination_by_start ON examination (started_at)",
        f"""CREATE TABLE revision (
            examination_id {OWNED}, revision INTEGER NOT NULL, version INTEGER NOT NULL,
            at TEXT NOT NULL, actor TEXT NOT NULL, action TEXT NOT NULL,
            change {{blob}} NOT NULL, document {{blob}} NOT NULL, PRIMARY KEY (examination_id, revision))""",
        f"""CREATE TABLE signature (
            examination_id {OWNED}, version INTEGER NOT NULL, revision INTEGER NOT NULL,
            signed_by TEXT NOT NULL, signer_name TEXT NOT NULL, at TEXT NOT NULL,
            digest TEXT NOT NULL, note {{blob}} NOT NULL, PRIMARY KEY (examination_id, version))""",
        f"""CREATE TABLE recording (
            examination_id {OWNED}, recording INTEGER NOT NULL, kind TEXT NOT NULL,
            samples INTEGER NOT NULL, words {{blob}} NOT NULL, PRIMARY KEY (examination_id, recording))""",
        f"""CREATE TABLE sound_piece (
            examination_id {OWNED}, recording INTEGER NOT NULL, piece INTEGER NOT NULL,
            body {{blob}} NOT NULL, PRIMARY KEY (examination_id, recording, piece))""",
    )


def people_and_audit(connection: Connection) -> None:
    """Accounts, their sessions, and the chained audit log."""
    _run(
        connection,
        """CREATE TABLE account (
            username TEXT PRIMARY KEY NOT NULL, name TEXT NOT NULL, role TEXT NOT NULL, password TEXT NOT
            NULL, active INTEGER NOT NULL, created_at TEXT NOT NULL, failures INTEGER NOT NULL,
            wait_until TEXT, signed_in_at TEXT)""",
        """CREATE TABLE session (
            token_digest TEXT PRIMARY KEY NOT NULL,
            username TEXT NOT NULL REFERENCES account (username) ON DELETE CASCADE,
            csrf TEXT NOT NULL, started_at TEXT NOT NULL, seen_at TEXT NOT NULL)""",
        "CREATE INDEX session_by_account ON session (username)",
        """CREATE TABLE audit (
            id INTEGER PRIMARY KEY NOT NULL, at TEXT NOT NULL, actor TEXT NOT NULL, action TEXT NOT NULL,
            target TEXT NOT NULL, outcome TEXT NOT NULL, detail TEXT NOT NULL, hash TEXT NOT NULL)""",
    )


MIGRATIONS: tuple[Migration, ...] = (
    (1, "examinations", examinations),
    (2, "people and audit", people_and_audit),
)
NEWEST = MIGRATIONS[-1][0]


def version_of(connection: Connection) -> int:
    """The number of the last migration that ran; 0 for an empty database."""
    if not inspect(connection).has_table("migration"):
        return 0
    return connection.execute(text("SELECT MAX(number) FROM migration")).scalar() or 0


def refuse_newer(found: int, where: str) -> None:
    """StoreError when the store was made by a newer program."""
    if found > NEWEST:
        raise StoreError(
            f"The store {where} was written by a newer program (tables version {found}, this program knows "
            f"{NEWEST}); install the newer version of spoken-exam. Nothing was changed."
        )


def migrate(connection: Connection, where: str, migrations: tuple[Migration, ...] = MIGRATIONS) -> list[int]:
    """Run what is missing inside the caller's transaction; returns the numbers that ran."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(7061)"))  # two programs starting at once
    found = version_of(connection)
    refuse_newer(found, where)
    if found == 0:
        connection.execute(
            text("CREATE TABLE migration (number INTEGER PRIMARY KEY NOT NULL, name TEXT NOT NULL, at TEXT NOT NULL)")
        )
        _run(connection, "CREATE TABLE meta (name TEXT PRIMARY KEY NOT NULL, value TEXT NOT NULL)")
    ran = []
    for number, name, change in migrations:
        if number <= found:
            continue
        change(connection)
        connection.execute(
            text("INSERT INTO migration (number, name, at) VALUES (:number, :name, :at)"),
            {"number": number, "name": name, "at": datetime.now(UTC).isoformat(timespec="seconds")},
        )
        ran.append(number)
    return ran
