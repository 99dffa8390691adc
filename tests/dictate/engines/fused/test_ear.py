"""The second ear hears quiet utterances as they are and noisy ones through the suppressor, and loses no
sound."""

from __future__ import annotations

import numpy as np
import pytest

from dictate.engines.fused import ear
from dictate.events import FinalText, PartialText, Samples


class Recorder:
    """An engine that keeps what it was given."""

    name = "recorder"

    def __init__(self) -> None:
        self.got: list[Samples] = []

    def start(self, start_s: float) -> None:
        self.got = []

    def accept(self, samples: Samples) -> PartialText | None:
        self.got.append(samples)
        return None

    def finish(self) -> FinalText:
        return FinalText((), 0.0, 0.0)

    def close(self) -> None:
        pass


def heard(level: float, pieces: int = 9, size: int = 1_333) -> tuple[Samples, Samples]:
    """(what went in, what the engine got) for white noise of a level given as a fraction of full scale."""
    sound = (np.random.default_rng(1).normal(scale=level, size=pieces * size) * 32_767).clip(-32_767, 32_767)
    given = sound.astype(np.int16)
    recorder = Recorder()
    quieted = ear.QuietedEar(recorder)
    quieted.start(0.0)
    for at in range(0, len(given), size):
        quieted.accept(given[at : at + size])
    quieted.finish()
    return given, np.concatenate(recorder.got)


def test_a_quiet_room_is_passed_on_unchanged() -> None:
    given, got = heard(0.0005)
    assert np.array_equal(given, got)


def test_noise_is_suppressed_and_no_sound_is_lost() -> None:
    pytest.importorskip("webrtc_noise_gain", reason="the extra `fused` is not installed")
    given, got = heard(0.03)
    assert len(got) == len(given)
    assert ear.level_dbfs(got[8_000:]) < ear.level_dbfs(given[8_000:]) - 10


def test_without_the_package_noise_passes(monkeypatch) -> None:
    monkeypatch.setattr(ear, "suppressor", lambda: None)
    given, got = heard(0.03)
    assert np.array_equal(given, got)


def test_a_very_short_utterance_still_arrives() -> None:
    given, got = heard(0.0005, pieces=1, size=700)
    assert np.array_equal(given, got)


def test_working_ahead_hands_on_every_sample_and_loses_none_that_follow() -> None:
    given = (np.random.default_rng(2).normal(size=12_000) * 8).astype(np.int16)
    recorder = Recorder()
    quieted = ear.QuietedEar(recorder)
    quieted.start(0.0)
    quieted.accept(given[:7_001])
    assert quieted.prepare() is None  # this engine cannot
    assert np.array_equal(np.concatenate(recorder.got), given[:7_001])
    quieted.accept(given[7_001:])
    quieted.finish()
    assert np.array_equal(np.concatenate(recorder.got), given)


@pytest.mark.parametrize(
    ("level", "length", "noisy"), [(0.03, 4_000, True), (0.0005, 4_000, False), (0.03, 3_999, False)]
)
def test_noise_is_told_by_the_first_quarter_second_with_or_without_the_package(
    monkeypatch, level, length, noisy
) -> None:
    monkeypatch.setattr(ear, "suppressor", lambda: None)
    lead = (np.random.default_rng(3).normal(scale=level, size=length) * 32_767).clip(-32_767, 32_767).astype(np.int16)
    assert ear.is_noisy(lead) == noisy
