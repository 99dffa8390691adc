"""People at the desk: roles, passwords, signing in with throttling, sessions with an idle timeout.

Passwords are kept as argon2id hashes (argon2-cffi's defaults, which follow RFC 9106). A session is a
random token in a cookie; the store keeps only its SHA-256. After five wrong passwords an account has to
wait, each further mistake doubles the wait; an address that guesses at many accounts has to wait as well.
Passwords are looked at one at a time, so that a burst of guesses cannot overtake the count. Who is signed in
and is asked again (before signing a note) is counted by session: strangers who guess at the account cannot
keep its person from signing.
"""

from __future__ import annotations

import hashlib
import re
import secrets
import threading
from collections import deque
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, get_args

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerifyMismatchError

from dictate.errors import DeskError, SignInError
from dictate.storage import Store
from dictate.storage.people import Account, KeptSession, accounts, session
from dictate.storage.writer import Writer, stamp

Role = Literal["clinician", "secretary", "exporter", "administrator"]
ROLES: tuple[Role, ...] = get_args(Role)
ROLE_WORDS: dict[str, str] = {
    "clinician": "examines, answers questions, signs own drafts",
    "secretary": "reviews, edits and asks back; never signs",
    "exporter": "reads signed notes and exports them",
    "administrator": "keeps accounts; sees no clinical data",
}

USERNAME = re.compile(r"[a-z][a-z0-9._-]{1,31}")
SHORTEST_PASSWORD = 12
LONGEST_PASSWORD = 1000
FREE_MISTAKES = 5
FIRST_WAIT_S, LONGEST_WAIT_S = 30, 900
ADDRESS_MISTAKES, ADDRESS_WINDOW = 20, timedelta(minutes=10)
TOUCH_AFTER = timedelta(seconds=30)
LONGEST_SESSION = timedelta(hours=12)

_hasher = PasswordHasher()
# Verified when the account does not exist, so that both answers take the same time.
_NOBODY = _hasher.hash(secrets.token_hex(16))


@dataclass(frozen=True, slots=True)
class Person:
    """Who is asking: the account and the session of a request."""

    account: Account
    session: KeptSession

    @property
    def username(self) -> str:
        return self.account.username

    @property
    def role(self) -> str:
        return self.account.role


class People:
    """Everything about accounts and sessions of one store."""

    def __init__(self, store: Store, *, idle: timedelta = timedelta(minutes=15)) -> None:
        self.store = store
        self.idle = idle
        self._mistakes: dict[str, deque[datetime]] = {}
        self._lock = threading.Lock()
        self._one_at_a_time = threading.Lock()
        self._slips: dict[str, tuple[int, datetime]] = {}  # session: wrong passwords, until when it has to wait

    # ---- accounts

    def all(self) -> tuple[Account, ...]:
        """All accounts by user name."""
        with self.store.database.reading() as connection:
            return accounts(connection)

    def find(self, username: str) -> Account | None:
        """The account with this user name."""
        with self.store.database.reading() as connection:
            found = accounts(connection, username)
        return found[0] if found else None

    def add(self, username: str, name: str, role: str, password: str, *, by: str) -> None:
        """A new account; DeskError says what is wrong with it."""
        if not USERNAME.fullmatch(username):
            raise DeskError(
                f"The user name {username!r} cannot be used: 2 to 32 small letters, digits, dots, dashes, "
                "beginning with a letter."
            )
        if role not in ROLES:
            raise DeskError(f"There is no role {role!r}; choose one of {', '.join(ROLES)}.")
        if not name.strip() or len(name) > 100 or not name.isprintable():
            raise DeskError("Give the person's name as it shall stand under a signature (1 to 100 characters).")
        require_good_password(username, password)
        if self.find(username):
            raise DeskError(f"There is an account {username} already.")
        with self.store.writing() as writer:
            writer.add_account(username, name.strip(), role, _hasher.hash(password))
            writer.append_audit(by, "account added", f"account {username}", "accepted", role)

    def set_password(self, username: str, password: str, *, by: str) -> None:
        """A new password; ends all sessions of the account."""
        require_good_password(username, password)
        with self.store.writing() as writer:
            self._require(username)
            writer.set_account(username, password=_hasher.hash(password), failures=0, wait_until=None)
            writer.drop_sessions(username=username)
            writer.append_audit(by, "password set", f"account {username}", "accepted")

    def set_role(self, username: str, role: str, *, by: str) -> None:
        """Another role; ends all sessions of the account. The last administrator stays one."""
        if role not in ROLES:
            raise DeskError(f"There is no role {role!r}; choose one of {', '.join(ROLES)}.")
        with self.store.writing() as writer:
            if role != "administrator":
                self._keep_one_administrator(username)
            writer.set_account(username, role=role)
            writer.drop_sessions(username=username)
            writer.append_audit(by, "role set", f"account {username}", "accepted", role)

    def set_active(self, username: str, active: bool, *, by: str) -> None:
        """Close or open an account; the last open administrator stays open."""
        with self.store.writing() as writer:
            if not active:
                self._keep_one_administrator(username)
            writer.set_account(username, active=int(active), failures=0, wait_until=None)
            writer.drop_sessions(username=username)
            word = "account opened" if active else "account closed"
            writer.append_audit(by, word, f"account {username}", "accepted")

    def _require(self, username: str) -> Account:
        found = self.find(username)
        if found is None:
            raise DeskError(f"There is no account {username}; `dictate users list` shows those there are.")
        return found

    def _keep_one_administrator(self, username: str) -> None:
        if self._require(username).role != "administrator":
            return
        others = [a for a in self.all() if a.role == "administrator" and a.active and a.username != username]
        if not others:
            raise DeskError(f"{username} is the last administrator; make another one first.")

    # ---- signing in

    def sign_in(self, username: str, password: str, address: str) -> str:
        """A new session's token; SignInError (with the seconds to wait, if any) when refused."""
        with self._one_at_a_time:
            account = self._verified(username, password, address)
        token = secrets.token_urlsafe(32)
        with self.store.writing() as writer:
            now = self.store.clock()
            writer.drop_sessions(before=stamp(now - LONGEST_SESSION))
            writer.add_session(digest(token), account.username, secrets.token_urlsafe(32))
            writer.set_account(account.username, signed_in_at=stamp(now))
            writer.append_audit(account.username, "sign in", f"account {account.username}", "accepted")
        return token

    def confirm(self, person: Person, password: str) -> None:
        """Ask for the password again (signing a note, changing the password); SignInError when it is wrong."""
        target, key = f"account {person.username}", person.session.token_digest
        with self._one_at_a_time:
            now = self.store.clock()
            slips, wait_until = self._slips.get(key, (0, now))
            if wait_until > now:
                self.store.log("desk", "confirm password", target, "rejected", "too many attempts")
                raise _too_many(wait_until, now)
            account = self._require(person.username)
            if account.active and _matches(account.password, password):
                self._slips.pop(key, None)
                return
            self._slips[key] = (slips + 1, now + _wait_after(slips + 1))
            self.store.log("desk", "confirm password", target, "rejected", "wrong user name or password")
        raise SignInError("The user name or the password is wrong.")

    def _verified(self, username: str, password: str, address: str) -> Account:
        action = "sign in"
        now = self.store.clock()
        known = self.find(username) if USERNAME.fullmatch(username) else None
        target = f"account {known.username}" if known else "account unknown"
        wait_until = self._wait_until(known, address, now)
        if wait_until > now:
            self.store.log("desk", action, target, "rejected", "too many attempts")
            raise _too_many(wait_until, now)
        right = _matches(known.password if known else _NOBODY, password)
        if known and right and known.active:
            with self.store.writing() as writer:
                fresh = {"password": _hasher.hash(password)} if _hasher.check_needs_rehash(known.password) else {}
                writer.set_account(known.username, failures=0, wait_until=None, **fresh)
            return known
        with self.store.writing() as writer:
            self._count_mistake(writer, known, address, now)
            writer.append_audit("desk", action, target, "rejected", "wrong user name or password")
        raise SignInError("The user name or the password is wrong.")

    def _wait_until(self, known: Account | None, address: str, now: datetime) -> datetime:
        if known and known.wait_until and known.wait_until > now:
            return known.wait_until
        with self._lock:
            recent = self._mistakes.get(address)
            while recent and recent[0] < now - ADDRESS_WINDOW:
                recent.popleft()
            if recent is not None and len(recent) >= ADDRESS_MISTAKES:
                return recent[0] + ADDRESS_WINDOW
        return now

    def _count_mistake(self, writer: Writer, known: Account | None, address: str, now: datetime) -> None:
        with self._lock:
            self._mistakes.setdefault(address, deque(maxlen=ADDRESS_MISTAKES)).append(now)
        if known is None:
            return
        wait = _wait_after(writer.count_failure(known.username))
        if wait:
            writer.set_account(known.username, wait_until=stamp(now + wait))

    # ---- sessions

    def who(self, token: str | None, *, touch: bool = True) -> Person | None:
        """The person behind a cookie, or None: no such session, idle too long, account closed.

        With `touch` the use counts against the idle timeout; what a page asks for by itself must not.
        """
        if not token:
            return None
        with self.store.database.reading() as connection:
            found = session(connection, digest(token))
            account = accounts(connection, found.username)[0] if found else None
        if found is None or account is None:
            return None
        now = self.store.clock()
        too_old = now - found.seen_at > self.idle or now - found.started_at > LONGEST_SESSION
        if too_old or not account.active:
            with self.store.writing() as writer:
                writer.drop_sessions(token_digest=found.token_digest)
            return None
        if touch and now - found.seen_at > TOUCH_AFTER:
            with self.store.writing() as writer:
                writer.touch_session(found.token_digest)
        return Person(account, found)

    def alive(self, token_digest: str) -> bool:
        """Whether a session still holds; looking does not prolong it."""
        with self.store.database.reading() as connection:
            found = session(connection, token_digest)
        return found is not None and self.store.clock() - found.seen_at <= self.idle

    def sign_out(self, person: Person) -> None:
        """End the session."""
        with self.store.writing() as writer:
            writer.drop_sessions(token_digest=person.session.token_digest)
            writer.append_audit(person.username, "sign out", f"account {person.username}", "accepted")


def digest(token: str) -> str:
    """What the store keeps of a token."""
    return hashlib.sha256(token.encode()).hexdigest()


def require_good_password(username: str, password: str) -> None:
    """DeskError when a password is too short, too long or holds the user name (NIST SP 800-63B: length
    counts).
    """
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise DeskError(f"The password must have {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} characters.")
    if username.casefold() in password.casefold() or len(set(password)) < 5:
        raise DeskError("The password is too easy to guess: leave out the user name and use more different characters.")


def _wait_after(mistakes: int) -> timedelta:
    """How long to wait after so many wrong passwords in a row."""
    if mistakes < FREE_MISTAKES:
        return timedelta()
    return timedelta(seconds=min(LONGEST_WAIT_S, FIRST_WAIT_S * 2 ** min(10, mistakes - FREE_MISTAKES)))


def _too_many(wait_until: datetime, now: datetime) -> SignInError:
    wait = int((wait_until - now).total_seconds()) + 1
    return SignInError(f"Too many wrong passwords; try again in {wait} seconds.", wait)


def _matches(kept: str, password: str) -> bool:
    try:
        return _hasher.verify(kept, password[:LONGEST_PASSWORD])
    except (VerifyMismatchError, InvalidHashError):
        return False
