"""Sound files of every kind arrive as 16 kHz mono chunks, and bad ones give one clear sentence."""

import itertools

import numpy as np
import pytest
import soundfile

from dictate.audio.sound_file import CHUNK_SAMPLES, SoundFile
from dictate.errors import InputError
from tests.dictate.audio.sounds import noise, tone


def heard(path) -> np.ndarray:
    with SoundFile(path) as source:
        chunks = list(source)
    assert all(len(chunk.samples) == CHUNK_SAMPLES for chunk in chunks[:-1])
    for before, after in itertools.pairwise(chunks):
        assert after.start_s == pytest.approx(before.end_s)
    return np.concatenate([chunk.samples for chunk in chunks])


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("suffix", ["wav", "flac", "ogg"])
def test_any_rate_and_format_keeps_pitch_and_length(tmp_path, rate_hz: int, suffix: str) -> None:
    if suffix == "ogg" and rate_hz == 96_000:
        rate_hz = 32_000
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, tone(2.35, rate_hz), rate_hz)
    samples = heard(path)
    assert len(samples) == pytest.approx(2.35 * 16_000, abs=80)
    middle = samples[8_000:24_000]
    spectrum = np.abs(np.fft.rfft(middle))
    assert np.argmax(spectrum) == pytest.approx(440, abs=2)
    assert np.max(np.abs(middle)) == pytest.approx(0.3 * 32768, rel=0.1)


def test_sixteen_kilohertz_is_bit_exact(tmp_path) -> None:
    path = tmp_path / "a.wav"
    samples = (noise(1.03) * 32768).astype(np.int16)
    soundfile.write(path, samples, 16_000, subtype="PCM_16")
    assert np.array_equal(heard(path), samples)


def test_mp3(tmp_path) -> None:
    path = tmp_path / "a.mp3"
    soundfile.write(path, tone(2.0, 44_100), 44_100, format="MP3")
    assert len(heard(path)) == pytest.approx(32_000, abs=3_000)


@pytest.mark.parametrize(
    ("channels", "best"),
    [
        ((noise(4, 48_000), noise(4, 48_000, 0.002) + tone(4, 48_000) * (np.arange(4 * 48_000) > 96_000)), 1),
        (
            (
                noise(4, 48_000, 0.002) + tone(4, 48_000) * (np.arange(4 * 48_000) > 96_000),
                np.zeros(4 * 48_000),
            ),
            0,
        ),
        (
            (
                np.sign(noise(4, 48_000)),
                noise(4, 48_000, 0.002) + tone(4, 48_000) * (np.arange(192_000) > 96_000),
            ),
            1,
        ),
    ],
)
def test_the_clearest_channel_is_heard(tmp_path, channels, best: int) -> None:
    path = tmp_path / "a.flac"
    soundfile.write(path, np.stack(channels, axis=1), 48_000)
    with SoundFile(path) as source:
        assert source.channel == best
        assert f"Channel {best + 1} of 2" in " ".join(source.remarks)


def test_reading_twice_gives_the_same(tmp_path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, tone(1.5, 44_100), 44_100)
    with SoundFile(path) as source:
        first = [chunk.samples.tolist() for chunk in source]
        assert [chunk.samples.tolist() for chunk in source] == first


def test_truncated_wav_is_heard_to_its_end_and_says_so(tmp_path) -> None:
    path = tmp_path / "cut.wav"
    soundfile.write(path, tone(4.0), 16_000)
    path.write_bytes(path.read_bytes()[:70_000])
    with SoundFile(path) as source:
        samples = sum(len(chunk.samples) for chunk in source)
        assert samples == pytest.approx(35_000, abs=50)
        assert "ends before its header says" in " ".join(source.remarks)


@pytest.mark.parametrize("suffix", ["flac", "ogg"])
def test_truncated_compressed_files_say_what_was_lost(tmp_path, suffix: str) -> None:
    path = tmp_path / f"cut.{suffix}"
    soundfile.write(path, noise(20.0, level=0.2), 16_000)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with SoundFile(path) as source:
        samples = sum(len(chunk.samples) for chunk in source)
        assert 5 * 16_000 < samples < 15 * 16_000
        if suffix == "flac":  # an ogg file does not say how long it was
            assert "is damaged after" in " ".join(source.remarks)


def test_low_rate_is_remarked(tmp_path) -> None:
    path = tmp_path / "phone.wav"
    soundfile.write(path, tone(1.0, 8_000), 8_000)
    with SoundFile(path) as source:
        assert "8000 Hz" in " ".join(source.remarks)


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("empty.wav", b"", "empty file"),
        ("words.wav", b"right knee jerk two plus\n" * 20, "looks like text"),
        ("junk.wav", bytes(range(256)) * 40, "cannot be read as sound"),
        (
            "header.wav",
            b"RIFF\x24\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00\x80\x3e\x00\x00\x00\x7d\x00\x00"
            b"\x02\x00\x10\x00data\x00\x00\x00\x00",
            "no sound",
        ),
    ],
)
def test_bad_files_give_one_sentence(tmp_path, name: str, content: bytes, said: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(InputError, match=said) as caught:
        SoundFile(path)
    assert "\n" not in str(caught.value)


def test_missing_file_and_folder(tmp_path) -> None:
    with pytest.raises(InputError, match="cannot be opened"):
        SoundFile(tmp_path / "no.wav")
    with pytest.raises(InputError, match="is a folder"):
        SoundFile(tmp_path)
