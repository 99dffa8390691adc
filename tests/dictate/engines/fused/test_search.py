"""The beam search against trying everything, and what it must never do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dictate.engines.fused.language import Language, train
from dictate.engines.fused.pieces import SPACE_MARK, Kind, Pieces, pieces_from
from dictate.engines.fused.search import Weights, circles, freely, search
from tests.dictate.engines.fused.tiny import PIECES, TinyAcoustics, brute_force

LONGEST = 4
LETTERS = Pieces(PIECES.written, np.where(PIECES.kinds <= Kind.INSIDE, PIECES.kinds, Kind.BANNED), PIECES.folded)
WIDE = Weights(beam=5_000, tokens=50, language=0.5, word_bonus=1.0, end_guard=1e9, prune=1e9, patience=1e9)


@pytest.fixture(scope="module")
def language() -> Language:
    return train(["left knee jerk", "knee jerk", "left knee", "left left"], {"knee": 3.0, "leg": 1.0}, escape=0.1)


@pytest.mark.parametrize("seed", range(6))
def test_a_wide_beam_finds_what_trying_everything_finds(seed, language, monkeypatch) -> None:
    """Same best words, same scores: recombination, look-ahead and bonuses take part and cancel out."""
    acoustics = TinyAcoustics(seed)
    expected = brute_force(acoustics, language, WIDE.language, WIDE.word_bonus, LONGEST)
    monkeypatch.setattr("dictate.engines.fused.search.LEAST_PIECES", LONGEST + 1)
    found = search(acoustics, LETTERS, language, WIDE, 0.0).readings
    best = max(expected, key=expected.__getitem__)
    assert found[0].words == best
    scores = {reading.words: reading.score for reading in found}
    assert set(scores) == set(expected)
    for words, score in scores.items():
        assert score == pytest.approx(expected[words], abs=1e-3), words


@pytest.mark.parametrize("seed", range(6))
def test_a_narrow_beam_scores_what_it_finds_no_higher_than_the_truth(seed, language, monkeypatch) -> None:
    acoustics = TinyAcoustics(seed, sharpness=4.0)
    monkeypatch.setattr("dictate.engines.fused.search.LEAST_PIECES", LONGEST + 1)
    expected = brute_force(acoustics, language, 0.5, 1.0, LONGEST)
    narrow = Weights(beam=3, tokens=4, language=0.5, word_bonus=1.0, end_guard=1e9, prune=1e9, patience=1e9)
    for reading in search(acoustics, LETTERS, language, narrow, 0.0).readings:
        assert reading.score <= expected[reading.words] + 1e-3


class Script:
    """Acoustics that want one row of tokens, and give everything else a small chance."""

    def __init__(self, pieces: Pieces, *wishes: dict[str, float]) -> None:
        self.pieces, self.wishes, self.at = pieces, wishes, 0

    def _row(self) -> np.ndarray:
        row = np.full(len(self.pieces.kinds), -20.0, dtype=np.float32)
        for written, chance in (self.wishes[self.at] if self.at < len(self.wishes) else {"</s>": 0.9}).items():
            row[self.pieces.written.index(written)] = np.log(chance)
        return row

    def first(self) -> np.ndarray:
        self.at = 0
        return self._row()[None, :]

    def step(self, parents: np.ndarray, tokens: np.ndarray) -> np.ndarray:
        self.at += 1
        return np.repeat(self._row()[None, :], len(tokens), axis=0)


WRITING = pieces_from(
    [
        "<unk>",
        "<s>",
        "</s>",
        SPACE_MARK,
        "▁Knee",
        "▁knee",
        "▁need",
        "▁jerk",
        "▁L",
        "4",
        "1",
        "2",
        "+",
        ",",
        "-",
        "{",
        "▁out",
        "▁of",
    ]
)
EXAM = train(
    ["knee jerk two plus", "knee four out of four", "l four", "twelve", "forty two", "knee jerk four"] * 3,
    {"need": 2.0, "out": 1.0},
)
USUAL = Weights(beam=8, tokens=10, language=0.5, word_bonus=1.5, end_guard=0.5, prune=30.0, patience=2.0)


@pytest.mark.parametrize(
    ("wishes", "words"),
    [
        (
            [{"▁Knee": 0.9}, {"▁jerk": 0.9}, {",": 0.9}, {SPACE_MARK: 0.9}, {"2": 0.9}, {"+": 0.9}],
            "knee jerk two plus",
        ),
        ([{"▁L": 0.9}, {"4": 0.9}], "l four"),
        ([{SPACE_MARK: 0.9}, {"1": 0.9}, {"2": 0.9}], "twelve"),
        ([{SPACE_MARK: 0.9}, {"4": 0.9}, {"2": 0.9}], "forty two"),
        ([{"▁need": 0.6, "▁Knee": 0.2, "▁knee": 0.15}, {"▁jerk": 0.9}], "knee jerk"),
        ([{"▁Knee": 0.9}, {"-": 0.9}, {"▁jerk": 0.9}], "knee jerk"),
        ([{"{": 0.9}, {"▁jerk": 0.9}], "jerk"),
    ],
)
def test_writing_is_folded_into_spoken_words(wishes, words) -> None:
    found = search(Script(WRITING, *wishes), WRITING, EXAM, USUAL, 2.0)
    if "{" in wishes[0]:
        assert "{" in freely(Script(WRITING, *wishes), WRITING, 2.0).free_text
        assert all("{" not in word for reading in found.readings for word in reading.words)
    else:
        assert " ".join(found.readings[0].words) == words


def test_the_utterance_ends_only_where_the_network_agrees() -> None:
    wishes = [{"▁knee": 0.9}, {"▁jerk": 0.6, "</s>": 0.35}]

    def early(weights: Weights) -> float:
        found = search(Script(WRITING, *wishes), WRITING, EXAM, weights, 2.0).readings
        assert found[0].words == ("knee", "jerk")
        return max((reading.network for reading in found if reading.words == ("knee",)), default=-99.0)

    assert early(USUAL) < -15
    loose = replace(USUAL, end_guard=5.0)
    assert early(loose) > -5


def test_the_free_reading_is_the_networks_own() -> None:
    plain = Script(WRITING, {"▁need": 0.6, "▁Knee": 0.4}, {"▁jerk": 1.0})
    sure = Script(WRITING, {"▁Knee": 1.0}, {"▁jerk": 1.0})
    found = search(sure, WRITING, EXAM, USUAL, 2.0, free=plain)
    assert found.readings[0].words == ("knee", "jerk")
    assert found.free_text == "need jerk"
    assert found.free_pieces == 2
    assert found.free_network == pytest.approx(np.log(0.6) + np.log(1.0) + np.log(0.9), abs=1e-4)


def test_every_word_has_a_mark_and_they_add_up() -> None:
    found = search(Script(WRITING, {SPACE_MARK: 0.9}, {"4": 0.8}, {"2": 0.7}), WRITING, EXAM, USUAL, 2.0)
    best = found.readings[0]
    assert len(best.marks) == len(best.words) == 2
    assert sum(best.marks) == pytest.approx(np.log(0.9) + np.log(0.8) + np.log(0.7), abs=1e-4)


def test_a_hint_turns_a_near_thing_and_counts_only_as_often_as_it_was_heard() -> None:
    near = [{"▁out": 0.55, "▁knee": 0.45}, {"▁jerk": 0.9}]
    even = replace(USUAL, language=0.0, word_bonus=0.0)
    assert search(Script(WRITING, *near), WRITING, EXAM, even, 2.0).readings[0].words == ("out", "jerk")
    found = search(Script(WRITING, *near), WRITING, EXAM, even, 2.0, hints=[[("knee", 1.0)]]).readings
    assert found[0].words == ("knee", "jerk")
    twice = [{"▁knee": 0.9}, {"▁jerk": 0.6, "▁knee": 0.4}]
    for hints, expected in (([("knee", 1.0)], ("knee", "jerk")), ([("knee", 1.0)] * 2, ("knee", "knee"))):
        assert search(Script(WRITING, *twice), WRITING, EXAM, even, 2.0, hints=[hints]).readings[0].words == expected
    assert search(Script(WRITING, *near), WRITING, EXAM, even, 2.0, hints=[[("plus", 5.0)]]).readings[0].words == (
        "out",
        "jerk",
    )


def test_speech_never_vanishes_because_no_reading_would_end() -> None:
    unsure = [{"▁knee": 0.9}, {"▁jerk": 0.9}, *[{"</s>": 0.3, "▁out": 0.6}] * 40]
    script = Script(WRITING, *unsure)
    found = search(script, WRITING, EXAM, replace(USUAL, end_guard=0.0), 1.0, free=script)
    assert [reading.words[:1] for reading in found.readings[:1]] == [("knee",)]


@pytest.mark.parametrize(
    ("words", "going_round"),
    [
        ("the left of the head of the head of the head", True),
        ("to the to the to the", True),
        ("on the left hand on the right hand on the left hand", True),
        ("four out of five on the right five out of five on the left", False),
        ("one one one one one", True),
        ("plus plus plus", False),
        ("left knee jerk left knee jerk absent", False),
        ("two plus two plus two", False),
        ("tone is up on the left at the elbow tone is up on the left at the elbow", True),
        ("tone is up on the left at the elbow tone is up on the right at the elbow", False),
        ("tone is up on the left tone is up on the left", False),  # six words may well be said again
        ("", False),
    ],
)
def test_a_reading_does_not_go_round_in_circles(words, going_round) -> None:
    assert circles(words.split()) == going_round
