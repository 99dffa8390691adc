"""The commands read and hear: forms of output, several files, standard input, faults in one sentence."""

import json
import sys

import numpy as np
import pytest
import soundfile

from dictate import cli
from tests.tools.expected_notes import SAMPLES

TEXT = "Romberg negative. Right knee jerk absent, left knee jerk two plus."


@pytest.fixture(autouse=True)
def _own_home(tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("SPOKEN_EXAM_HOME", str(tmp_path / "home"))


def run(monkeypatch, capsys, *arguments: str, stdin: bytes | None = None) -> tuple[int, str, str]:
    """Exit code, standard output, standard error of a command."""
    import io

    monkeypatch.setattr(sys, "argv", ["dictate", *arguments])
    if stdin is not None:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(stdin)))
    try:
        cli.main()
        code = 0
    except SystemExit as stop:
        code = int(stop.code or 0)
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture
def note_file(tmp_path):
    path = tmp_path / "note.txt"
    path.write_text(TEXT)
    return str(path)


def test_plain_note_names_sides_in_words(monkeypatch, capsys, note_file) -> None:
    code, out, _ = run(monkeypatch, capsys, "read", note_file)
    assert code == 0
    assert "right: abnormal (absent) | left: normal 2+" in out
    assert "Not yet examined:" in out
    assert "Draft for a licensed clinician to verify" in out
    assert "\x1b" not in out


def test_json_is_one_object_a_line(monkeypatch, capsys, note_file) -> None:
    code, out, _ = run(monkeypatch, capsys, "read", note_file, note_file, "--json", "--complaint", "foot-drop")
    assert code == 0
    notes = [json.loads(line) for line in out.splitlines()]
    assert len(notes) == 2
    assert notes[0]["schema"] == "1"
    assert notes[0]["complaint"] == ["foot_drop"]
    assert notes[0]["transcript"] == TEXT


def test_standard_input(monkeypatch, capsys) -> None:
    code, out, _ = run(monkeypatch, capsys, "read", "-", "--json", stdin=TEXT.encode())
    assert code == 0
    assert len(json.loads(out)["findings"]) == 3


def test_explain_shows_words_and_span(monkeypatch, capsys, note_file) -> None:
    _, out, _ = run(monkeypatch, capsys, "read", note_file, "--explain")
    assert "How it was read:" in out
    assert "'Romberg negative' [0:16] -> romberg, none, normal" in out


def test_out_writes_the_file(monkeypatch, capsys, note_file, tmp_path) -> None:
    target = tmp_path / "out.json"
    code, out, _ = run(monkeypatch, capsys, "read", note_file, "--json", "--out", str(target))
    assert (code, out) == (0, "")
    assert json.loads(target.read_text())["findings"]


def test_unknown_complaint_names_the_known(monkeypatch, capsys, note_file) -> None:
    code, _, err = run(monkeypatch, capsys, "read", note_file, "--complaint", "toothache")
    assert code == 1
    assert "known are memory" in err


def test_one_bad_file_does_not_stop_the_others(monkeypatch, capsys, note_file, tmp_path) -> None:
    code, out, err = run(monkeypatch, capsys, "read", str(tmp_path / "no.txt"), note_file, "--json")
    assert code == 1
    assert len(out.splitlines()) == 1
    assert "no.txt cannot be opened" in err


@pytest.mark.parametrize(("content", "said"), [(b"", "is empty"), (bytes(range(256)) * 9, "is not text")])
def test_bad_text(monkeypatch, capsys, tmp_path, content, said) -> None:
    path = tmp_path / "x.txt"
    path.write_bytes(content)
    code, out, err = run(monkeypatch, capsys, "read", str(path))
    assert (code, out) == (1, "")
    assert said in err
    assert err.count("\n") == 1


def test_unknown_option(monkeypatch, capsys, note_file) -> None:
    code, _, err = run(monkeypatch, capsys, "read", note_file, "--loud")
    assert code == 2
    assert "--loud" in err


def test_hear_a_recording(monkeypatch, capsys) -> None:
    code, out, _ = run(
        monkeypatch,
        capsys,
        "hear",
        str(SAMPLES / "repair_and_reasons.ogg"),
        "--json",
        "--engine",
        "pocketsphinx",
    )
    assert code == 0
    note = json.loads(out)
    assert note["findings"][0]["start_s"] is not None
    assert any(finding["item"] == "romberg" for finding in note["findings"])


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("empty.wav", b"", "empty file"),
        ("words.wav", b"knee jerk " * 50, "looks like text"),
        ("junk.ogg", bytes(range(256)) * 9, "cannot be read as sound"),
    ],
)
def test_bad_sound(monkeypatch, capsys, tmp_path, name, content, said) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    code, out, err = run(monkeypatch, capsys, "hear", str(path), "--engine", "pocketsphinx")
    assert (code, out) == (1, "")
    assert said in err
    assert err.count("\n") == 1


def test_silence_is_a_note_without_findings(monkeypatch, capsys, tmp_path) -> None:
    path = tmp_path / "silence.wav"
    soundfile.write(path, np.zeros(48_000), 16_000)
    code, out, err = run(monkeypatch, capsys, "hear", str(path), "--engine", "pocketsphinx")
    assert code == 0
    assert "No finding was said." in out
    assert "no speech was heard" in err


@pytest.mark.parametrize("rate_hz", [8_000, 48_000])
def test_other_rates_and_channels_are_heard(monkeypatch, capsys, tmp_path, rate_hz) -> None:
    import soxr

    sound, _ = soundfile.read(SAMPLES / "repair_and_reasons.ogg", frames=16_000 * 12)
    resampled = soxr.resample(sound, 16_000, rate_hz)
    path = tmp_path / "other.wav"
    soundfile.write(
        path,
        np.stack((0.001 * np.random.default_rng(1).standard_normal(len(resampled)), resampled), axis=1),
        rate_hz,
    )
    code, out, _ = run(monkeypatch, capsys, "hear", str(path), "--json", "--engine", "pocketsphinx")
    assert code == 0
    found = {finding["item"] for finding in json.loads(out)["findings"]}
    assert {"romberg", "hop"} <= found


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--engine", "ears"), "known are fused, pocketsphinx, vosk, two-ears"),
        (("--engine", "vosk"), "No Vosk model is in"),
        (("--model", "/nowhere/model"), "does not exist"),
    ],
)
def test_engine_faults(monkeypatch, capsys, options, said) -> None:
    code, _, err = run(monkeypatch, capsys, "hear", str(SAMPLES / "foot_drop.ogg"), *options)
    assert code == 1
    assert said in err


def test_a_clinics_own_wording_is_read(monkeypatch, capsys, tmp_path) -> None:
    own = tmp_path / "own"
    (own / "phrases").mkdir(parents=True)
    (own / "phrases" / "ours.toml").write_text('[[phrase]]\nitem = "romberg"\nany = ["quokka stand"]\nis_test = true\n')
    monkeypatch.setenv("SPOKEN_EXAM_SPEECH_PHRASES", str(own))
    code, out, _ = run(monkeypatch, capsys, "read", "-", "--json", stdin=b"Quokka stand negative.")
    assert code == 0
    assert [finding["item"] for finding in json.loads(out)["findings"]] == ["romberg"]
