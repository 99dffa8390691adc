"""Text files to notes: any encoding, any size, junk included; one sentence when there is nothing to read."""

from __future__ import annotations

import sys
from pathlib import Path

from dictate.errors import InputError

STANDARD_INPUT = "-"
JUNK_SHARE = 0.3
"""
"""
"""A text with more than this share of unprintable characters is no text."""

_MARKS = (
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)


def read_text(name: str) -> str:
    """The text of a file, or of standard input for "-". Raises InputError with one sentence."""
    if name == STANDARD_INPUT:
        data = sys.stdin.buffer.read()
        shown = "standard input"
    else:
        path = Path(name)
        shown = name
        if path.is_dir():
            raise InputError(f"{name} is a folder; name the text files in it.")
        try:
            data = path.read_bytes()
        except OSError as error:
            raise InputError(f"{name} cannot be opened ({error.strerror or error}); check the name.") from error
    if not data.strip():
        raise InputError(f"{shown} is empty; there is nothing to read.")
    text = decode(data)
    if is_junk(text):
        sound = data[:4] in (b"RIFF", b"fLaC", b"OggS") or data[:3] == b"ID3"
        way_out = "it is a sound file; hear it with `dictate hear`" if sound else "give a text file"
        raise InputError(f"{shown} is not text; {way_out}.")
    return text


def decode(data: bytes) -> str:
    """Bytes as text: a byte-order mark decides, then UTF-16 by its zeros, then UTF-8, then Windows-1252."""
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return data.decode(encoding, errors="replace")
    head = data[:2000]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if max(even, odd) > 0.15 * len(head) and min(even, odd) < 0.02 * len(head):
        return data.decode("utf-16-be" if even > odd else "utf-16-le", errors="replace")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        pass
    return data.decode("cp1252", errors="replace")


def is_junk(text: str) -> bool:
    """Whether a text is mostly characters that nobody writes."""
    sample = text[:20_000]
    odd = sum(not (char.isprintable() or char in "\n\r\t\f\v") or char == "\ufffd" for char in sample)
    return odd > JUNK_SHARE * max(1, len(sample)) or (odd > 0 and "\0" in sample)
