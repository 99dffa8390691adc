"""A real capture path: a private PulseAudio plays, `dictate live` records it through sounddevice."""

import os
import shutil
import signal
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dictate.live import journal, recording
from tests.dictate.live import whole

CONFIGURATION = """
load-module module-native-protocol-unix auth-anonymous=1 socket={place}/native
load-module module-null-sink sink_name=testout rate=16000 channels=1
load-module module-remap-source source_name=testmic master=testout.monitor
set-default-sink testout
set-default-source testmic
"""


@pytest.fixture(scope="module")
def pulse(tmp_path_factory):
    """The environment of a private sound server whose microphone hears what is played to it."""
    if shutil.which("pulseaudio") is None or shutil.which("paplay") is None:
        pytest.skip("no pulseaudio on this machine")
    place = tmp_path_factory.mktemp("pulse")
    place.chmod(0o700)
    more = {
        "XDG_RUNTIME_DIR": str(place),
        "PULSE_RUNTIME_PATH": str(place / "pulse"),
        "PULSE_STATE_PATH": str(place / "state"),
        "PULSE_SERVER": f"unix:{place}/native",
    }
    for name in ("pulse", "state"):
        (place / name).mkdir()
    (place / "default.pa").write_text(CONFIGURATION.format(place=place))
    environment = {**os.environ, **more}
    wishes = "-n --daemonize=no --system=false --use-pid-file=no --exit-idle-time=-1 --realtime=no"
    server = subprocess.Popen(
        ["pulseaudio", *wishes.split(), "--high-priority=no", f"--log-target=file:{place}/log",
         "-F", str(place / "default.pa")],
        env=environment, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    for _ in range(100):
        if subprocess.run(["pactl", "info"], env=environment, capture_output=True).returncode == 0:
            break
        time.sleep(0.1)
    else:
        server.kill()
        pytest.fail(f"the sound server did not start: {(place / 'log').read_text()[-500:]}")
    yield more
    server.terminate()
    server.wait(timeout=10)


def play_while_listening(path, home, pulse, *options):
    """Start `dictate live`, play the file once its microphone is open, end it politely; events and errors."""
    process = whole.started(
        ["live", "--device", "pulse", "--engine", "pocketsphinx", "--json", "--no-board", *options],
        home,
        **pulse,
    )
    lines = []
    for line in process.stdout:
        lines.append(line)
        if any(event.get("captured_s", 0) > 0.2 for event in whole.events(line)):
            break
    assert lines, process.stderr.read()
    environment = whole.environment(home, **pulse)
    subprocess.run(["paplay", "--device=testout", str(path)], env=environment, check=True, timeout=60)
    time.sleep(1.2)
    return process, lines


@pytest.fixture(scope="module")
def taken(pulse, exam, home, tmp_path_factory):
    """One examination through the microphone: its last event and a copy of the sound it had on disk."""
    process, lines = play_while_listening(exam, home, pulse)
    folder = next((home / "data" / "live").iterdir())
    copy = shutil.copy(folder / "sound.au", tmp_path_factory.mktemp("kept"))
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    return whole.events("".join(lines) + out)[-1], recording.load(Path(copy)).astype(np.int32)


def test_what_the_microphone_hears_gives_the_findings_of_the_file(taken, exam, home):
    kept = taken[0]
    assert kept["event"] == "kept"
    heard = whole.events(whole.finished(["hear", exam, "--json", "--engine", "pocketsphinx"], home)[0])[0]
    live = {whole.short(finding) for finding in kept["note"]["findings"]}
    file = {whole.short(finding) for finding in heard["findings"]}
    assert len(file) >= 7
    assert len(file - live) <= 1
    assert len(live - file) <= 1


def test_the_sound_on_disk_is_what_was_played_sample_by_sample(taken, exam):
    kept = taken[1]
    played = soundfile.read(exam, dtype="int16")[0].astype(np.int32)
    window = played[16_000:48_000].astype(float)
    span = len(kept) - len(window)
    size = 1 << (span + 2 * len(window)).bit_length()
    match = np.fft.irfft(np.fft.rfft(kept.astype(float), size) * np.conj(np.fft.rfft(window, size)), size)
    start = int(np.argmax(match[:span])) - 16_000
    assert start > 0
    heard = kept[start : start + len(played)]
    assert len(heard) == len(played)
    assert np.abs(heard - played).max() <= 1


def test_the_microphones_are_listed(pulse, home):
    out, _ = whole.finished(["live", "--list-devices"], home, **pulse)
    assert "pulse" in out


def test_a_microphone_that_does_not_exist_is_one_sentence_naming_the_others(pulse, home):
    _, err = whole.finished(["live", "--device", "no such thing", "--no-board"], home, status=1, **pulse)
    assert "There is no microphone 'no such thing'; known are" in err
    assert "Traceback" not in err
    assert not list((home / "data" / "live").iterdir())


def test_while_it_answers_aloud_the_tool_does_not_hear_itself(pulse, dictation, home, tmp_path):
    """Loudspeaker and microphone are one here, so an answer that was listened to would be in the note."""
    pytest.importorskip("espeakng_loader")
    path = tmp_path / "question.wav"
    soundfile.write(path, dictation(["right knee jerk two plus", "what is missing"]), 16_000)
    process, lines = play_while_listening(path, home, pulse, "--speak")
    folder = next((home / "data" / "live").iterdir())
    for line in process.stdout:
        lines.append(line)
        if journal.read(folder / "journal.jsonl").of_kind("muted"):
            break
    muted = journal.read(folder / "journal.jsonl").of_kind("muted")[0]
    spoken = recording.load(folder / "sound.au")[int(muted["start_s"] * 16_000) : int(muted["end_s"] * 16_000)]
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    events = whole.events("".join(lines) + out)
    assert muted["end_s"] - muted["start_s"] > 2, "the answer takes seconds"
    assert np.abs(spoken).max() > 2000, "the answer was to be heard in the room"
    assert [event["text"] for event in events if event["event"] == "utterance"] == [
        "right knee jerk two plus", "what is missing",
    ]  # fmt: skip
    assert any("muted" in event["view"]["recording"] for event in events if event["event"] == "view")


def test_a_microphone_that_goes_away_costs_nothing_that_was_heard(pulse, dictation, home, tmp_path):
    """The last test here: it takes the microphone of the module away."""
    path = tmp_path / "short.wav"
    soundfile.write(path, dictation(whole.LINES[3:5]), 16_000)
    process, lines = play_while_listening(path, home, pulse)
    environment = whole.environment(home, **pulse)
    subprocess.run(["pactl", "unload-module", "module-null-sink"], env=environment, check=True)
    time.sleep(1)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    kept = whole.events("".join(lines) + out)[-1]
    assert kept["event"] == "kept"
    assert [finding["side"] for finding in kept["note"]["findings"]] == ["right", "left"]
