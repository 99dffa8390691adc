"""The check-up names what works, what is missing and how to mend it, and never fails itself."""

import pytest

from dictate import checkup
from dictate.audio import microphone
from dictate.engines import choose
from dictate.engines.scripted_engine import ScriptedEngine
from dictate.errors import DeviceError, EngineError


@pytest.fixture(autouse=True)
def _machine(tmp_path, monkeypatch) -> None:
    """A machine with PocketSphinx only, and no PortAudio."""
    monkeypatch.setenv("SPOKEN_EXAM_HOME", str(tmp_path))

    def open_engine(name, *_rest, **_more):
        if name == "pocketsphinx":
            return ScriptedEngine([])
        raise EngineError(f"{name} is not installed; install it.")

    def no_portaudio():
        raise DeviceError(microphone.NO_PORTAUDIO)

    monkeypatch.setattr(choose, "choose_engine", open_engine)
    monkeypatch.setattr(microphone, "load_sounddevice", no_portaudio)


def states() -> dict[str, str]:
    return {check.name: check.state for check in checkup.examine()}


def test_what_works_and_what_does_not() -> None:
    found = states()
    assert found["pocketsphinx"] == "works"
    assert found["fused"] == "optional"
    assert found["vosk"] == "optional"
    assert found["microphone"] == "missing"
    assert found["cache"] == "works"


@pytest.mark.parametrize(
    ("name", "module", "extra"),
    [
        ("third ear", "flashlight", "fused"),
        ("noise suppressor", "webrtc_noise_gain", "fused"),
        ("room board", "uvicorn", "board"),
        ("spoken answer", "espeakng_loader", "speak"),
    ],
)
def test_a_part_that_is_not_installed_says_how_to_get_it(monkeypatch, name, module, extra):
    found = dict.fromkeys(("flashlight", "webrtc_noise_gain", "starlette", "uvicorn", "espeakng_loader"), True)
    monkeypatch.setattr(checkup.importlib.util, "find_spec", found.get)
    assert states()[name] == "works"
    found[module] = None
    check = next(check for check in checkup.examine() if check.name == name)
    assert (check.state, check.mend) == ("optional", f"pip install 'spoken-exam[{extra}]'")


def test_each_fault_has_a_way_out() -> None:
    for check in checkup.examine():
        assert check.state == "works" or check.detail
        if check.state in ("missing", "broken"):
            assert check.mend


def test_faulty_settings_are_told_not_raised(tmp_path) -> None:
    (tmp_path / "settings.toml").write_text("[speech]\nengine = 'ears'\n")
    assert states()["settings"] == "broken"


def test_a_model_that_is_no_model(tmp_path, monkeypatch) -> None:
    (tmp_path / "nothing").mkdir()
    monkeypatch.setenv("SPOKEN_EXAM_SPEECH_MODEL", str(tmp_path / "nothing"))
    assert states()["vosk"] == "broken"
