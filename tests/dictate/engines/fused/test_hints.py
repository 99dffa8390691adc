"""Hints count in order, each once, and only near the place that a reading has reached."""

from __future__ import annotations

import pytest

from dictate.engines.fused.hints import Hints

PHRASE = "ankle dorsiflexion three out of five on the right five on the left"
HEARD = [(word, 3.0) for word in PHRASE.split()]


@pytest.mark.parametrize(
    ("said", "word", "hinted"),
    [
        ("", "ankle", True),
        ("", "on", False),  # a jump over the phrase earns nothing
        ("ankle dorsiflexion three out of", "five", True),
        ("ankle dorsiflexion three out of five", "five", False),  # heard again, but further on
        ("ankle dorsiflexion three out of five on the right", "five", True),
        ("uncle dorsiflexion", "three", True),  # a word that differs takes one place
        ("an ankle dorsiflexion", "three", True),  # so does one too many: it is still near
        ("ankle", "three", True),  # and one too few
        ("ankle dorsiflexion three out of five on the right five on the left", "left", False),
        ("", "plantar", False),
    ],
)
def test_a_word_is_hinted_where_it_is_due(said: str, word: str, hinted: bool) -> None:
    assert (Hints([HEARD]).gain(tuple(said.split()), word) > 1.5) == hinted


def test_each_hint_counts_once_and_with_its_own_weight() -> None:
    hints = Hints([[("knee", 1.0), ("knee", 2.0), ("jerk", 3.0)]])
    assert hints.gain(("knee",), "knee") == 2.0
    assert hints.gain(("knee", "knee"), "knee") == 0.0
    assert hints.gain(("knee", "knee"), "jerk") == 3.0


def test_a_hint_fades_with_its_distance() -> None:
    hints = Hints([[(word, 5.0) for word in ("a", "b", "c", "d", "e", "f", "g")]])
    gains = [hints.gain((), word) for word in "abcdefg"]
    assert gains == sorted(gains, reverse=True)
    assert gains[0] == 5.0
    assert gains[4] > gains[5] == gains[6] == 0.0


def test_without_hints_nothing_is_gained() -> None:
    assert Hints().gain(("knee",), "jerk") == 0.0
    assert Hints().near(()) == []
    assert Hints([[], []]).gain((), "knee") == 0.0


def test_a_word_that_two_others_heard_gains_from_both() -> None:
    hints = Hints([[("knee", 2.0), ("jerk", 2.0)], [("me", 3.0), ("jerk", 3.0)]])
    assert hints.gain((), "knee") == 2.0
    assert hints.gain(("knee",), "jerk") == 5.0
    assert hints.near(("knee",)) == ["jerk", "me", "jerk"]
