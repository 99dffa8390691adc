"""Two readings made one: agreement is trusted, difference is doubted and named, other talk is rejected."""

from dataclasses import replace

import numpy as np
import pytest

from dictate.doubt import add_doubts
from dictate.engines.scripted_engine import ScriptedEngine
from dictate.engines.two_ears import Overheard, TwoEars, align, merge, numbers
from dictate.events import FinalText, Word
from grammar import parse


def said(text: str, confidence: float = 0.8) -> FinalText:
    """An utterance; `word:0.3` has its own confidence."""
    words = []
    for place, token in enumerate(text.split()):
        word, _, own = token.partition(":")
        words.append(Word(word, 0.5 * place, 0.5 * place + 0.4, float(own) if own else confidence))
    return FinalText(tuple(words), 0.0, 0.5 * len(words))


def test_align_pairs_words_and_gaps() -> None:
    pairs = align(said("right knee jerk absent").words, said("right the knee jerk is absent").words)
    assert [(one and one.text, other and other.text) for one, other in pairs] == [
        ("right", "right"),
        (None, "the"),
        ("knee", "knee"),
        ("jerk", "jerk"),
        (None, "is"),
        ("absent", "absent"),
    ]


def test_agreement_is_trusted() -> None:
    merged = merge(said("right knee jerk absent", 0.5), said("right knee jerk absent", 0.6))
    assert {word.confidence for word in merged.words} == {numbers().agree}
    assert not merged.rejected


def test_a_difference_is_doubted_and_named() -> None:
    merged = merge(said("right knee jerk absent"), said("left knee jerk absent"))
    assert merged.words[0].text == "right"
    assert merged.words[0].rivals == ("left",)
    assert merged.words[0].confidence <= numbers().differ
    assert merged.words[1].confidence == numbers().agree


def test_the_second_one_is_taken_when_it_is_surer() -> None:
    merged = merge(said("right:0.5 knee jerk absent"), said("left:0.9 knee jerk absent"))
    assert (merged.words[0].text, merged.words[0].rivals) == ("left", ("right",))
    assert merged.words[0].confidence <= numbers().differ


@pytest.mark.parametrize(
    ("confidence", "text"), [(0.9, "the right knee jerk absent"), (0.3, "right knee jerk is absent")]
)
def test_the_frame_is_the_first_reading_when_it_is_sure(confidence: float, text: str) -> None:
    merged = merge(said("the right knee jerk absent", confidence), said("right knee jerk is absent", 0.4))
    assert merged.text == text


@pytest.mark.parametrize(
    ("first", "second", "asked"),
    [
        ("right knee jerk two plus", "left knee jerk two plus", "Which side?"),
        ("right knee jerk two plus", "right knee jerk three plus", "Which grade?"),
        ("pronator drift on the left", "no:0.5 pronator drift on the left", "Present or absent?"),
        ("plantar flexor on the left", "plantar extensor on the left", "Present or absent?"),
        ("right knee jerk two plus", "right knee jerk two plus", None),
        ("right knee jerk two plus", "right the knee jerk two plus", None),
        ("no pronator drift", "pronator drift", "Present or absent?"),
    ],
)
def test_a_disagreement_that_matters_raises_a_query(first: str, second: str, asked: str | None) -> None:
    merged = merge(said(first), said(second))
    note = add_doubts(parse(merged.text).note, [merged])
    questions = [query.message.split(" In ")[0] for query in note.queries if query.kind == "heard_weakly"]
    assert questions == ([asked] if asked else [])


def test_other_talk_is_rejected() -> None:
    second = replace(said("the ferry leaves at nine and comes back"), rejected=True)
    merged = merge(said("the face left not the palms back"), second)
    assert merged.rejected
    assert merged.text == second.text
    assert all(word.confidence <= numbers().differ for word in merged.words)


def test_a_rejection_that_the_first_contradicts_does_not_stand() -> None:
    merged = merge(said("right knee jerk absent"), replace(said("right knee jerk absent"), rejected=True))
    assert not merged.rejected


@pytest.mark.parametrize(("first", "second"), [("", ""), ("right", ""), ("", "right knee jerk absent:0.9")])
def test_one_silent_ear(first: str, second: str) -> None:
    merged = merge(said(first), said(second))
    assert all(word.confidence <= numbers().differ for word in merged.words)


def test_as_an_engine() -> None:
    engine = TwoEars(ScriptedEngine(["right knee jerk absent"]), ScriptedEngine(["right knee jerk absent"]))
    engine.start(3.0)
    partial = engine.accept(np.zeros(16_000, dtype=np.int16))
    assert partial is not None
    final = engine.finish()
    assert (final.text, final.start_s) == ("right knee jerk absent", 3.0)
    engine.close()


class Inside:
    """A second engine with an ear of its own; it hears other words than that ear."""

    name = "inside"

    def __init__(self, ear):
        self.ear, self.spent = ear, {"search": 0.5}

    def start(self, start_s):
        self.ear.start(start_s)

    def accept(self, samples):
        self.ear.accept(samples)

    def prepare(self):
        self.ear.prepare()
        return said("left knee jerk absent")

    def finish(self):
        self.ear.finish()
        return said("left knee jerk absent")

    def close(self):
        self.ear.close()


class Counted(ScriptedEngine):
    """A scripted engine that counts its calls."""

    def __init__(self, lines):
        super().__init__(lines)
        self.calls = []

    def start(self, start_s):
        self.calls.append("start")
        super().start(start_s)

    def accept(self, samples):
        self.calls.append("accept")
        return super().accept(samples)

    def finish(self):
        self.calls.append("finish")
        return super().finish()

    def close(self):
        self.calls.append("close")


def test_an_ear_inside_the_second_engine_is_also_the_first_and_works_once() -> None:
    one = Counted(["right knee jerk absent", "plantars flexor"])
    ear = Overheard(one)
    engine = TwoEars(ear.echo(), Inside(ear))
    engine.start(3.0)
    partial = engine.accept(np.zeros(16_000, dtype=np.int16))
    final = engine.finish()
    engine.close()
    assert one.calls == ["start", "accept", "finish", "close"]
    assert partial is not None
    assert partial.text in "right knee jerk absent"
    assert [word.text for word in final.words] == ["right", "knee", "jerk", "absent"]
    assert final.words[0].rivals == ("left",)
    assert engine.spent == {"search": 0.5}


def test_what_an_overheard_ear_said_last_is_not_said_again() -> None:
    ear = Overheard(ScriptedEngine(["right knee jerk absent"]))
    echo = ear.echo()
    ear.start(0.0)
    ear.finish()
    assert echo.finish().text == "right knee jerk absent"
    ear.start(9.0)
    echo.start(9.0)
    assert echo.finish().words == ()
    assert echo.accept(np.zeros(1, dtype=np.int16)) is None


def test_speech_that_the_first_is_sure_of_is_not_rejected() -> None:
    merged = merge(said("triceps reflex absent on the right", 0.93), said("two", 0.8))
    assert not merged.rejected
    assert merged.text == "triceps reflex absent on the right"
    assert all(word.confidence <= numbers().differ for word in merged.words if word.text != "two")


def test_long_talk_on_which_neither_is_sure_is_rejected() -> None:
    first, second = "the face left not the palms back", "the ferry leaves at nine and comes back"
    assert merge(said(first, 0.4), said(second, 0.6)).rejected
    assert not merge(said(first, 0.4), said(second, 0.95)).rejected
    assert not merge(said(first, 0.9), said(second, 0.6)).rejected


def test_a_short_phrase_that_the_first_hears_badly_is_kept() -> None:
    merged = merge(said("let me see two plus", 0.3), said("right knee jerk two", 0.9))
    assert not merged.rejected
