"""Accounts and sessions as the store keeps them; rules about passwords and roles live in
`dictate/desk/accounts.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, select

from dictate.storage import tables as t
from dictate.storage.reading import moment


@dataclass(frozen=True, slots=True)
class Account:
    """One person who may sign in; `password` is the argon2id hash."""

    username: str
    name: str
    role: str
    password: str
    active: bool
    created_at: datetime
    failures: int
    wait_until: datetime | None
    signed_in_at: datetime | None


@dataclass(frozen=True, slots=True)
class KeptSession:
    """One signed-in browser; only the digest of its token is kept."""

    token_digest: str
    username: str
    csrf: str
    started_at: datetime
    seen_at: datetime


def accounts(connection: Connection, username: str | None = None) -> tuple[Account, ...]:
    """All accounts by name, or the one asked for."""
    query = select(t.account).order_by(t.account.c.username)
    if username is not None:
        query = query.where(t.account.c.username == username)
    return tuple(
        Account(
            username=row.username,
            name=row.name,
            role=row.role,
            password=row.password,
            active=bool(row.active),
            created_at=moment(row.created_at),
            failures=row.failures,
            wait_until=moment(row.wait_until) if row.wait_until else None,
            signed_in_at=moment(row.signed_in_at) if row.signed_in_at else None,
        )
        for row in connection.execute(query)
    )


def session(connection: Connection, token_digest: str) -> KeptSession | None:
    """The session with this token digest."""
    row = connection.execute(select(t.session).where(t.session.c.token_digest == token_digest)).one_or_none()
    if row is None:
        return None
    return KeptSession(row.token_digest, row.username, row.csrf, moment(row.started_at), moment(row.seen_at))
