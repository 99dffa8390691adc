"""Finds the key of a store: passphrase (argon2id), OS keyring or key file; plain only when asked for.

The data key is random and never changes; it is kept wrapped (AES-GCM) by a key made from the chosen source,
so a passphrase can be changed without sealing everything anew. What is needed to unwrap it (mode, salt,
argon2id costs, name of the keyring entry, wrapped key) lies in the `meta` table and travels with backups.
Costs follow RFC 9106, section 4, second recommended option: 3 passes, 64 MiB, 4 lanes.
"""

from __future__ import annotations

import base64
import getpass
import os
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

from argon2.low_level import Type, hash_secret_raw
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from dictate.errors import StoreError
from dictate.settings import StoreSettings
from dictate.storage.cipher import KEY_BYTES, NONCE_BYTES, Cipher
from dictate.storage.options import APP

TIME_COST, MEMORY_KIB, LANES = 3, 65536, 4
SHORTEST_PASSPHRASE = 12
WRAP_PLACE = b"spoken-exam wrapped data key"

AskPassphrase = Callable[[StoreSettings], str]


def ask_passphrase(settings: StoreSettings) -> str:
    """The passphrase from the file that the settings name, else typed at the terminal."""
    if settings.passphrase_file is not None:
        try:
            return settings.passphrase_file.read_text(encoding="utf-8").rstrip("\n")
        except (OSError, UnicodeDecodeError) as error:
            raise StoreError(
                f"The passphrase file {settings.passphrase_file} cannot be read ({error}); correct "
                "passphrase_file in the [store] settings."
            ) from error
    if sys.stdin.isatty():
        return getpass.getpass("Passphrase of the store: ")
    raise StoreError(
        "The store needs its passphrase and there is no terminal to ask at; put it into a file that only you "
        "can read and name it as passphrase_file in the [store] settings."
    )


def create_header(settings: StoreSettings, ask: AskPassphrase) -> tuple[dict[str, str], Cipher]:
    """Make a new data key; returns the `meta` rows that let it be found again, and the cipher."""
    data_key = os.urandom(KEY_BYTES)
    if settings.key == "plain":
        header = {"key_mode": "plain", "key_digest": _text(data_key)}
        return header, Cipher(data_key, plain=True)
    header = {"key_mode": settings.key, "key_salt": _text(os.urandom(16)), "store_id": os.urandom(8).hex()}
    header["key_entry"] = _entry_name(header)
    header["key_costs"] = f"{TIME_COST},{MEMORY_KIB},{LANES}"
    outer = _outer_key(header, settings, ask, create=True)
    header["key_wrapped"] = _wrap(outer, data_key)
    return header, Cipher(data_key)


def open_header(header: Mapping[str, str], settings: StoreSettings, ask: AskPassphrase, where: str) -> Cipher:
    """The cipher of an existing store; StoreError with one sentence when the key is not the right one."""
    if header["key_mode"] == "plain":
        return Cipher(_bytes(header["key_digest"]), plain=True)
    return Cipher(_unwrap(header, settings, ask, where))


def rewrapped(
    header: Mapping[str, str],
    settings: StoreSettings,
    ask_old: AskPassphrase,
    ask_new: AskPassphrase,
    where: str,
) -> dict[str, str]:
    """The `meta` rows for the same data key under a new passphrase, keyring entry or key file."""
    if header["key_mode"] == "plain" or settings.key == "plain":
        raise StoreError(
            "A store cannot change between plain and encrypted; make a new one elsewhere (url in the [store] "
            "settings) with `dictate store init` and keep new examinations there."
        )
    data_key = _unwrap(header, settings, ask_old, where)
    fresh = {**header, "key_mode": settings.key, "key_salt": _text(os.urandom(16))}
    fresh["key_entry"] = _entry_name(fresh)
    fresh["key_wrapped"] = _wrap(_outer_key(fresh, settings, ask_new, create=True), data_key)
    return fresh


def _entry_name(header: Mapping[str, str]) -> str:
    """A name for a new keyring entry: an entry is never overwritten, so that what was wrapped before (the store
    itself while a change of the key is not yet on the disk, and every backup) can still be opened.
    """
    return f"{header['store_id']}-{os.urandom(8).hex()}"


def _unwrap(header: Mapping[str, str], settings: StoreSettings, ask: AskPassphrase, where: str) -> bytes:
    outer = _outer_key(header, settings, ask, create=False)
    wrapped = _bytes(header["key_wrapped"])
    try:
        return AESGCM(outer).decrypt(wrapped[:NONCE_BYTES], wrapped[NONCE_BYTES:], WRAP_PLACE)
    except InvalidTag:
        raise StoreError(f"Wrong key: the {_source(header, settings)} does not open the store {where}.") from None


def _source(header: Mapping[str, str], settings: StoreSettings) -> str:
    names = {"passphrase": "passphrase", "keyring": "key in the OS keyring"}
    return names.get(header["key_mode"], f"key file {settings.key_file}")


def _outer_key(header: Mapping[str, str], settings: StoreSettings, ask: AskPassphrase, *, create: bool) -> bytes:
    mode = header["key_mode"]
    if mode == "passphrase":
        phrase = ask(settings)
        if create and len(phrase) < SHORTEST_PASSPHRASE:
            raise StoreError(f"The passphrase is too short; give at least {SHORTEST_PASSPHRASE} characters.")
        passes, memory, lanes = (int(cost) for cost in header["key_costs"].split(","))
        return hash_secret_raw(phrase.encode(), _bytes(header["key_salt"]), passes, memory, lanes, KEY_BYTES, Type.ID)
    if mode == "keyring":
        return _keyring_key(header.get("key_entry", header["store_id"]), create=create)
    return _file_key(settings.key_file, create=create)


def _keyring_key(entry: str, *, create: bool) -> bytes:
    try:
        import keyring
        from keyring.errors import KeyringError
    except ImportError as error:
        raise StoreError(
            "The key is to be kept in the OS keyring, which needs the keyring library: "
            "pip install 'spoken-exam[keyring]'."
        ) from error
    try:
        if create:
            keyring.set_password(APP, entry, _text(os.urandom(KEY_BYTES)))
        found = keyring.get_password(APP, entry)
    except KeyringError as error:
        raise StoreError(f"The OS keyring cannot be used ({error}); unlock it, or use a key file.") from error
    if not found:
        raise StoreError(f"The OS keyring holds no key named {APP}/{entry}; restore it, or restore a backup.")
    return _bytes(found)


def _file_key(path: Path | None, *, create: bool) -> bytes:
    assert path is not None, "filled_in names it"
    try:
        if create and not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as file:
                file.write(_text(os.urandom(KEY_BYTES)) + "\n")
        key = _bytes(path.read_text(encoding="ascii").strip())
    except (OSError, ValueError) as error:
        raise StoreError(
            f"The key file {path} cannot be read ({error}); bring it back from its safe copy, or name "
            "another with key_file in the [store] settings."
        ) from error
    if len(key) != KEY_BYTES:
        raise StoreError(f"The key file {path} is damaged: it must hold {KEY_BYTES} bytes in base64.")
    return key


def _wrap(outer: bytes, data_key: bytes) -> str:
    nonce = os.urandom(NONCE_BYTES)
    return _text(nonce + AESGCM(outer).encrypt(nonce, data_key, WRAP_PLACE))


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def _bytes(text: str) -> bytes:
    return base64.b64decode(text, validate=True)
