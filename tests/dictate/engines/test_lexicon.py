"""Every word that the language model can say has a pronunciation of known phones."""

from dictate.engines import corpus
from dictate.engines.lexicon import PHONES, own_words, pronounce


def test_no_word_lacks_a_pronunciation() -> None:
    words = {word for sentence in corpus.training_sentences() for word in sentence.split()}
    words |= corpus.vocabulary()
    assert sorted(words - set(pronounce(words))) == []


def test_own_pronunciations_use_the_models_phones() -> None:
    wrong = {word: way for word, ways in own_words().items() for way in ways if set(way) - PHONES}
    assert wrong == {}


def test_british_and_american_ways_are_both_there() -> None:
    ways = pronounce(["either", "weber", "nobody's-word"])
    assert len(ways["either"]) == 2
    assert len(ways["weber"]) >= 2
    assert "nobody's-word" not in ways


def test_regular_plurals_follow_their_stem() -> None:
    ways = pronounce(["gaits", "plantarflexions", "pulselesses", "tinel's"])
    assert ways["gaits"][0] == ("G", "EY", "T", "S")
    assert ways["plantarflexions"][0][-2:] == ("N", "Z")
    assert ways["tinel's"][0][-2:] == ("L", "Z")
    assert ways["pulselesses"][0][-2:] == ("IH", "Z")
