"""Seals texts and sound before they reach the database, and opens them again.

AES-256-GCM from `cryptography` (NIST SP 800-38D): a random 96-bit nonce for every piece, and the place of the
piece (table, column, row) as associated data, so that a sealed piece copied to another row does not open
there. Layout: one byte (1 sealed, 0 plain), 12 bytes nonce, ciphertext with its 16-byte tag.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import zlib
from typing import Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from dictate.errors import StoreError

KEY_BYTES = 32
NONCE_BYTES = 12
SEALED, PLAIN = b"\x01", b"\x00"


def derived(key: bytes, purpose: str) -> bytes:
    """A key for one purpose, from the data key (HKDF, RFC 5869)."""
    return HKDF(algorithm=SHA256(), length=KEY_BYTES, salt=None, info=f"spoken-exam {purpose}".encode()).derive(key)


class Cipher:
    """Seals and opens pieces of one store; `plain` stores keep the bytes as they are."""

    def __init__(self, key: bytes, *, plain: bool = False) -> None:
        self.plain = plain
        self._aead = AESGCM(derived(key, "content"))
        self._patient_key = derived(key, "patient")
        self.audit_key = derived(key, "audit")

    def seal(self, piece: bytes, place: str) -> bytes:
        """The piece as it is kept on disk."""
        if self.plain:
            return PLAIN + piece
        nonce = os.urandom(NONCE_BYTES)
        return SEALED + nonce + self._aead.encrypt(nonce, piece, place.encode())

    def open(self, kept: bytes, place: str) -> bytes:
        """The piece again; StoreError when it was changed, moved or sealed with another key."""
        kind, rest = kept[:1], kept[1:]
        if kind == PLAIN and self.plain:
            return rest
        if kind == SEALED and not self.plain:
            try:
                return self._aead.decrypt(rest[:NONCE_BYTES], rest[NONCE_BYTES:], place.encode())
            except (InvalidTag, ValueError):
                pass
        raise StoreError(
            f"The stored piece {place} does not open: it was changed or damaged outside the program. "
            "Run `dictate store check`, then restore from a backup with `dictate store restore`."
        )

    def seal_json(self, value: Any, place: str) -> bytes:
        """A JSON value, packed and sealed."""
        text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
        return self.seal(zlib.compress(text.encode(), 6), place)

    def open_json(self, kept: bytes, place: str) -> Any:
        """The JSON value of `seal_json`."""
        return json.loads(zlib.decompress(self.open(kept, place)))

    def patient_key(self, patient_ref: str) -> str:
        """A keyed digest of a patient reference: finds a patient's rows without opening every one of them."""
        folded = " ".join(patient_ref.split()).casefold()
        return hmac.new(self._patient_key, folded.encode(), hashlib.sha256).hexdigest()
