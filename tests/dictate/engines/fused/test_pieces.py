"""What each written piece means, and how numbers are spoken."""

from __future__ import annotations

import pytest

from dictate.engines.fused.numerals import first_words, spoken
from dictate.engines.fused.pieces import Kind, fold, read_pieces
from dictate.errors import EngineError


@pytest.mark.parametrize(
    ("piece", "kind", "folded"),
    [
        ("▁Rom", Kind.START, "rom"),
        ("berg", Kind.INSIDE, "berg"),
        ("'", Kind.INSIDE, "'"),
        ("7", Kind.DIGIT, "7"),
        ("+", Kind.SIGN, "plus"),
        ("▁", Kind.SPACE, ""),
        (",", Kind.STOP, ""),
        ("-", Kind.STOP, ""),
        ("▁{", Kind.BANNED, ""),
        ("ско", Kind.BANNED, ""),
        ("▁h2o", Kind.BANNED, ""),
        ("<<ST_3>>", Kind.BANNED, ""),
    ],
)
def test_pieces_are_folded(piece, kind, folded) -> None:
    assert fold(piece) == (kind, folded)


@pytest.mark.parametrize(
    ("digits", "words"),
    [
        ("0", "zero"),
        ("4", "four"),
        ("12", "twelve"),
        ("40", "forty"),
        ("42", "forty two"),
        ("130", "one hundred thirty"),
        ("007", ""),
        ("1234", ""),
        ("", ""),
    ],
)
def test_digits_are_spoken(digits, words) -> None:
    assert " ".join(spoken(digits)) == words


def test_a_begun_number_can_only_become_numbers_that_begin_so() -> None:
    assert "twelve" in first_words("1")
    assert "twelve" not in first_words("2")
    assert set(first_words("2")) == {"two", "twenty"}
    assert first_words("0") == ("zero",)


def test_the_table_is_read_with_one_and_two_byte_lengths(tmp_path) -> None:
    long = "x" * 200
    table = b"".join(
        (bytes([len(piece)]) if len(piece) < 128 else bytes([len(piece) % 128 + 128, len(piece) // 128])) + piece
        for piece in (b"<unk>", b"<s>", b"</s>", "▁a".encode(), long.encode())
    )
    path = tmp_path / "tokenizer.bin"
    path.write_bytes(table)
    pieces = read_pieces(path)
    assert pieces.written[3:] == ("▁a", long)
    assert pieces.kinds[2] == Kind.END
    assert pieces.text([1, 3, 4, 2]) == "a" + long
    path.write_bytes(b"")
    with pytest.raises(EngineError, match=r"empty or damaged; install the package again\.$"):
        read_pieces(path)
