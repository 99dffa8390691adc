"""PocketSphinx with its second pass made ahead: the words are those of an utterance heard in one go."""

from pathlib import Path

import pytest
import soundfile

from dictate.engines.pocketsphinx_engine import PocketsphinxEngine

SPEECH = Path(__file__).parents[1] / "data" / "five_phrases.flac"


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="module")
def sound():
    return soundfile.read(SPEECH, dtype="int16")[0]


def heard(cache, sound, prepared_at):
    """Two utterances of the same sound, prepared whenever so many pieces were given."""
    engine = PocketsphinxEngine.for_examination(cache)
    finals, ready = [], []
    for start_s in (0.0, 20.0):
        engine.start(start_s)
        for place, at in enumerate(range(0, len(sound), 4_800), 1):
            engine.accept(sound[at : at + 4_800])
            if place in prepared_at:
                ready.append(engine.prepare())
        finals.append(engine.finish())
    engine.close()
    return finals, ready


@pytest.mark.parametrize("prepared_at", [(10,), (5, 6, 20)])
def test_a_speaker_who_goes_on_is_heard_as_if_nothing_had_been_prepared(cache, sound, prepared_at):
    plain, _ = heard(cache, sound, ())
    ahead, ready = heard(cache, sound, prepared_at)
    assert ahead == plain  # words, times and confidences
    assert len(plain[0].words) > 10
    assert 0 < len(ready[0].words) < len(plain[0].words)


def test_what_was_prepared_is_what_finish_says(cache, sound):
    engine = PocketsphinxEngine.for_examination(cache)
    engine.start(2.0)
    engine.accept(sound[: 4 * 16_000])
    ready = engine.prepare()
    assert engine.prepare() is ready
    assert engine.finish() is ready
    assert ready.words
    engine.close()
