"""Working ahead: an engine is told when the speaker seems to have finished, and that changes no result."""

import shutil
import subprocess

import numpy as np
import pytest
import soundfile

from dictate.audio.endpoint import Began, Ended, Endpointer, Hushed, Sound
from dictate.events import AudioChunk, FinalText
from dictate.listen import Listener
from dictate.settings import SoundSettings


@pytest.fixture(scope="module")
def speech(tmp_path_factory):
    """Two phrases; in the first one a short pause, which ends no utterance."""
    if shutil.which("flite") is None:
        pytest.skip("no flite on this machine")
    folder = tmp_path_factory.mktemp("speech")

    def say(text):
        path = folder / "x.wav"
        subprocess.run(["flite", "-voice", "rms", "-t", text, "-o", str(path)], check=True)
        return np.trim_zeros(soundfile.read(path, dtype="int16")[0])

    gap, pause = np.zeros(int(0.12 * 16_000), np.int16), np.zeros(16_000, np.int16)
    sound = [
        pause,
        say("right knee jerk two plus"),
        gap,
        say("left absent"),
        pause,
        say("tongue midline"),
        pause,
    ]
    joined = np.concatenate(sound)
    return (joined + np.random.default_rng(3).normal(0, 8, len(joined))).astype(np.int16)


def chunks(samples):
    for at in range(0, len(samples), 1600):
        yield AudioChunk(samples[at : at + 1600], at / 16_000)


def test_before_each_end_there_is_a_hush_and_no_sound_between_them(speech):
    endpointer = Endpointer(SoundSettings())
    marks = [mark for chunk in chunks(speech) for mark in endpointer.feed(chunk)]
    kinds = [type(mark) for mark in marks if not isinstance(mark, Sound)]
    places = [place for place, mark in enumerate(marks) if isinstance(mark, Ended)]
    assert len(places) == 2
    assert all(isinstance(marks[place - 1], Hushed) for place in places)
    assert kinds.count(Hushed) > len(places), "no pause inside an utterance was tried"


class Ahead:
    """Counts its work; `finish` says how many samples it was given."""

    name = "ahead"

    def __init__(self):
        self.log, self.count = [], 0

    def start(self, start_s):
        self.count = 0
        self.log.append("start")

    def accept(self, samples):
        self.count += len(samples)

    def prepare(self):
        self.log.append(("prepare", self.count))

    def finish(self):
        self.log.append(("finish", self.count))
        return FinalText((), 0.0, 0.0)

    def close(self):
        pass


def test_what_is_prepared_last_is_exactly_the_utterance(speech):
    engine = Ahead()
    listener = Listener(engine, SoundSettings())
    for chunk in chunks(speech):
        listener.feed(chunk)
    listener.flush()
    finishes = [place for place, entry in enumerate(engine.log) if entry[0] == "finish"]
    assert len(finishes) == 2
    assert all(engine.log[place - 1] == ("prepare", engine.log[place][1]) for place in finishes)


def test_an_utterance_full_of_short_pauses_is_not_worked_through_again_and_again(monkeypatch):
    engine = Ahead()
    listener = Listener(engine, SoundSettings())
    second = np.zeros(16_000, np.int16)
    marks = [Began(0.0), *(mark for _ in range(30) for mark in (Sound(second), Hushed())), Ended(30.0)]
    monkeypatch.setattr(listener, "_endpointer", Marks(marks))
    listener.feed(AudioChunk(second, 0.0))
    worked = [entry[1] for entry in engine.log if entry[0] == "prepare"]
    assert sum(worked) <= 3 * 30 * 16_000, "more work than three times the utterance"
    assert worked[:4] == [16_000, 32_000, 48_000, 64_000]
    assert len(worked) < 30


class Marks:
    """An endpointer with prepared marks."""

    def __init__(self, marks):
        self.marks = marks

    def feed(self, chunk):
        return self.marks


def test_the_time_of_each_stage_is_counted(speech):
    engine = Ahead()
    engine.spent = {"search": 0.25}
    listener = Listener(engine, SoundSettings())
    for chunk in chunks(speech):
        listener.feed(chunk)
    assert listener.spent.keys() == {"ahead", "vain", "finish", "search"}
    assert listener.spent["search"] == 0.25
    assert all(seconds >= 0 for seconds in listener.spent.values())
    assert listener.spent["ahead"] > 0


def test_the_fused_engine_gives_the_same_words_with_and_without_working_ahead(speech, tmp_path):
    pytest.importorskip("onnxruntime")
    pytest.importorskip("moonshine_voice")
    from dictate.engines.fused import open_engine

    class Plain:
        """The same engine without its forethought."""

        name = "plain"

        def __init__(self, inner):
            self.start, self.accept, self.finish, self.close = (
                inner.start,
                inner.accept,
                inner.finish,
                inner.close,
            )

    engine = open_engine(tmp_path)

    def heard(with_engine):
        listener = Listener(with_engine, SoundSettings())
        events = [event for chunk in chunks(speech) for event in listener.feed(chunk)] + listener.flush()
        return [event for event in events if isinstance(event, FinalText)]

    ahead, plain = heard(engine), heard(Plain(engine))
    assert ahead == plain
    assert len(ahead) == 2
    assert all(final.words for final in ahead)
