"""Settings: file, environment, and every fault at once."""

import pytest

from dictate.errors import SettingsError
from dictate.settings import load_settings


def read(tmp_path, text: str = "", **environment: str):
    if text:
        (tmp_path / "settings.toml").write_text(text)
    return load_settings({"SPOKEN_EXAM_HOME": str(tmp_path), **environment})


def test_defaults_without_a_file(tmp_path) -> None:
    settings = read(tmp_path)
    assert settings.speech.engine is None
    assert settings.folders.models == tmp_path / "models"


def test_file_then_environment(tmp_path) -> None:
    settings = read(
        tmp_path,
        '[speech]\nengine = "vosk"\n[sound]\nend_silence_s = 0.7\n',
        SPOKEN_EXAM_SPEECH_ENGINE="pocketsphinx",
    )
    assert settings.speech.engine == "pocketsphinx"
    assert settings.sound.end_silence_s == 0.7


def test_settings_cannot_change(tmp_path) -> None:
    with pytest.raises(ValueError, match="frozen"):
        read(tmp_path).speech.engine = "vosk"


def test_all_faults_at_once_with_file_and_key(tmp_path) -> None:
    with pytest.raises(SettingsError) as caught:
        read(
            tmp_path,
            '[speech]\nengine = "ears"\nmodle = "x"\n[sound]\nend_silence_s = "long"\n[soup]\na = 1\n',
            SPOKEN_EXAM_SOUND_TAIL_S="9",
            SPOKEN_EXAM_NOSUCH="1",
        )
    said = str(caught.value)
    file = str(tmp_path / "settings.toml")
    for part in (
        "6 faults",
        f"{file} [speech] engine",
        f"{file} [speech] modle: no such setting",
        f"{file} [sound] end_silence_s",
        "soup",
        "environment $SPOKEN_EXAM_SOUND_TAIL_S",
        "environment $SPOKEN_EXAM_NOSUCH",
    ):
        assert part in said


@pytest.mark.parametrize("content", [b"[speech\n", b"\xff\xfe\x00"])
def test_unreadable_file(tmp_path, content: bytes) -> None:
    (tmp_path / "settings.toml").write_bytes(content)
    with pytest.raises(SettingsError, match=r"settings\.toml"):
        read(tmp_path)
