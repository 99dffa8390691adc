"""Learning a voice: sentences that need it, a profile from real readings, used only when it helps."""

import sys
from pathlib import Path

import pytest
import soundfile

from dictate import cli
from dictate.engines.choose import choose_engine
from dictate.engines.lexicon import own_words
from dictate.errors import InputError, SettingsError
from dictate.settings import load_settings
from dictate.voice import Profile, Reading, engine_for, learn, load, save, sentences, stored

DATA = Path(__file__).parent / "data" / "five_phrases"
SAID = (
    "romberg negative",
    "heel walking weak on the right",
    "no pronator drift",
    "right knee jerk three plus sorry two plus",
    "plantar extensor on the left",
)


def readings() -> list[Reading]:
    sound = soundfile.read(DATA.with_suffix(".flac"), dtype="int16")[0]
    times = [tuple(map(float, line.split())) for line in DATA.with_suffix(".txt").read_text().splitlines()]
    return [
        Reading(said, sound[int((begin - 0.2) * 16_000) : int((end + 0.2) * 16_000)])
        for said, (begin, end) in zip(SAID, times, strict=True)
    ]


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    return tmp_path_factory.mktemp("home")


@pytest.fixture(scope="module")
def cache(home):
    return load_settings({"SPOKEN_EXAM_HOME": str(home)}).folders.cache


@pytest.fixture(scope="module")
def profile(cache):
    return learn("robin", readings(), cache)


def test_sentences_hold_hard_words_and_are_always_the_same() -> None:
    said = sentences()
    assert said == sentences()
    several = {word for word, ways in own_words().items() if len(ways) > 1}
    assert len({word for sentence in said for word in sentence.split()} & several) >= 30
    assert 100 <= sum(len(sentence.split()) for sentence in said) <= 350


def test_only_used_ways_of_read_words_are_kept(profile) -> None:
    assert set(profile.ways) <= {word for said in SAID for word in said.split()}
    for word, ways in profile.ways.items():
        if word in own_words():
            assert 0 < len(ways) < len(own_words()[word])
    assert profile.cepstral_mean.count(",") >= 12
    assert profile.words == sum(len(said.split()) for said in SAID)


def test_a_profile_that_helps_changes_the_dictionary(profile, cache) -> None:
    better = profile.model_copy(update={"wrong_before": 3, "wrong_after": 1})
    engine = engine_for(better, cache)
    written = (cache / "voice-robin.dict").read_text()
    for word, ways in better.ways.items():
        assert f"{word} {' '.join(ways[0])}\n" in written
        assert f"{word}({len(ways) + 1})" not in written
    engine.start(0.0)
    engine.accept(readings()[4].samples)
    assert engine.finish().text == SAID[4]
    engine.close()


def test_a_profile_without_gain_is_not_used(profile, cache) -> None:
    (cache / "voice-robin.dict").unlink(missing_ok=True)
    engine_for(profile.model_copy(update={"wrong_before": 1, "wrong_after": 1}), cache).close()
    assert not (cache / "voice-robin.dict").exists()


def test_stored_and_read_again(profile, tmp_path) -> None:
    save(profile, tmp_path)
    assert stored(tmp_path) == ("robin",)
    assert load("robin", tmp_path) == profile


@pytest.mark.parametrize(("name", "said"), [("kim", "known are robin"), ("../x", "no name for a voice")])
def test_unknown_and_bad_names(profile, tmp_path, name: str, said: str) -> None:
    save(profile, tmp_path)
    with pytest.raises(SettingsError, match=said):
        load(name, tmp_path)


def test_damaged_profile(tmp_path) -> None:
    (tmp_path / "kim.json").write_text("{")
    with pytest.raises(SettingsError, match="damaged"):
        load("kim", tmp_path)


def test_too_little_is_refused(cache) -> None:
    with pytest.raises(InputError, match="too few"):
        learn("kim", readings()[:3], cache)


def test_gain_is_told() -> None:
    profile = Profile(name="a", ways={}, cepstral_mean="", words=10, wrong_before=2, wrong_after=2)
    assert not profile.helps


@pytest.fixture
def command(home, monkeypatch, capsys):
    """Runs a command line; gives its exit code and all it printed."""
    monkeypatch.setenv("SPOKEN_EXAM_HOME", str(home))
    monkeypatch.setattr("dictate.voice.sentences", lambda: SAID)

    def run(*arguments: str) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["dictate", *arguments])
        try:
            cli.main()
            code = 0
        except SystemExit as stop:
            code = int(stop.code or 0)
        printed = capsys.readouterr()
        return code, printed.out + printed.err

    return run


def test_a_voice_is_learnt_used_and_forgotten_by_the_command_line(command, home, tmp_path) -> None:
    for number, reading in enumerate(readings()):
        soundfile.write(tmp_path / f"{number}.wav", reading.samples, 16_000)
    code, printed = command("voice", "learn", "sam", "--from", str(tmp_path))
    assert code == 0
    assert f"Of {sum(len(said.split()) for said in SAID)} words read" in printed
    taught = load("sam", home / "data" / "voices")
    told = command("voice", "list")[1]
    assert f"sam: {taught.wrong_before} -> {taught.wrong_after} of {taught.words} words wrong" in told
    code, printed = command("hear", str(tmp_path / "4.wav"), "--engine", "pocketsphinx", "--voice", "sam")
    assert code == 0
    assert "Plantar" in printed
    (tmp_path / "4.wav").unlink()
    code, printed = command("voice", "learn", "sam", "--from", str(tmp_path))
    assert code != 0
    assert "holds 4 recordings, but there are 5 sentences" in printed
    assert command("voice", "forget", "sam")[0] == 0
    assert "sam" not in command("voice", "list")[1]


def test_the_fused_engine_hears_with_a_learnt_voice(command, profile, home, cache, tmp_path) -> None:
    pytest.importorskip("moonshine_voice", reason="the extra `fused` is not installed")
    sound = tmp_path / "said.wav"
    soundfile.write(sound, readings()[4].samples, 16_000)
    code, printed = command("hear", str(sound), "--engine", "fused", "--voice", "nobody")
    assert code != 0
    assert "There is no voice 'nobody'" in printed
    settings = load_settings({"SPOKEN_EXAM_HOME": str(home), "SPOKEN_EXAM_SPEECH_VOICE": "toni"})
    better = profile.model_copy(update={"name": "toni", "wrong_before": 3, "wrong_after": 1})
    save(better, settings.folders.data / "voices")
    for name in ("fused", None):
        (cache / "voice-toni.dict").unlink(missing_ok=True)
        engine = choose_engine(name, settings=settings)
        assert engine.name == "fused"
        assert (cache / "voice-toni.dict").exists()
        engine.start(0.0)
        engine.accept(readings()[4].samples)
        assert engine.finish().text == SAID[4]
        engine.close()
