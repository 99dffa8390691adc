"""The listening loop: events in order, partial results, the same from a file and from pieces."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from dictate.audio.sound_file import SoundFile
from dictate.engines.pocketsphinx_engine import PocketsphinxEngine
from dictate.engines.scripted_engine import ScriptedEngine
from dictate.events import AudioChunk, FinalText, PartialText, SpeechStarted, SpeechStopped
from dictate.listen import Listener, listen, utterances

SPEECH = Path(__file__).parent / "data" / "five_phrases.flac"
SAID = [
    "romberg negative",
    "heel walking weak on the right",
    "no pronator drift",
    "right knee jerk three plus sorry two plus",
    "plantar extensor on the left",
]


@pytest.fixture(scope="module")
def engine(tmp_path_factory):
    engine = PocketsphinxEngine.for_examination(tmp_path_factory.mktemp("cache"))
    yield engine
    engine.close()


def test_events_come_in_order() -> None:
    events = list(listen(SoundFile(SPEECH), Listener(ScriptedEngine(SAID))))
    kinds = [type(event) for event in events if not isinstance(event, PartialText)]
    assert kinds == [SpeechStarted, SpeechStopped, FinalText] * 5
    assert [event.text for event in utterances(events)] == SAID
    assert any(isinstance(event, PartialText) for event in events)


def test_a_real_engine_hears_the_phrases_with_true_times(engine) -> None:
    heard = list(utterances(listen(SoundFile(SPEECH), Listener(engine))))
    assert [utterance.text for utterance in heard] == SAID
    true = [tuple(map(float, line.split())) for line in SPEECH.with_suffix(".txt").read_text().splitlines()]
    for utterance, (begin, end) in zip(heard, true, strict=True):
        assert utterance.words[0].start_s == pytest.approx(begin, abs=0.1)
        assert utterance.words[-1].end_s == pytest.approx(end, abs=0.1)
        for word in utterance.words:
            assert word.start_s < word.end_s
            assert 0.0 <= word.confidence <= 1.0


def test_partial_text_grows_while_speaking(engine) -> None:
    partials = [event for event in listen(SoundFile(SPEECH), Listener(engine)) if isinstance(event, PartialText)]
    assert any(partial.text.startswith("right knee") for partial in partials)


def test_chunks_of_any_size_give_the_same_text(engine) -> None:
    samples = soundfile.read(SPEECH, dtype="int16")[0]
    chunks = [AudioChunk(samples[at : at + 3700], at / 16_000) for at in range(0, len(samples), 3700)]
    assert [u.text for u in utterances(listen(chunks, Listener(engine)))] == SAID


def test_silence_gives_no_utterance(engine) -> None:
    chunks = [AudioChunk(np.zeros(1600, dtype=np.int16), n / 10) for n in range(30)]
    assert list(listen(chunks, Listener(engine))) == []


def test_scripted_words_share_the_time() -> None:
    engine = ScriptedEngine(["maybe:0.3 left"], confidence=0.9)
    engine.start(2.0)
    engine.accept(np.zeros(16_000, dtype=np.int16))
    first, second = engine.finish().words
    assert (first.text, first.start_s, first.end_s, first.confidence) == ("maybe", 2.0, 2.5, 0.3)
    assert (second.text, second.confidence) == ("left", 0.9)
