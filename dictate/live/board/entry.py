"""The door of the board: which addresses may ask, and the one-time code with its cookie and TLS on a network.

On the loopback address the page is open to this machine. On a network a browser must give the code that
stands in the terminal; the first right answer uses the code up and gets a cookie. After five wrong
answers the door stays shut for 30 seconds, after each further one twice as long (at most four minutes),
so that guessing leads nowhere: 8 digits, about 20 tries an hour. The code stays meanwhile.
"""

from __future__ import annotations

import datetime
import ipaddress
import math
import secrets
import socket
import ssl
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from dictate.errors import SettingsError

COOKIE = "board_pass"
TRIES = 5
FIRST_WAIT_S, LONGEST_WAIT_S = 30, 240


def _new_code() -> str:
    return f"{secrets.randbelow(10**8):08d}"


@dataclass
class Door:
    """Who may see the board. `tell` is called with each new code."""

    code_needed: bool
    hosts: frozenset[str]
    tell: Callable[[str], None] = lambda code: None
    code: str = ""
    wrong: int = 0
    shut_until: float = 0.0
    clock: Callable[[], float] = time.monotonic
    passes: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        if self.code_needed:
            self.renew()

    def renew(self) -> None:
        """Make a new one-time code and tell it."""
        self.code, self.wrong, self.shut_until = _new_code(), 0, 0.0
        self.tell(self.code)

    def knows_host(self, host: str) -> bool:
        """Is `Host:` one of our own names? (Stops pages elsewhere from reaching us under a borrowed name.)"""
        try:
            name = urlsplit(f"//{host}").hostname
        except ValueError:
            return False
        return name is not None and name.lower() in self.hosts

    def lets_in(self, given: str | None) -> bool:
        """Does this cookie open the board?"""
        if not self.code_needed:
            return True
        return given is not None and any(secrets.compare_digest(given.encode(), p.encode()) for p in self.passes)

    def admit(self, code: str) -> str | None:
        """A pass for the right code (which is used up by that), or None; while the door is shut always None."""
        if not self.code_needed or self.wait_s:
            return None
        if secrets.compare_digest(code.strip().encode(), self.code.encode()):
            new_pass = secrets.token_urlsafe(32)
            self.passes.add(new_pass)
            self.renew()
            return new_pass
        self.wrong += 1
        if self.wrong >= TRIES:
            self.shut_until = self.clock() + min(LONGEST_WAIT_S, FIRST_WAIT_S * 2 ** min(10, self.wrong - TRIES))
        return None

    @property
    def wait_s(self) -> int:
        """Seconds until the next code is looked at, 0 when it would be at once."""
        return max(0, math.ceil(self.shut_until - self.clock())) if self.shut_until else 0


def own_addresses() -> list[str]:
    """The addresses of this machine on its networks, without asking any network."""
    found = set()
    try:
        for info in socket.getaddrinfo(socket.gethostname(), None):
            found.add(str(info[4][0]).partition("%")[0])
    except OSError:
        pass
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address; a datagram socket sends nothing on connect
            found.add(probe.getsockname()[0])
        except OSError:
            pass
    return sorted(address for address in found if not ipaddress.ip_address(address).is_loopback)


@dataclass(frozen=True, slots=True)
class Certificate:
    """A self-made certificate for one evening: where its files are, and its fingerprint to compare by eye."""

    cert: Path
    key: Path
    fingerprint: str


def make_certificate(folder: Path, names: list[str]) -> Certificate:
    """Write a new key and a self-signed certificate for `names` into `folder` (valid for two days)."""
    try:
        from cryptography import x509
        from cryptography.hazmat.primitives import hashes, serialization
        from cryptography.hazmat.primitives.asymmetric import ec
    except ImportError as error:
        raise SettingsError(
            "Showing the board on a network needs the 'board' extra for its TLS certificate. "
            "Run: pip install 'spoken-exam[board]'"
        ) from error
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "Spoken Exam board")])
    alternatives: list[x509.GeneralName] = []
    for text in names:
        try:
            alternatives.append(x509.IPAddress(ipaddress.ip_address(text)))
        except ValueError:
            alternatives.append(x509.DNSName(text))
    now = datetime.datetime.now(datetime.UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1))
        .not_valid_after(now + datetime.timedelta(days=2))
        .add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
        .sign(key, hashes.SHA256())
    )
    cert_path, key_path = folder / "board.crt", folder / "board.key"
    cert_path.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    key_path.touch(mode=0o600)
    key_path.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    digest = certificate.fingerprint(hashes.SHA256()).hex(":").upper()
    ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(cert_path, key_path)  # it must load
    return Certificate(cert_path, key_path, digest)
