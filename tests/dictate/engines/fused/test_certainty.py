"""Word confidence: shares of the beam, with rivals."""

from __future__ import annotations

import math

import pytest

from dictate.doubt import limits
from dictate.engines.fused.certainty import WordEvidence, aligned, certainty, gather, left_out, posteriors, softmax
from dictate.engines.fused.search import Heard, Reading


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


@pytest.mark.parametrize(
    ("best", "other", "missing"),
    [
        ("a b c", "a b c", [[], [], []]),
        ("a c", "a b c", [[], [1]]),
        ("on the right", "three out of five on the right", [[0, 1, 2, 3], [], []]),
        ("a b", "a b c d", [[], [2, 3]]),
        ("a b", "", [[], []]),
    ],
)
def test_what_only_the_other_reading_has_is_found_at_its_place(best, other, missing) -> None:
    assert left_out(best.split(), other.split()) == missing


def test_a_word_that_only_one_ear_heard_is_under_the_strict_limit_however_sure_the_beam() -> None:
    sure = WordEvidence("left", posterior=1.0, ear=True, free=True, per_letter=0.0)
    assert certainty(sure) > 0.9
    assert certainty(WordEvidence("left", posterior=1.0, ear=False, free=True, per_letter=0.0)) < limits().strict


@pytest.mark.parametrize(
    ("sure", "doubted"), [([True] * 6, True), ([False] * 6, False), ([True, True, True, False, True, True], False)]
)
def test_a_word_beside_a_lost_one_is_doubted_and_the_lost_one_named(sure, doubted) -> None:
    ear = ["sense", "in", "the", "impaired", "right", "hand"]
    heard = Heard((Reading(("sense", "in", "the", "right", "hand"), 0.0, 0.0, (0.0,) * 5),), "sense in the right hand")
    found = {word.text: word for word in gather(heard, ear, has_ear=True, sure=sure)}
    assert found["right"].beside == (("impaired",) if doubted else ())
    assert (certainty(found["right"]) < limits().weak) == doubted
    assert not found["hand"].beside
