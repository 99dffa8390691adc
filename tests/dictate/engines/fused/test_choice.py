"""The grammar's say among close readings: never on a side, negation or grade."""

from __future__ import annotations

import pytest

from dictate.engines.fused.choice import grammar_unread, sensible, turns_around
from dictate.engines.fused.search import Heard, Reading


def reading(text: str, score: float) -> Reading:
    words = tuple(text.split())
    return Reading(words, score, score, (score / max(1, len(words)),) * len(words))


def heard(*readings: tuple[str, float]) -> Heard:
    return Heard(tuple(reading(*one) for one in readings), "as it was", -7.0, 5)


def texts(found: Heard) -> list[str]:
    return [" ".join(one.words) for one in found.readings]


def test_the_reading_that_the_grammar_reads_more_of_goes_first() -> None:
    found = heard(("right they'll toy five", -5.0), ("right deltoid five", -7.0), ("right the toy five", -7.5))
    taken = sensible(found, grammar_unread(), close=3.0, most=12)
    assert texts(taken)[0] == "right deltoid five"
    assert sorted(texts(taken)) == sorted(texts(found))


@pytest.mark.parametrize(("close", "most"), [(1.5, 12), (3.0, 1)])
def test_a_reading_too_far_behind_is_not_taken(close: float, most: int) -> None:
    found = heard(("right they'll toy five", -5.0), ("right deltoid five", -7.0))
    assert sensible(found, grammar_unread(), close, most) == found


def test_as_much_read_leaves_the_best_first() -> None:
    found = heard(("right knee jerk absent", -5.0), ("right knee jerks absent", -5.1))
    assert sensible(found, grammar_unread(), 3.0, 12) == found


@pytest.mark.parametrize(
    ("best", "other"),
    [
        ("write knee jerk absent", "right knee jerk absent"),
        ("the left arm", "the right arm"),
        ("weakness of the arm", "no weakness of the arm"),
        ("knee jerk to plus", "knee jerk two plus"),
        ("power four", "power for"),
        ("tone is increased", "tone is decreased"),
        ("reflexes impaired", "reflexes impair"),
    ],
)
def test_sides_negations_and_grades_are_not_chosen_by_sense(best: str, other: str) -> None:
    assert turns_around(best.split(), other.split())
    found = heard((best, -5.0), (other, -5.1))
    assert sensible(found, lambda words: 0 if " ".join(words) == other else 9, 3.0, 12) == found


def test_other_words_turn_nothing_around() -> None:
    assert not turns_around(["the", "dolt", "oid"], ["the", "deltoid"])
