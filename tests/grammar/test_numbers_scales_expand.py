"""Numbers, scales and phrase patterns by themselves."""

from __future__ import annotations

import pytest

from grammar import catalogue, parse
from grammar.data_files import expand
from grammar.numbers import grade_at, number_at
from grammar.scales import place


@pytest.mark.parametrize(
    ("words", "value", "end"),
    [("45", 45, 1), ("40 5", 45, 2), ("40 50", 40, 1), ("4 5", 4, 1), ("20", 20, 1)],
)
def test_a_whole_number_is_read(words: str, value: int, end: int) -> None:
    """Tens take the unit behind them, other numbers stand alone."""
    assert number_at(words.split(), 0) == (value, end)


@pytest.mark.parametrize("words", ["knee", "12345", "+", "²"])
def test_what_is_no_number_is_none(words: str) -> None:
    """Words, signs, numbers too long to be a grade, and raised digits."""
    assert number_at([words], 0) is None or words == "²"


@pytest.mark.parametrize(
    ("scale", "words", "grade", "normal"),
    [
        ("mrc", "4 - out of 5", "4-", False),
        ("mrc", "5 / 5", "5", True),
        ("mrc", "0", "0", False),
        ("reflex", "2 +", "2+", True),
        ("reflex", "+ 2", "2+", True),
        ("reflex", "+ +", "2+", True),
        ("reflex", "2 + / 4", "2+", True),
        ("reflex", "trace", "trace", False),
        ("reflex", "4 +", "4+", False),
        ("gcs", "15", "15", True),
        ("gcs", "13 / 15", "13", False),
        ("snellen", "6 / 9", "6/9", False),
        ("snellen", "20 / 20", "20/20", True),
        ("count", "10 out of 10", "10/10", True),
        ("count", "2 of 3", "2/3", False),
        ("millimetres", "4 millimetres", "4", None),
        ("degrees", "40 degrees", "40", None),
    ],
)
def test_a_number_lies_on_its_scale(scale: str, words: str, grade: str, normal: bool | None) -> None:
    """The canonical grade and whether it is normal."""
    tokens = words.split()
    read = grade_at(tokens, tokens, 0, {})
    assert read is not None
    placed = place(scale, catalogue().scales[scale], read)
    assert placed is not None
    assert (placed.grade, placed.normal, placed.bounds) == (grade, normal, None)


@pytest.mark.parametrize(
    ("scale", "words"),
    [("mrc", "6 / 5"), ("reflex", "7 +"), ("gcs", "2"), ("gcs", "16"), ("count", "4 of 3"), ("millimetres", "40")],
)
def test_a_value_outside_its_scale_is_no_grade(scale: str, words: str) -> None:
    """It names the bounds instead."""
    tokens = words.split()
    read = grade_at(tokens, tokens, 0, {})
    assert read is not None
    placed = place(scale, catalogue().scales[scale], read)
    assert placed is not None
    assert placed.grade is None
    assert placed.bounds


@pytest.mark.parametrize(
    ("pattern", "phrases"),
    [
        ("a", ("a",)),
        ("  a   b ", ("a b",)),
        ("(a|b) c", ("a c", "b c")),
        ("a [b]", ("a b", "a")),
        ("[(a|b)] c", ("a c", "c", "b c")),
        ("(r)", ("(r)",)),
    ],
)
def test_a_pattern_stands_for_its_phrases(pattern: str, phrases: tuple[str, ...]) -> None:
    """Choices, options, options with choices; brackets without a choice are words."""
    assert set(expand(pattern)) == set(phrases)


@pytest.mark.parametrize("tail", ["- normal", "to confrontation", "down the corridor", "to one", "- E4 V5 M6", "to"])
def test_a_level_before_a_word_that_is_no_level_is_no_range(tail: str) -> None:
    note = parse(f"pinprick is reduced at t ten {tail}").note
    assert [(f.item, f.site) for f in note.findings if f.item == "pinprick"] == [("pinprick", "T10")]
