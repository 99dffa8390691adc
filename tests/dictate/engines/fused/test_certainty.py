"""Word confidence: shares of the beam, with rivals."""

from __future__ import annotations

import math

import pytest

from dictate.engines.fused.certainty import aligned, posteriors, softmax
from dictate.engines.fused.search import Reading


def reading(words: str, score: float) -> Reading:
    return Reading(tuple(words.split()), score, score)


def test_a_words_confidence_is_the_share_of_the_readings_that_have_it() -> None:
    found = posteriors(
        [
            reading("right knee jerk", math.log(6)),
            reading("left knee jerk", math.log(3)),
            reading("right knee", 0.0),
        ]
    )
    assert [round(share, 2) for share, _ in found] == [0.7, 1.0, 0.9]
    assert [rivals for _, rivals in found] == [("left",), (), ()]


def test_a_warmer_temperature_makes_it_less_sure() -> None:
    pair = [reading("flexor", 4.0), reading("extensor", 0.0)]
    assert posteriors(pair)[0][0] > posteriors(pair, temperature=4.0)[0][0] > 0.5


@pytest.mark.parametrize(
    ("best", "other", "placed"),
    [
        ("a b c", "a b c", ["a", "b", "c"]),
        ("a b c", "a c", ["a", "", "c"]),
        ("a b", "a x b", ["a", "b"]),
        ("a b", "", ["", ""]),
        ("right knee", "the left knee", ["left", "knee"]),
    ],
)
def test_other_readings_are_laid_beside_the_best(best, other, placed) -> None:
    assert aligned(best.split(), other.split()) == placed


def test_no_reading_no_words() -> None:
    assert posteriors([]) == []
    assert sum(softmax([1e5, 1e5 - 1, -1e5])) == pytest.approx(1.0)
