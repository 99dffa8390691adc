"""Utterances are cut where speech begins and ends, with nothing of it lost, in quiet and in noise."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from dictate.audio.endpoint import Began, Ended, Endpointer, Sound
from dictate.events import SAMPLE_RATE_HZ, AudioChunk, Samples
from dictate.settings import SoundSettings
from tests.tools.noises import add_noise, pink, white

SPEECH = Path(__file__).parents[1] / "data" / "five_phrases.flac"
"""Five phrases (flite, voice rms) with silences between; TRUE are their ends and beginnings in seconds."""
TRUE = tuple(tuple(map(float, line.split())) for line in SPEECH.with_suffix(".txt").read_text().splitlines())


def speech() -> Samples:
    return soundfile.read(SPEECH, dtype="int16")[0]


def marks_of(samples: Samples, chunk: int = 1600, settings: SoundSettings | None = None):
    endpointer = Endpointer(settings)
    marks = []
    for at in range(0, len(samples), chunk):
        marks += endpointer.feed(AudioChunk(samples[at : at + chunk], at / SAMPLE_RATE_HZ))
    return marks + endpointer.flush()


def pieces_of(marks) -> list[tuple[float, float, Samples]]:
    """(start_s, end_s of speech, sound) of each utterance; also checks the order of marks."""
    pieces, sound, start = [], [], None
    for mark in marks:
        if isinstance(mark, Began):
            assert start is None
            start, sound = mark.start_s, []
        elif isinstance(mark, Sound):
            assert start is not None
            sound.append(mark.samples)
        elif isinstance(mark, Ended):
            pieces.append((start, mark.end_s, np.concatenate(sound)))
            start = None
    assert start is None
    return pieces


@pytest.mark.parametrize(
    "disturb",
    [
        lambda s: s,
        lambda s: (s // 8).astype(np.int16),
        lambda s: add_noise(s, white(len(s)), 20),
        lambda s: add_noise(s, pink(len(s)), 10),
    ],
    ids=["clean", "soft", "white 20 dB", "pink 10 dB"],
)
def test_each_phrase_is_one_utterance_and_nothing_is_cut(disturb) -> None:
    pieces = pieces_of(marks_of(disturb(speech())))
    assert len(pieces) == len(TRUE)
    for (start_s, end_s, sound), (begin, end) in zip(pieces, TRUE, strict=True):
        assert start_s <= begin
        assert start_s + len(sound) / SAMPLE_RATE_HZ >= end
        assert end_s == pytest.approx(end, abs=0.25)


def test_the_sound_handed_on_is_the_sound_that_came_in() -> None:
    samples = speech()
    for start_s, _, sound in pieces_of(marks_of(samples)):
        at = round(start_s * SAMPLE_RATE_HZ)
        assert np.array_equal(sound, samples[at : at + len(sound)])


@pytest.mark.parametrize("chunk", [160, 512, 1000, 16_000])
def test_chunk_size_does_not_matter(chunk: int) -> None:
    whole = [(start, end) for start, end, _ in pieces_of(marks_of(speech()))]
    assert [(start, end) for start, end, _ in pieces_of(marks_of(speech(), chunk))] == whole


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros(3 * SAMPLE_RATE_HZ, dtype=np.int16),
        (white(5 * SAMPLE_RATE_HZ) * 1500).astype(np.int16),
        (8000 * np.sin(np.arange(3 * SAMPLE_RATE_HZ) * 0.2)).astype(np.int16),
    ],
    ids=["silence", "noise", "tone"],
)
def test_no_utterance_without_speech(samples: Samples) -> None:
    assert pieces_of(marks_of(samples)) == []


def test_speech_at_the_very_end_is_kept() -> None:
    samples = speech()[: int((TRUE[1][0] + TRUE[1][1]) / 2 * SAMPLE_RATE_HZ)]
    pieces = pieces_of(marks_of(samples))
    assert len(pieces) == 2
    assert pieces[1][0] + len(pieces[1][2]) / SAMPLE_RATE_HZ == pytest.approx(len(samples) / SAMPLE_RATE_HZ, abs=1e-4)


def test_a_longer_silence_setting_joins_phrases() -> None:
    assert len(pieces_of(marks_of(speech(), settings=SoundSettings(end_silence_s=3.0)))) < len(TRUE)


def test_very_long_speech_is_cut_at_a_short_pause() -> None:
    first = speech()[round(TRUE[0][0] * SAMPLE_RATE_HZ) : round(TRUE[0][1] * SAMPLE_RATE_HZ)]
    gap = np.zeros(int(0.3 * SAMPLE_RATE_HZ), dtype=np.int16)
    pieces = pieces_of(marks_of(np.concatenate([np.concatenate((first, gap))] * 40)))
    assert max(end - start for start, end, _ in pieces) < 42
    assert len(pieces) >= 2


@pytest.mark.parametrize(("gain", "said"), [(1.0, ()), (20.0, ("clipped",)), (0.03, ("too quiet",))])
def test_level_remarks(gain: float, said: tuple[str, ...]) -> None:
    samples = np.clip(speech().astype(np.float64) * gain, -32768, 32767).astype(np.int16)
    remarks = [mark.remarks for mark in marks_of(samples) if isinstance(mark, Ended)]
    assert remarks
    assert all(remark == said for remark in remarks)
