"""Typed right/left pairs and side headings: which value is which side is never guessed.

Pairs of plus signs, arrows and headings are common practice in typed notes; the reflex scale is that of Hallett M.
Neurology 1993;43:2723 (NINDS). The notes are invented.
"""

from __future__ import annotations

import pytest

from grammar import parse


def rows(text: str) -> list[tuple[str, str | None, str, str, str | None]]:
    """(item, site, side, status, grade) of each finding, in order."""
    return [(f.item, f.site, f.side, f.status, f.grade) for f in parse(text).note.findings]


@pytest.mark.parametrize(
    ("text", "site", "first", "second"),
    [
        ("TJ +/++", "triceps", ("normal", "1+"), ("normal", "2+")),
        ("KJ +++/++", "knee", ("normal", "3+"), ("normal", "2+")),
        ("KJ ++/++++", "knee", ("normal", "2+"), ("abnormal", "4+")),
        ("AJ +/-", "ankle", ("normal", "1+"), ("abnormal", "0")),
    ],
)
def test_an_unequal_pair_keeps_both_values_and_asks(
    text: str, site: str, first: tuple[str, str], second: tuple[str, str]
) -> None:
    assert rows(text) == [("reflex", site, "unstated", *first), ("reflex", site, "unstated", *second)]
    assert {query.kind for query in parse(text).note.queries} == {"side_unstated"}


@pytest.mark.parametrize(("text", "status", "grade"), [("AJ ++/++", "normal", "2+"), ("AJ -/-", "abnormal", "0")])
def test_an_equal_pair_is_both_sides(text: str, status: str, grade: str) -> None:
    assert rows(text) == [("reflex", "ankle", "both", status, grade)]


@pytest.mark.parametrize("text", ["Plantars ↓/↑", "Plantars ↓↑", "R/L plantars ↓/↑"])
def test_unlike_arrows_are_unread(text: str) -> None:
    note = parse(text).note
    assert note.findings == ()
    assert note.unread


def test_arrows_under_a_stated_order_have_their_sides() -> None:
    assert [row[2:4] for row in rows("Plantars (R/L): ↓/↑")] == [("right", "normal"), ("left", "abnormal")]


def test_a_side_on_its_own_line_heads_the_lines_below() -> None:
    text = "Right:\nPower 5/5\nReflexes 2+\nLeft:\nPower 4/5\nReflexes 3+"
    assert rows(text) == [
        ("power", "limbs", "right", "normal", "5"),
        ("reflex", "limbs", "right", "normal", "2+"),
        ("power", "limbs", "left", "abnormal", "4"),
        ("reflex", "limbs", "left", "normal", "3+"),
    ]


def test_throughout_does_not_widen_a_side_that_heads() -> None:
    assert rows("Left: power 4/5 throughout.") == [("power", "limbs", "left", "abnormal", "4")]


@pytest.mark.parametrize(
    "text", ["4/5 R grip, 5/5 L grip", "Power: 4/5 R grip, 5/5 L grip", "4/5 R grip and 5/5 L grip"]
)
def test_a_fraction_that_opens_the_line_belongs_to_what_follows(text: str) -> None:
    assert rows(text) == [("power", "grip", "right", "abnormal", "4"), ("power", "grip", "left", "normal", "5")]
