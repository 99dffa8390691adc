"""Signs by which other talk is told from an examination."""

from __future__ import annotations

import pytest

from dictate.engines.fused.acceptance import acceptance, is_accepted, ratio, signs
from dictate.engines.fused.certainty import features, gather
from dictate.engines.fused.language import train
from dictate.engines.fused.search import Heard, Reading, free_words
from dictate.engines.fused.settings import fused_settings

EXAM = train(["right knee jerk two plus", "left knee jerk absent"] * 20, {"the": 50.0, "dog": 2.0, "garden": 1.0})


def heard(words: str, free: str, gap: float = 0.0) -> Heard:
    marks = tuple(-0.5 for _ in words.split())
    return Heard((Reading(tuple(words.split()), -3.0, -9.0, marks),), free, -3.0 + gap, max(1, len(free.split())))


def test_examination_words_are_likelier_in_an_examination_than_in_talk() -> None:
    assert ratio(["right", "knee", "jerk", "two", "plus"], EXAM) > 3 > 0 > ratio(["the", "dog"], EXAM)
    assert ratio([], EXAM) == 0.0


def test_the_signs_are_shares_gap_ratios_certainty_and_length() -> None:
    result = heard("right knee jerk two plus", "Right, knee jerk 2 boss.", gap=5.0)
    found = signs(result, gather(result, ["right", "knee"], has_ear=True), EXAM)
    assert found[1] == pytest.approx(4 / 5)
    assert found[2] == pytest.approx(2 / 5)
    assert found[3] == pytest.approx(1.0)
    assert found[4] > found[5]
    assert found[6:] == (pytest.approx(1.0), pytest.approx(1 / 5))


def test_nothing_heard_is_not_for_the_tool() -> None:
    assert acceptance(Heard(()), (), EXAM) == 0.0


def test_talk_that_was_bent_into_an_examination_is_less_acceptable_than_an_examination() -> None:
    real, bent = (
        heard("right knee jerk absent", "Right knee jerk absent."),
        heard("left knee jerk", "The dog", gap=14.0),
    )
    chances = [
        acceptance(result, gather(result, ear, has_ear=True), EXAM)
        for result, ear in ((real, ["right", "knee", "jerk", "absent"]), (bent, ["right", "absent"]))
    ]
    assert chances[0] > 0.9 > chances[1] + 0.1


def test_everyday_talk_heard_as_everyday_talk_is_not_for_the_tool() -> None:
    result = heard("the dog the garden", "The dog, the garden.")
    evidence = gather(result, [], has_ear=True)
    assert acceptance(result, evidence, EXAM) < fused_settings().acceptance.threshold
    assert not is_accepted(result, evidence, EXAM)


def test_the_free_reading_is_spoken_words() -> None:
    assert free_words(heard("x", "Knee jerk: 2+, don't 130 007!")) == tuple(
        ["knee", "jerk", "two", "don't", "one", "hundred", "thirty", "zero", "zero", "seven"]
    )


def test_evidence_says_who_agrees() -> None:
    result = heard("right knee jerk", "Right knee Jack")
    evidence = gather(result, ["left", "knee", "jerk"], has_ear=True)
    assert [(word.ear, word.free) for word in evidence] == [(False, True), (True, True), (True, False)]
    assert evidence[0].rivals == ("left",)
    assert all(word.ear is None and not word.rivals for word in gather(result, [], has_ear=False))
    assert len(features(evidence[0])) == 5
