"""The training sentences: the same every time, clean, and covering the catalogue."""

from itertools import islice

import pytest

from dictate.engines import corpus
from dictate.errors import EngineError, InputError


def test_the_same_every_time() -> None:
    assert list(islice(corpus.training_sentences(), 500)) == list(islice(corpus.training_sentences(), 500))


def test_sentences_are_plain_words() -> None:
    for sentence in corpus.training_sentences(3000):
        assert sentence == " ".join(sentence.split()).lower()
        assert not set(sentence) & set("{}()[]|*,.0123456789")


@pytest.mark.parametrize(
    "words",
    [
        "right knee jerk",
        "pronator drift",
        "plantar flexor",
        "sorry",
        "withdraw that",
        "because of pain",
        "follow my finger",
        "four plus",
        "what is missing",
        "supinator catch",
        "no nystagmus",
        "on the left",
        "reflexes absent",
        "worse than",
        "if she had any",
        "next visit",
        "strength's",
        "a bit",
    ],
)
def test_common_phrases_occur(words: str) -> None:
    assert any(words in sentence for sentence in corpus.training_sentences())


def test_choices_and_options() -> None:
    import random

    phrases = corpus.Phrases({"side": [(1, "right"), (3, "left")]})
    drawn = {phrases.draw("(a|b) [c] {side}", random.Random(seed)) for seed in range(200)}
    assert drawn == {f"{a}{c} {side}" for a in "ab" for c in ("", " c") for side in ("right", "left")}


def test_unknown_rule_is_named() -> None:
    with pytest.raises(EngineError, match="nowhere"):
        corpus.Phrases({"finding": [(1, "{nowhere}")]})


def test_clinic_phrases(tmp_path) -> None:
    (tmp_path / "ours.toml").write_text('phrases = ["Quokka sign positive"]')
    phrases = corpus.clinic_phrases(tmp_path)
    assert phrases == ("Quokka sign positive",)
    assert "quokka sign positive" in set(corpus.training_sentences(10, clinic=phrases))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("phrases = 3", "must hold a list"),
        ("phrases = [", "cannot be read"),
    ],
)
def test_bad_clinic_phrases(tmp_path, text: str, said: str) -> None:
    (tmp_path / "ours.toml").write_text(text)
    with pytest.raises(InputError, match=said):
        corpus.clinic_phrases(tmp_path)


def test_a_clinics_grammar_wordings_are_expected_too(tmp_path) -> None:
    (tmp_path / "phrases").mkdir()
    (tmp_path / "phrases" / "ours.toml").write_text('[[phrase]]\nitem = "romberg"\nany = ["Quokka stand"]\n')
    assert corpus.clinic_phrases(tmp_path) == ("quokka stand",)
