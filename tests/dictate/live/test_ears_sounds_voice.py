"""Recognition that survives its engine; soft tones; the spoken answer."""

import numpy as np
import pytest

from dictate.events import AudioChunk, FinalText, PartialText, Word
from dictate.live import sounds
from dictate.live.ears import MOST_RESTARTS, Ears, EngineFailed


class Fragile:
    """Says "fine" for each utterance; breaks at the utterances in `breaks` (counted over all engines)."""

    name = "fragile"

    def __init__(self, breaks, count):
        self.breaks, self.count, self.start_s = breaks, count, 0.0

    def start(self, start_s):
        self.count.append(1)
        self.start_s = start_s

    def accept(self, samples):
        return PartialText("fi", self.start_s)

    def finish(self):
        if len(self.count) in self.breaks:
            raise RuntimeError("out of memory")
        return FinalText((Word("fine", self.start_s, self.start_s + 0.4, 1.0),), self.start_s, self.start_s + 0.5)

    def close(self):
        pass


def hear_all(ears, samples):
    texts, failures = [], 0
    for at in range(0, len(samples), 1600):
        try:
            events = ears.hear(AudioChunk(samples[at : at + 1600], at / 16_000))
        except EngineFailed:
            failures += 1
            continue
        texts += [event.text for event in events if isinstance(event, FinalText)]
    return texts, failures


def test_a_broken_engine_is_replaced_and_the_next_utterance_is_heard(dictation):
    count, made = [], []
    ears = Ears(lambda: made.append(1) or Fragile({2}, count))
    texts, failures = hear_all(ears, dictation(["no arm drift"] * 3))
    assert (texts, failures, len(made)) == (["fine", "fine"], 1, 2)
    assert ears.working


def test_an_engine_that_always_breaks_is_given_up_and_sound_is_then_let_through_in_peace(dictation):
    ears = Ears(lambda: Fragile(range(99), []))
    texts, failures = hear_all(ears, dictation(["no arm drift"] * (MOST_RESTARTS + 2)))
    assert texts == []
    assert failures == MOST_RESTARTS + 1
    assert not ears.working
    assert ears.hear(AudioChunk(np.ones(1600, np.int16), 0.0)) == []


def test_an_engine_that_cannot_even_start_again_is_given_up(dictation):
    engines = iter([Fragile({1}, [])])
    ears = Ears(lambda: next(engines))
    assert hear_all(ears, dictation(["no arm drift"] * 2))[1] == 1
    assert not ears.working


@pytest.mark.parametrize("outcome", ["found", "needs_side", "not_understood"])
def test_each_tone_is_short_soft_without_clicks_and_differs_from_the_others(outcome):
    soft, clear = sounds.tone(outcome, "soft"), sounds.tone(outcome, "clear")
    assert len(soft) / sounds.RATE_HZ < 0.4
    assert np.abs(soft).max() < np.abs(clear).max() <= 0.2
    assert abs(soft[0]) < 0.001
    assert abs(soft[-1]) < 0.001
    others = [sounds.tone(other, "soft") for other in sounds.TONES if other != outcome]
    assert all(len(other) != len(soft) or not np.allclose(other, soft) for other in others)


@pytest.mark.parametrize(("outcome", "volume"), [("found", "off"), ("turned_down", "clear"), ("command", "soft")])
def test_nothing_is_heard_when_off_or_when_there_is_nothing_to_say(outcome, volume):
    assert sounds.tone(outcome, volume) is None


def test_the_voice_speaks_a_sentence_as_sound():
    pytest.importorskip("espeakng_loader")
    from dictate.live.voice import Voice

    voice = Voice()
    short, long = (
        voice.samples("Arms: finger to nose."),
        voice.samples("Arms: finger to nose. Couch: plantar, left only."),
    )
    assert 0.5 < len(short) / voice.rate_hz < 4
    assert len(long) > 1.4 * len(short)
    assert np.abs(short).max() > 3000
    assert len(short) == len(voice.samples("Arms: finger to nose."))


def test_the_microphone_is_muted_before_the_first_sound_until_after_the_echo(monkeypatch):
    import sounddevice

    from dictate.live import voice as voices

    steps = []

    class Quick:
        rate_hz = 22_050

        def samples(self, text):
            return np.zeros(10, np.int16)

    monkeypatch.setattr(sounddevice, "play", lambda *a, **k: steps.append("play"))
    monkeypatch.setattr(voices.time, "sleep", lambda seconds: steps.append(("wait", seconds)))
    voices.Speaker(Quick(), lambda muted: steps.append(muted)).say("x").join(5)
    assert steps == [True, "play", ("wait", voices.TAIL_S), False]


def test_without_a_loudspeaker_the_microphone_opens_again_and_the_trouble_is_told(monkeypatch):
    import sounddevice

    from dictate.live import voice as voices

    class Quick:
        rate_hz = 22_050

        def samples(self, text):
            return np.zeros(10, np.int16)

    def no_device(*args, **kwargs):
        raise sounddevice.PortAudioError("no output")

    muted = []
    monkeypatch.setattr(sounddevice, "play", no_device)
    speaker = voices.Speaker(Quick(), muted.append)
    speaker.say("x").join(5)
    assert muted == [True, False]
    assert "read it on the board" in speaker.problem
