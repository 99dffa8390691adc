"""The tables of the store, as SQLAlchemy sees them; `migrations.py` makes them.

Sealed columns (bytes) hold AES-GCM pieces: patient reference, complaint, words, findings, questions, sound.
Open columns hold what listing, locking and the audit log need: numbers, times, states, accounts, counts.
Times are text in ISO 8601, UTC, so that they sort and mean the same in SQLite and PostgreSQL.
"""

from __future__ import annotations

from sqlalchemy import (
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData()

meta = Table(
    "meta",
    metadata,
    Column("name", Text, primary_key=True),
    Column("value", Text, nullable=False),
)

examination = Table(
    "examination",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("created_at", Text, nullable=False),
    Column("started_at", Text, nullable=False),
    Column("ended_at", Text),
    Column("patient", LargeBinary, nullable=False),
    Column("patient_key", Text, nullable=False),
    Column("complaint", LargeBinary, nullable=False),
    Column("clinician", Text, nullable=False),
    Column("device", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("version", Integer, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("omissions", Integer, nullable=False),
    Column("queries", Integer, nullable=False),
    Column("unread", Integer, nullable=False),
    Column("signed_at", Text),
    Column("signed_version", Integer, nullable=False),
    Column("sound", Text, nullable=False),
    Column("origin_key", Text),
    UniqueConstraint("origin_key", name="one_examination_per_origin"),
    Index("examination_by_patient", "patient_key"),
    Index("examination_by_state", "state", "started_at"),
    Index("examination_by_clinician", "clinician", "started_at"),
    Index("examination_by_start", "started_at"),
    sqlite_autoincrement=True,
)

revision = Table(
    "revision",
    metadata,
    Column("examination_id", Integer, ForeignKey("examination.id", ondelete="CASCADE"), primary_key=True),
    Column("revision", Integer, primary_key=True),
    Column("version", Integer, nullable=False),
    Column("at", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("change", LargeBinary, nullable=False),
    Column("document", LargeBinary, nullable=False),
)

signature = Table(
    "signature",
    metadata,
    Column("examination_id", Integer, ForeignKey("examination.id", ondelete="CASCADE"), primary_key=True),
    Column("version", Integer, primary_key=True),
    Column("revision", Integer, nullable=False),
    Column("signed_by", Text, nullable=False),
    Column("signer_name", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("digest", Text, nullable=False),
    Column("note", LargeBinary, nullable=False),
)

recording = Table(
    "recording",
    metadata,
    Column("examination_id", Integer, ForeignKey("examination.id", ondelete="CASCADE"), primary_key=True),
    Column("recording", Integer, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("samples", Integer, nullable=False),
    Column("words", LargeBinary, nullable=False),
)

sound_piece = Table(
    "sound_piece",
    metadata,
    Column("examination_id", Integer, ForeignKey("examination.id", ondelete="CASCADE"), primary_key=True),
    Column("recording", Integer, primary_key=True),
    Column("piece", Integer, primary_key=True),
    Column("body", LargeBinary, nullable=False),
)

account = Table(
    "account",
    metadata,
    Column("username", Text, primary_key=True),
    Column("name", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("password", Text, nullable=False),
    Column("active", Integer, nullable=False),
    Column("created_at", Text, nullable=False),
    Column("failures", Integer, nullable=False),
    Column("wait_until", Text),
    Column("signed_in_at", Text),
)

session = Table(
    "session",
    metadata,
    Column("token_digest", Text, primary_key=True),
    Column("username", Text, ForeignKey("account.username", ondelete="CASCADE"), nullable=False),
    Column("csrf", Text, nullable=False),
    Column("started_at", Text, nullable=False),
    Column("seen_at", Text, nullable=False),
    Index("session_by_account", "username"),
)

audit = Table(
    "audit",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("at", Text, nullable=False),
    Column("actor", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("target", Text, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("hash", Text, nullable=False),
)
