"""The kept sound: complete after every write, readable after any cut, patient with a full disk."""

import errno
import os
import threading

import numpy as np
import pytest
import soundfile

from dictate.errors import InputError, StoreError
from dictate.live import recording
from dictate.live.recording import HEADER_BYTES, Recording


def noise(count, seed=1):
    return np.random.default_rng(seed).integers(-3000, 3000, count).astype(np.int16)


def test_what_is_written_is_read_back_by_us_and_by_libsndfile(tmp_path):
    path, samples = tmp_path / "sound.au", noise(33_333)
    kept = Recording(path)
    kept.append(samples[:20_000])
    kept.append(samples[20_000:])
    kept.close()
    assert np.array_equal(recording.load(path), samples)
    theirs, rate = soundfile.read(path, dtype="int16")
    assert rate == 16_000
    assert np.array_equal(theirs, samples)
    assert recording.length_s(path) == pytest.approx(33_333 / 16_000)


@pytest.mark.parametrize("cut", [0, 1, 7, HEADER_BYTES, HEADER_BYTES + 1, HEADER_BYTES + 2001, 40_000])
def test_a_file_cut_anywhere_gives_everything_before_the_cut(tmp_path, cut):
    path, samples = tmp_path / "sound.au", noise(30_000)
    kept = Recording(path)
    kept.append(samples)
    kept.close()
    whole = path.read_bytes()
    path.write_bytes(whole[:cut])
    expected = samples[: max(0, cut - HEADER_BYTES) // 2]
    assert np.array_equal(recording.load(path), expected)
    if len(expected):
        theirs, _ = soundfile.read(path, dtype="int16")
        assert np.array_equal(theirs, expected)


def test_samples_are_in_the_file_before_it_is_closed(tmp_path):
    kept = Recording(tmp_path / "sound.au")
    kept.append(noise(1600))
    assert len(recording.load(kept.path)) == 1600


def test_only_the_owner_can_read_the_sound(tmp_path):
    kept = Recording(tmp_path / "sound.au")
    kept.close()
    assert kept.path.stat().st_mode & 0o077 == 0


def test_an_existing_recording_is_never_overwritten(tmp_path):
    (tmp_path / "sound.au").write_bytes(b"precious")
    with pytest.raises(StoreError, match="cannot be written"):
        Recording(tmp_path / "sound.au")
    assert (tmp_path / "sound.au").read_bytes() == b"precious"


def test_a_full_disk_keeps_the_sound_in_memory_and_writes_it_when_there_is_room(tmp_path, monkeypatch):
    kept, samples = Recording(tmp_path / "sound.au"), noise(48_000)
    kept.append(samples[:16_000])
    real_write = os.write

    def full(fd, data):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    kept.append(samples[16_000:32_000])
    assert kept.problem == "No space left on device"
    assert kept.waiting_s == 1.0
    monkeypatch.setattr(os, "write", real_write)
    kept.append(samples[32_000:])
    assert kept.problem is None
    assert kept.waiting_s == 0
    kept.close()
    assert np.array_equal(recording.load(kept.path), samples)


def test_a_write_that_is_cut_in_the_middle_of_a_sample_goes_on_there(tmp_path, monkeypatch):
    kept, samples = Recording(tmp_path / "sound.au"), noise(1000)
    real_write = os.write
    monkeypatch.setattr(os, "write", lambda fd, data: real_write(fd, bytes(data)[:333]))
    kept.append(samples)
    kept.close()
    assert np.array_equal(recording.load(kept.path), samples)


def test_sound_beyond_the_memory_limit_is_counted_and_leaves_no_hole(tmp_path, monkeypatch):
    kept = Recording(tmp_path / "sound.au")
    monkeypatch.setattr(recording, "_WAITING_LIMIT_BYTES", 3200)
    monkeypatch.setattr(os, "write", lambda fd, data: (_ for _ in ()).throw(OSError(errno.ENOSPC, "full")))
    kept.append(noise(1600, 1))
    kept.append(noise(1600, 2))
    monkeypatch.undo()
    kept.append(noise(1600, 3))
    kept.close()
    assert kept.lost_samples == 3200
    assert np.array_equal(recording.load(kept.path), noise(1600, 1))


def test_blanking_silences_a_stretch_and_nothing_else(tmp_path):
    kept, samples = Recording(tmp_path / "sound.au"), noise(40_000)
    kept.append(samples[:30_000])
    kept.blank(1000, 21_000)
    kept.append(samples[30_000:])
    kept.blank(39_000, 99_000)
    kept.close()
    expected = samples.copy()
    expected[1000:21_000] = 0
    expected[39_000:] = 0
    assert np.array_equal(recording.load(kept.path), expected)


@pytest.mark.parametrize("call", ["pwrite", "write"])
def test_a_stretch_that_the_disk_would_not_blank_is_told_and_can_be_blanked_later(tmp_path, monkeypatch, call):
    def full(fd, *_rest):
        raise OSError(errno.ENOSPC, "No space left on device")

    kept, samples = Recording(tmp_path / "sound.au"), noise(40_000)
    kept.append(samples[:20_000])
    with monkeypatch.context() as patched:
        patched.setattr(os, call, full)
        kept.append(samples[20_000:])
        assert not kept.blank(1000, 30_000)
        assert kept.problem == "No space left on device"
    kept.drain()
    assert kept.blank(1000, 30_000)
    kept.close()
    samples[1000:30_000] = 0
    assert np.array_equal(recording.load(kept.path), samples)


@pytest.mark.parametrize("on_disk_bytes", [0, 333, 20_001, 60_000])
def test_sound_is_put_in_the_place_of_silence_on_the_disk_and_where_it_waits(tmp_path, monkeypatch, on_disk_bytes):
    kept, samples = Recording(tmp_path / "sound.au"), noise(30_000)
    silenced, real_write, room = samples.copy(), os.write, [on_disk_bytes]
    silenced[5_000:25_000] = 0

    def nearly_full(fd, data):
        count = real_write(fd, bytes(data)[: room[0]]) if room[0] else 0
        room[0] -= count
        if not count:
            raise OSError(errno.ENOSPC, "No space left on device")
        return count

    with monkeypatch.context() as patched:
        patched.setattr(os, "write", nearly_full)
        kept.append(silenced)
        kept.fill(5_000, samples[5_000:15_000])
        kept.fill(15_000, samples[15_000:40_000])
        assert kept.waiting_s == pytest.approx((60_000 - on_disk_bytes) / 32_000)
    kept.close()
    assert np.array_equal(recording.load(kept.path), samples)


def test_two_threads_may_write_what_waits_and_nothing_comes_twice(tmp_path):
    kept, samples = Recording(tmp_path / "sound.au"), noise(400_000)
    stop = threading.Event()

    def drain():
        while not stop.is_set():
            kept.drain()

    other = threading.Thread(target=drain)
    other.start()
    for at in range(0, len(samples), 100):
        kept.append(samples[at : at + 100])
    stop.set()
    other.join()
    kept.close()
    assert np.array_equal(recording.load(kept.path), samples)


def test_chunks_are_the_recording_in_order_from_any_sample(tmp_path):
    kept, samples = Recording(tmp_path / "sound.au"), noise(5000)
    kept.append(samples)
    kept.close()
    pieces = list(recording.chunks(kept.path, from_sample=1234))
    assert pieces[0].start_s == pytest.approx(1234 / 16_000)
    assert np.array_equal(np.concatenate([piece.samples for piece in pieces]), samples[1234:])
    assert list(recording.chunks(kept.path, from_sample=5000)) == []


def test_a_file_of_another_kind_is_refused_with_a_sentence(tmp_path):
    path = tmp_path / "x.au"
    path.write_bytes(b"RIFF" + bytes(100))
    with pytest.raises(InputError, match="is not a recording of a live examination"):
        recording.load(path)
