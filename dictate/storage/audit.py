"""The audit log: who did or tried what, each entry chained to the one before it.

hash(n) = HMAC-SHA256(audit key, hash(n-1) + entry n as JSON). The audit key is derived from the store's
key, so whoever changes the database without the key cannot forge the chain. The head (count and last hash)
is kept apart in `meta` with its own HMAC: a cut-off tail is found. A whole database put back to an earlier
state is only found by comparing with a head written down elsewhere: `dictate audit head`, then `dictate
audit verify --expect`. Entries hold ids and states, never spoken words or patient references.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

FIRST = "0" * 64
HEAD = "audit_head"


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """One line of the log; `outcome` is accepted or rejected."""

    id: int
    at: str
    actor: str
    action: str
    target: str
    outcome: str
    detail: str
    hash: str = ""


@dataclass(frozen=True, slots=True)
class AuditReport:
    """The result of a verification: `fault` is empty when the log is whole."""

    entries: int
    head: str
    fault: str = ""
    first_bad: int | None = None

    @property
    def sound(self) -> bool:
        return not self.fault


def chained(key: bytes, before: str, entry: AuditEntry) -> str:
    """The hash of an entry that follows the entry with the hash `before`."""
    facts: dict[str, Any] = asdict(entry)
    facts.pop("hash")
    text = before + json.dumps(facts, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hmac.new(key, text.encode(), hashlib.sha256).hexdigest()


def head_value(key: bytes, count: int, last: str) -> str:
    """What `meta` keeps about the end of the chain: count, last hash and their HMAC."""
    seal = hmac.new(key, f"{count}:{last}".encode(), hashlib.sha256).hexdigest()
    return f"{count}:{last}:{seal}"


def verified(key: bytes, entries: Iterable[AuditEntry], head: str | None, expect: str | None = None) -> AuditReport:
    """Walk the chain from the first entry; `expect` is a `COUNT:HASH` noted earlier that must lie on it."""
    last, count = FIRST, 0
    noted = expect.split(":")[:2] if expect else None
    noted_seen = noted is None or noted == ["0", FIRST]
    for entry in entries:
        count += 1
        if entry.id != count:
            return AuditReport(count - 1, last, f"Entry {count} is missing from the audit log.", count)
        due = chained(key, last, entry)
        if not hmac.compare_digest(due, entry.hash):
            fault = f"Audit entry {count} was changed, or an entry was put in or taken out before it."
            return AuditReport(count, last, fault, count)
        last = entry.hash
        if noted == [str(count), last]:
            noted_seen = True
    if head is None or not hmac.compare_digest(head, head_value(key, count, last)):
        return AuditReport(count, last, f"The end of the audit log after entry {count} was cut off or changed.", count)
    if not noted_seen:
        return AuditReport(count, last, "The audit log does not contain the head that was noted earlier.", count)
    return AuditReport(count, last)
