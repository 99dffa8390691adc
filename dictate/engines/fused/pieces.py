"""The word pieces of the neural model, and what each of them means to a spoken transcript.

The model writes text: capitals, commas, digits, hyphens. The examination needs spoken words. So every piece
is folded once, on load, into one of a few kinds, and the search never sees the written form again:

START    letters that begin a word (the piece carries the space before it)   "▁Rom"  -> "rom"
INSIDE   letters that go on with a word                                      "berg"  -> "berg"
DIGIT    one digit; digits in a row make one number word                     "4"     -> "4"
SIGN     a written sign that is spoken as a word                             "+"     -> "plus"
SPACE    a bare space                                                        "▁"
STOP     punctuation: ends a word and leaves no trace                        ","
END      the end of the utterance
BANNED   everything else (other scripts, code, brackets)
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path

import numpy as np
import numpy.typing as npt

from dictate.errors import EngineError

BEGIN_TOKEN, END_TOKEN = 1, 2
SPACE_MARK = "▁"
SPOKEN_SIGNS = {"+": "plus", "%": "percent", "&": "and"}
STOPS = frozenset({",", ".", "?", "!", ";", ":", "-", "...", '"', ',"', '."', "--"})

_LETTERS = re.compile(r"[A-Za-z']*[A-Za-z][A-Za-z']*")


class Kind(IntEnum):
    """What a piece does to the transcript; see the module's head."""

    BANNED = 0
    START = 1
    INSIDE = 2
    DIGIT = 3
    SIGN = 4
    SPACE = 5
    STOP = 6
    END = 7


@dataclass(frozen=True, slots=True)
class Pieces:
    """All pieces: their written form, their kind and their folded text, by token number."""

    written: tuple[str, ...]
    kinds: npt.NDArray[np.int8]
    folded: tuple[str, ...]

    def text(self, tokens: list[int]) -> str:
        """The written text of a row of tokens, as the model meant it."""
        return "".join(self.written[token] for token in tokens if token > END_TOKEN).replace(SPACE_MARK, " ").strip()


def fold(piece: str) -> tuple[Kind, str]:
    """The kind and the folded text of one written piece."""
    body = piece.removeprefix(SPACE_MARK)
    starts = body != piece
    if piece == SPACE_MARK:
        return Kind.SPACE, ""
    if _LETTERS.fullmatch(body):
        return (Kind.START if starts else Kind.INSIDE), body.lower()
    if not starts and body == "'":
        return Kind.INSIDE, "'"
    if not starts and len(body) == 1 and body.isascii() and body.isdigit():
        return Kind.DIGIT, body
    if body in SPOKEN_SIGNS:
        return Kind.SIGN, SPOKEN_SIGNS[body]
    if body in STOPS:
        return Kind.STOP, ""
    return Kind.BANNED, ""


def pieces_from(written: list[str]) -> Pieces:
    """Fold a list of written pieces; number `END_TOKEN` is the end of the utterance."""
    kinds = np.zeros(len(written), dtype=np.int8)
    folded = [""] * len(written)
    for token, piece in enumerate(written):
        if token == END_TOKEN:
            kinds[token] = Kind.END
        elif token > END_TOKEN:
            kinds[token], folded[token] = fold(piece)
    return Pieces(tuple(written), kinds, tuple(folded))


def read_pieces(path: Path) -> Pieces:
    """Read the model's piece table: each piece is a length (one byte, or two for 128 and more) and UTF-8
    bytes."""
    data = path.read_bytes()
    written: list[str] = []
    at = 0
    while at < len(data):
        length = data[at]
        at += 1
        if length >= 128:
            length = length - 128 + 128 * data[at]
            at += 1
        written.append(data[at : at + length].decode("utf-8", "replace"))
        at += length
    if len(written) <= END_TOKEN:
        raise EngineError(f"The speech model's word piece table {path} is empty or damaged; install the package again.")
    return pieces_from(written)
