"""The language model: probabilities that sum to one, look-ahead that never promises too little, the same as
the package's other trigram."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from dictate.engines import trigram
from dictate.engines.fused.language import Language, from_arrays, train

LINES = [
    "knee jerk two plus",
    "knee jerk absent",
    "left knee jerk",
    "ankle jerk two plus",
    "left ankle jerk absent",
]
EVERYDAY = {"the": 40.0, "dog": 2.0, "knee": 0.5, "king": 0.2}


@pytest.fixture(scope="module")
def language() -> Language:
    return train(LINES, EVERYDAY, escape=0.1)


@pytest.mark.parametrize("history", [("",), ("knee", "jerk"), ("dog", "knee"), ("zebra", "zebra"), ("left", "the")])
def test_chances_after_any_history_sum_to_one(language, history) -> None:
    place = language.start
    for word in history:
        place = language.after(place, word) if word else place
    assert np.exp(language.vector(place).astype(np.float64)).sum() == pytest.approx(1.0, abs=1e-4)


def test_without_escape_it_is_the_packages_trigram() -> None:
    """Two implementations of the same published formula, one dense and one with dictionaries."""
    ours, theirs = train(LINES, {}, escape=1e-9), trigram.train(LINES)
    for line in [*LINES, "left knee jerk absent", "plus two jerk", "ankle ankle"]:
        assert ours.sentence(line.split()) / math.log(10) == pytest.approx(theirs.log10(line.split()), abs=1e-3)


def test_an_everyday_word_is_possible_and_dear(language) -> None:
    after_knee = language.after(language.start, "knee")
    assert language.word(after_knee, "jerk") > language.word(after_knee, "dog") > language.word(after_knee, "dogma")


def test_the_look_ahead_is_the_best_of_all_words_with_that_beginning(language) -> None:
    histories = [
        language.start,
        (language.number("knee"), language.number("jerk")),
        (language.unknown, language.unknown),
    ]
    for history, prefix in itertools.product(histories, ["k", "kn", "knee", "a", "j", "t"]):
        best = max(language.word(history, word) for word in language.words if word.startswith(prefix))
        assert language.prospect(history, prefix) == pytest.approx(best, abs=1e-5)
    assert language.prospect(language.start, "zz") == pytest.approx(language.word(language.start, "zz"))


def test_stored_and_loaded_it_is_the_same(language) -> None:
    again = from_arrays(language.arrays())
    for line in LINES:
        assert again.sentence(line.split()) == pytest.approx(language.sentence(line.split()), abs=1e-5)
    assert again.domain_words() == {"knee", "jerk", "two", "plus", "absent", "left", "ankle"}


def test_no_sentences_at_all_still_give_a_model() -> None:
    empty = train([], {"the": 1.0}, escape=0.5)
    assert empty.word(empty.start, "the") == pytest.approx(math.log(0.5), abs=1e-4)
