"""The loop: pause, mute, keys, a breaking and a slow engine; the same draft from journal and from sound."""

import queue
import time
from dataclasses import replace

import numpy as np
import pytest

from dictate.engines.scripted_engine import ScriptedEngine
from dictate.errors import DeviceError
from dictate.events import AudioChunk
from dictate.live import capture, journal, recording, recover
from dictate.live import folder as folders
from dictate.live.capture import Paced
from dictate.live.commands import Command
from dictate.live.ears import Ears
from dictate.live.plan import LivePlan
from dictate.live.run import Examination
from dictate.live.start import reading


class Kept:
    """A source of prepared samples in chunks of 100 ms."""

    def __init__(self, samples):
        self.samples = samples

    def __iter__(self):
        for at in range(0, len(self.samples), 1600):
            yield AudioChunk(self.samples[at : at + 1600], at / 16_000)

    def close(self):
        pass


class Gated(Kept):
    """Prepared samples, and something to do at places in them: (seconds, what, until it holds).

    The sound stops at such a place until the condition holds, so that a slow machine changes nothing.
    """

    def __init__(self, samples, *places):
        super().__init__(samples)
        self.places = list(places)

    def __iter__(self):
        for chunk in super().__iter__():
            while self.places and chunk.start_s >= self.places[0][0]:
                _, act, holds = self.places.pop(0)
                act()
                give_up = time.monotonic() + 60
                while not holds():
                    assert time.monotonic() < give_up, "it never came"
                    time.sleep(0.005)
            yield chunk


class Onlooker:
    """A screen that remembers, and acts when a picture meets a condition."""

    def __init__(self, *acts):
        self.views, self.moments, self.acts = [], [], list(acts)

    def show(self, view, moment):
        self.views.append(view)
        self.moments.append(moment)
        for act in list(self.acts):
            when, what = act
            if when(view):
                self.acts.remove(act)
                what()

    def meter(self, level, moment):
        pass

    def close(self):
        pass


@pytest.fixture
def examine(tmp_path, monkeypatch):
    """`examine(samples, lines)` begins an examination of prepared sound heard as prepared lines.

    Without `speed` the sound waits for its recognition chunk by chunk, so that load changes nothing.
    """
    monkeypatch.setattr(capture, "PATIENCE_ITEMS", 0)

    def prepared(samples, lines=(), *, engine=None, speed=None, source=None, **plan):
        home = folders.create(tmp_path / "live")
        ears = Ears(engine or (lambda: ScriptedEngine(lines)))
        paced = (lambda: Paced(Kept(samples), speed)) if speed else (lambda: Kept(samples))
        wanted = LivePlan(source or paced, "prepared", patient=speed is None, **plan)
        return Examination(wanted, home, ears, reading())

    return prepared


def middle_of_pause(say, lines, place, pause_s=0.9):
    """Seconds from the start to the middle of the pause after line `place`."""
    return pause_s / 2 + sum(pause_s + len(say(line)) / 16_000 for line in lines[: place + 1])


def heard_again(examination, lines):
    """The state from the journal alone, and from the sound with the journal's keys."""
    text = journal.read(examination.folder.journal)
    by_journal = recover.from_journal(reading(), text.entries)
    by_sound = recover.reread(reading(), examination.folder, Ears(lambda: ScriptedEngine(lines))).state
    return by_journal, by_sound


def test_pause_and_resume_by_voice_keep_silence_in_between_and_lose_nothing_around(examine, dictation):
    lines = ["right knee jerk two plus", "pause", "left knee jerk absent", "resume", "plantars flexor"]
    samples = dictation(lines)
    examination = examine(samples, lines)
    examination.screens.append(onlooker := Onlooker())
    last = examination.run()
    examination.close(None)
    assert [(f.item, f.side) for f in last.note.findings] == [("reflex", "right"), ("plantar", "both")]
    assert "left knee" not in last.note.transcript
    assert "Paused: nothing is kept" in {view.recording for view in onlooker.views}
    kept = recording.load(examination.folder.sound)
    assert len(kept) == len(samples)
    entries = journal.read(examination.folder.journal).of_kind("paused", "resumed")
    assert [(e["kind"], e["by"]) for e in entries] == [("paused", "voice"), ("resumed", "voice")]
    begin, end = (round(entry["at_s"] * 16_000) for entry in entries)
    assert not kept[begin:end].any()
    assert np.array_equal(kept[:begin], samples[:begin])
    assert np.array_equal(kept[end:], samples[end:])
    by_journal, by_sound = heard_again(examination, [lines[0], lines[1], lines[4]])
    assert by_journal.note == by_sound.note == last.note


def test_words_right_after_resume_are_recorded_and_heard_and_the_pause_stays_silent(
    examine, dictation, say, monkeypatch
):
    """Recognition lags by up to two seconds here: "resume" is understood when the next words are long spoken."""
    monkeypatch.setattr(capture, "PATIENCE_ITEMS", 20)
    lines = ["right knee jerk two plus", "pause", "left knee jerk absent", "resume", "plantars flexor"]
    samples = dictation(lines, pause_s=0.75)
    examination = examine(samples, lines)
    last = examination.run()
    examination.close(None)
    assert [(f.item, f.side) for f in last.note.findings] == [("reflex", "right"), ("plantar", "both")]
    entries = journal.read(examination.folder.journal).of_kind("paused", "resumed")
    begin, end = (round(entry["at_s"] * 16_000) for entry in entries)
    word_begins, word_ends = (middle_of_pause(say, lines, place, 0.75) for place in (2, 3))
    assert word_begins < end / 16_000 < word_ends, "it goes on from the end of the word"
    kept = recording.load(examination.folder.sound)
    assert len(kept) == len(samples)
    assert not kept[begin:end].any()
    assert np.array_equal(kept[:begin], samples[:begin])
    assert np.array_equal(kept[end:], samples[end:])
    by_journal, by_sound = heard_again(examination, [lines[0], lines[1], lines[4]])
    assert by_journal.note == by_sound.note == last.note


def test_pause_by_key_takes_effect_at_once_and_the_running_words_are_not_lost(examine, dictation, say):
    lines = ["right knee jerk two plus", "left knee jerk absent", "plantars flexor"]
    samples = dictation(lines)
    gated = Gated(
        samples,
        (
            middle_of_pause(say, lines, 0),
            lambda: examination.press(Command("pause")),
            lambda: examination.state.phase == "paused",
        ),
        (
            middle_of_pause(say, lines, 1),
            lambda: examination.press(Command("resume")),
            lambda: examination.state.phase == "listening",
        ),
    )
    examination = examine(None, lines, source=lambda: gated)
    last = examination.run()
    examination.close(None)
    entries = journal.read(examination.folder.journal).of_kind("paused", "resumed")
    assert [entry["by"] for entry in entries] == ["key", "key"]
    assert [(f.item, f.side) for f in last.note.findings] == [("reflex", "right"), ("plantar", "both")]
    kept = recording.load(examination.folder.sound)
    begin, end = (round(entry["at_s"] * 16_000) for entry in entries)
    assert not kept[begin:end].any()
    assert np.array_equal(kept[:begin], samples[:begin])
    assert np.array_equal(kept[end:], samples[end:])


def test_while_the_tool_speaks_it_does_not_hear_itself_but_the_sound_is_kept(examine, dictation, say):
    lines = ["right knee jerk two plus", "left knee jerk absent", "plantars flexor"]
    samples = dictation(lines)
    gated = Gated(
        samples,
        (middle_of_pause(say, lines, 0), lambda: examination.mute(True), lambda: True),
        (middle_of_pause(say, lines, 1), lambda: examination.mute(False), lambda: True),
    )
    examination = examine(None, [lines[0], lines[2]], source=lambda: gated)
    last = examination.run()
    examination.close(None)
    assert [(f.item, f.side) for f in last.note.findings] == [("reflex", "right"), ("plantar", "both")]
    assert np.array_equal(recording.load(examination.folder.sound), samples)
    muted = journal.read(examination.folder.journal).of_kind("muted")
    assert len(muted) == 1
    assert heard_again(examination, [lines[0], lines[2]])[1].note == last.note


def test_what_is_missing_is_answered_on_the_board_and_aloud(examine, dictation):
    class Speaker:
        problem = None

        def __init__(self):
            self.said = []

        def say(self, text):
            self.said.append(text)

    lines = ["right knee jerk two plus", "what is missing", "plantars flexor"]
    examination = examine(dictation(lines), lines)
    examination.speak_with(speaker := Speaker())
    examination.screens.append(onlooker := Onlooker())
    examination.run()
    examination.close(None)
    assert len(speaker.said) == 1
    assert speaker.said[0].startswith("Couch: ")
    asked = [view.missing_asked for view in onlooker.views]
    assert True in asked
    assert asked[-1] is False, "the next finding takes the answer away"


def test_end_of_examination_ends_it_and_later_sound_is_not_read(examine, dictation):
    lines = ["right knee jerk two plus", "end of examination", "left knee jerk absent"]
    examination = examine(dictation(lines), lines)
    last = examination.run()
    examination.close("5")
    assert last.phase == "ended"
    assert len(last.note.findings) == 1
    assert journal.read(examination.folder.journal).closed


def test_the_end_key_reads_everything_spoken_before_it(examine, dictation, say):
    lines = ["right knee jerk two plus", "left knee jerk two plus"]
    samples = dictation(lines)
    stop_at = len(samples) - 16_000
    examination = examine(samples, lines)
    examination.screens.append(
        Onlooker((lambda view: view.partial.startswith("left"), lambda: examination.press(Command("end"))))
    )
    last = examination.run()
    examination.close(None)
    assert [finding.side for finding in last.note.findings] == ["right", "left"]
    assert len(recording.load(examination.folder.sound)) < stop_at + 16_000


def test_keys_that_stand_for_words_are_journalled_as_words(examine, dictation):
    lines = ["right knee jerk two plus", "left knee jerk absent", "plantars flexor"]
    examination = examine(dictation(lines), lines)
    examination.screens.append(
        Onlooker(
            (
                lambda view: view.latest is not None and view.latest.side == "left",
                lambda: [
                    examination.press(Command("withdraw")),
                    examination.press(Command("complaint", "foot_drop")),
                ],
            )
        )
    )
    last = examination.run()
    examination.close(None)
    assert [finding.side for finding in last.note.withdrawn] == ["left"]
    assert last.note.complaint == ("foot_drop",)
    by_journal, by_sound = heard_again(examination, lines)
    assert by_journal.note == by_sound.note == last.note


class Breaking(ScriptedEngine):
    """Breaks in the second utterance, once."""

    broken = 0

    def __init__(self, lines, breaks):
        super().__init__(lines)
        self.breaks, self.said = breaks, 0

    def start(self, start_s):
        self.said += 1
        super().start(start_s)

    def finish(self):
        if self.said == self.breaks:
            raise MemoryError("model")
        return super().finish()


def test_an_engine_that_breaks_is_started_again_and_its_utterance_is_heard_from_disk(examine, dictation):
    lines = ["right knee jerk two plus", "left knee jerk absent", "plantars flexor"]
    engines = iter([Breaking(lines, 2), ScriptedEngine(lines[1:])])
    examination = examine(dictation(lines), engine=lambda: next(engines))
    examination.screens.append(onlooker := Onlooker())
    last = examination.run()
    examination.close(None)
    assert [(f.item, f.side) for f in last.note.findings] == [
        ("reflex", "right"), ("reflex", "left"), ("plantar", "both"),
    ]  # fmt: skip
    assert any("started again" in notice for view in onlooker.views for notice in view.notices)


def test_an_engine_that_cannot_be_mended_leaves_the_sound_for_later(examine, dictation):
    lines = ["right knee jerk two plus", "left knee jerk absent"]
    engines = iter([Breaking(lines, 1)])
    samples = dictation(lines)
    examination = examine(samples, engine=lambda: next(engines))
    examination.screens.append(onlooker := Onlooker())
    examination.run()
    assert not examination.complete()
    assert "recogniser" in examination.what_waits()
    examination.close(None)
    assert not journal.read(examination.folder.journal).closed
    assert np.array_equal(recording.load(examination.folder.sound), samples)
    assert any("recogniser does not work" in notice for view in onlooker.views for notice in view.notices)
    found = recover.finish(reading(), examination.folder, Ears(lambda: ScriptedEngine(lines)))
    assert [finding.side for finding in found.state.note.findings] == ["right", "left"]


class Slow(ScriptedEngine):
    """Takes its time with the first utterance."""

    def finish(self):
        if self._start_s < 2:
            time.sleep(0.6)
        return super().finish()


def test_a_lag_is_shown_the_disk_goes_on_and_it_is_caught_up(examine, dictation):
    lines = ["right knee jerk two plus", "left knee jerk two plus", "plantars flexor"]
    samples = dictation(lines)
    examination = examine(samples, engine=lambda: Slow(lines), speed=10.0)
    examination.screens.append(onlooker := Onlooker())
    last = examination.run()
    examination.close(None)
    assert any("behind the sound" in notice for view in onlooker.views for notice in view.notices)
    assert not any("behind" in notice for notice in onlooker.views[-1].notices)
    assert len(last.note.findings) == 3
    assert np.array_equal(recording.load(examination.folder.sound), samples)


def test_without_a_microphone_there_is_one_sentence(examine):
    def no_microphone():
        raise DeviceError("No microphone was found; plug one in.")

    examination = examine(None, [], source=no_microphone)
    with pytest.raises(DeviceError, match="plug one in"):
        examination.run()
    examination.close(None)


def test_dropped_sound_is_blank_up_to_the_last_utterance_that_was_read(examine, dictation):
    lines = ["right knee jerk two plus", "left knee jerk two plus"]
    samples = dictation(lines)
    examination = examine(samples, lines, keep_sound=False)
    examination.run()
    examination.close(None)
    kept = recording.load(examination.folder.sound)
    settled = round(examination.settled_s * 16_000)
    assert len(kept) == len(samples)
    assert not kept[:settled].any()


def test_a_spoken_word_is_in_the_journal_before_it_is_on_the_board(examine, dictation):
    lines = ["right knee jerk two plus"]
    examination = examine(dictation(lines), lines)
    noted = queue.SimpleQueue()
    examination.screens.append(
        Onlooker(
            (
                lambda view: view.latest is not None,
                lambda: noted.put(journal.read(examination.folder.journal).of_kind("utterance")),
            )
        )
    )
    examination.run()
    examination.close(None)
    assert len(noted.get(timeout=1)) == 1


def test_a_view_that_breaks_is_left_out_and_the_examination_goes_on(examine, dictation):
    class Broken(Onlooker):
        def show(self, view, moment):
            raise BrokenPipeError("nobody reads")

    lines = ["right knee jerk two plus"]
    samples = dictation(lines)
    examination = examine(samples, lines)
    examination.screens += [Broken(), onlooker := Onlooker()]
    last = examination.run()
    examination.close(None)
    assert len(last.note.findings) == 1
    assert np.array_equal(recording.load(examination.folder.sound), samples)
    assert any("A view broke" in notice for view in onlooker.views for notice in view.notices)


def test_words_that_break_the_reading_cost_no_sound_and_stay_in_the_journal(examine, dictation):
    lines = ["right knee jerk two plus", "left knee jerk absent", "plantars flexor"]
    examination = examine(dictation(lines), lines)
    read = examination.reading

    def parse(text, **more):
        if text == lines[1]:
            raise RecursionError("a fault of ours")
        return read.parse(text, **more)

    examination.reading = replace(read, parse=parse)
    examination.screens.append(onlooker := Onlooker())
    last = examination.run()
    examination.close(None)
    assert [(f.item, f.side) for f in last.note.findings] == [("reflex", "right"), ("plantar", "both")]
    assert any("could not be read" in notice for view in onlooker.views for notice in view.notices)
    by_journal, _ = heard_again(examination, lines)
    assert [(f.item, f.side) for f in by_journal.note.findings] == [
        ("reflex", "right"), ("reflex", "left"), ("plantar", "both"),
    ]  # fmt: skip
