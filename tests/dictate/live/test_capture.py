"""Capture: sound on disk first, switches at exact places, a lost microphone found again."""

import time

import numpy as np
import pytest

from dictate.errors import DeviceError, InputError
from dictate.events import AudioChunk
from dictate.live import capture, recording
from dictate.live.capture import Capture, Mark, Paced, Sound, level_of


class Prepared:
    """A source of prepared chunks; an exception among them is raised, a callable is called."""

    def __init__(self, *pieces):
        self.pieces, self.closed, self.overflows = pieces, False, 0

    def __iter__(self):
        for piece in self.pieces:
            if isinstance(piece, Exception):
                raise piece
            if callable(piece):
                piece()
                continue
            yield AudioChunk(piece, 0.0)

    def close(self):
        self.closed = True


def block(value, count=1600):
    return np.full(count, value, np.int16)


def drained(taken):
    items = []
    while True:
        item = taken.items.get(timeout=5)
        items.append(item)
        if item == Mark("ended", item.at_s if isinstance(item, Mark) else -1):
            return items


def test_every_chunk_is_on_disk_before_it_is_handed_on_and_times_follow_the_recording(tmp_path):
    kept = recording.Recording(tmp_path / "s.au")
    taken = Capture(lambda: Prepared(block(1), block(2, 800), block(3)), kept)
    taken.start()
    items = drained(taken)
    assert [item.kept.start_s for item in items[:-1]] == [0.0, 0.1, 0.15]
    assert np.array_equal(recording.load(kept.path), np.concatenate([block(1), block(2, 800), block(3)]))
    assert items[-1] == Mark("ended", 0.25)


def test_a_pause_by_key_lies_exactly_between_two_chunks_and_only_silence_is_kept_after_it(tmp_path):
    kept = recording.Recording(tmp_path / "s.au")
    source = Prepared(block(5), lambda: taken.mark("paused"), block(6), lambda: taken.mark("resumed"), block(7))
    taken = Capture(lambda: source, kept)
    taken.start()
    items = drained(taken)
    assert items[1] == Mark("paused", 0.1)
    assert items[3] == Mark("resumed", 0.2)
    assert isinstance(items[2], Sound)
    assert np.array_equal(items[2].real, block(6))
    assert np.array_equal(recording.load(kept.path), np.concatenate([block(5), block(0), block(7)]))


def test_sound_heard_while_muted_is_marked_and_kept(tmp_path):
    kept = recording.Recording(tmp_path / "s.au")
    source = Prepared(
        block(5),
        lambda: setattr(taken, "muted", True),
        block(6),
        lambda: setattr(taken, "muted", False),
        block(7),
    )
    taken = Capture(lambda: source, kept)
    taken.start()
    assert [item.muted for item in drained(taken)[:-1]] == [False, True, False]
    assert np.array_equal(recording.load(kept.path)[1600:3200], block(6))


def test_a_microphone_pulled_out_is_named_and_opened_again_with_times_going_on(tmp_path, monkeypatch):
    monkeypatch.setattr(capture, "RETRY_EVERY_S", 0.05)
    told = []
    sources = iter(
        [
            Prepared(block(1), DeviceError("The microphone 'USB' stopped giving sound.")),
            Prepared(DeviceError("No microphone was found.")),
            Prepared(lambda: told.append(taken.problem), block(2)),
        ]
    )
    taken = Capture(lambda: next(sources), recording.Recording(tmp_path / "s.au"))
    taken.start()
    items = drained(taken)
    assert [item.kept.start_s for item in items[:-1]] == [0.0, 0.1]
    assert "The microphone is lost" in told[0]
    assert taken.problem is None
    assert taken.fault is None


def test_a_driver_that_throws_anything_even_while_closing_never_ends_the_examination(tmp_path, monkeypatch):
    monkeypatch.setattr(capture, "RETRY_EVERY_S", 0.05)
    told = []

    class Torn(Prepared):
        def close(self):
            raise RuntimeError("Unanticipated host error")

    sources = iter(
        [
            Torn(block(1), DeviceError("The microphone stopped giving sound.")),
            Prepared(lambda: told.append(taken.problem), block(2)),
        ]
    )
    taken = Capture(lambda: next(sources), recording.Recording(tmp_path / "s.au"))
    taken.start()
    assert [item.kept.start_s for item in drained(taken)[:-1]] == [0.0, 0.1]
    assert "The microphone is lost" in told[0]


@pytest.mark.parametrize("fault", [DeviceError("No microphone was found."), InputError("x is not a sound file.")])
def test_a_source_that_never_worked_is_a_fault_not_a_loop(tmp_path, fault):
    def opener():
        raise fault

    taken = Capture(opener, recording.Recording(tmp_path / "s.au"))
    taken.start()
    assert drained(taken) == [Mark("ended", 0.0)]
    assert taken.fault is fault


def test_stopping_leaves_the_end_behind_the_last_sound_and_closes_the_source(tmp_path):
    source = Prepared(*[block(1)] * 1000)
    taken = Capture(lambda: Paced(source, 10), recording.Recording(tmp_path / "s.au"))
    taken.start()
    taken.items.get(timeout=5)
    taken.stop()
    items = drained(taken)
    assert items[-1].at_s == pytest.approx(taken.position_s)
    assert source.closed
    assert len(recording.load(taken.recording.path)) == round(taken.position_s * 16_000)


def test_lost_blocks_of_the_sound_card_are_counted(tmp_path):
    source = Prepared(block(1), lambda: setattr(source, "overflows", 3), block(2))
    taken = Capture(lambda: source, recording.Recording(tmp_path / "s.au"))
    taken.start()
    drained(taken)
    assert taken.overflows == 3


def test_a_paced_source_gives_a_chunk_when_its_last_sample_would_have_been_spoken():
    chunks = [AudioChunk(block(0), n / 10) for n in range(5)]

    class Source(list):
        def close(self):
            pass

    began = time.monotonic()
    times = [time.monotonic() - began for _ in Paced(Source(chunks), 2.0)]
    assert all(at >= (n + 1) / 10 / 2.0 for n, at in enumerate(times))


@pytest.mark.parametrize(
    ("samples", "level"),
    [(block(0), 0.0), (block(32_767), 1.0), (block(1036), 0.5), (np.zeros(0, np.int16), 0.0)],
)
def test_the_meter_shows_minus_sixty_decibels_to_full_scale(samples, level):
    assert level_of(samples) == pytest.approx(level, abs=0.001)


def test_a_patient_capture_never_runs_far_ahead_of_recognition(tmp_path):
    kept = recording.Recording(tmp_path / "s.au")
    taken = Capture(lambda: Prepared(*[block(1)] * 200), kept, patient=True)
    taken.start()
    time.sleep(0.3)
    assert taken.items.qsize() <= capture.PATIENCE_ITEMS + 1
    assert len(drained(taken)) == 201
