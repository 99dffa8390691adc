"""Death at any moment, a full disk, a broken-off network: what was heard is still there.

These run the real program with a real recogniser on synthetic speech, faster than life.
"""

import os
import random
import shutil
import signal
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dictate.engines.choose import choose_engine
from dictate.errors import StoreError
from dictate.live import journal, recording, start
from dictate.live.ears import Ears
from dictate.live.keep import final_note
from dictate.settings import load_settings
from dictate.storage import open_store
from tests.dictate.live import whole

ENGINE = ("--engine", "pocketsphinx", "--no-board", "--json")
SPEED = 8
ROOM_BYTES = 300_000  # on the full disk: nine seconds of sound
MOMENTS = [round(random.Random(seed).uniform(0.2, 2.6), 2) for seed in range(10)]


@pytest.fixture(scope="session")
def undisturbed(exam, home):
    """What an examination without any accident gives."""
    out, _ = whole.finished(["live", "--from", exam, "--speed", SPEED, *ENGINE], home)
    return whole.events(out)


def fresh_home(home, tmp_path):
    """A new home with the built model of `home`."""
    shutil.copytree(home / "cache", tmp_path / "cache")
    return tmp_path


def test_an_undisturbed_examination_hears_the_same_as_hearing_the_file(undisturbed, exam, home):
    out, _ = whole.finished(["hear", exam, "--json", "--engine", "pocketsphinx"], home)
    heard = whole.events(out)[0]
    kept = undisturbed[-1]
    assert kept["event"] == "kept"
    assert {whole.short(f) for f in kept["note"]["findings"]} == {whole.short(f) for f in heard["findings"]}
    assert kept["note"]["slots"] == heard["slots"]
    assert len(heard["findings"]) >= 7


def test_nothing_plain_is_left_behind_when_the_store_has_the_draft(undisturbed, home):
    assert list((home / "data" / "live").iterdir()) == []


def restored(folder, home, *, again=False):
    """What recovery makes of an interrupted folder, which it only looks at."""
    settings = load_settings({"SPOKEN_EXAM_HOME": str(home)})
    home_folder = start.interrupted(settings, folder)[0]
    ears = Ears(lambda: choose_engine("pocketsphinx", None, settings), settings.sound)
    try:
        return start.restore_one(start.reading(), home_folder, ears, None, again=again)[0]
    finally:
        ears.close()
        home_folder.unlock()


@pytest.mark.parametrize("moment", MOMENTS)
def test_killed_at_any_moment_nothing_is_lost(moment, exam, home, tmp_path):
    home = fresh_home(home, tmp_path)
    process = whole.started(["live", "--from", exam, "--speed", SPEED, *ENGINE], home)
    first = process.stdout.readline()
    time.sleep(moment)
    os.kill(process.pid, signal.SIGKILL)
    out = first + process.communicate(timeout=60)[0]
    seen = whole.events(out)
    folder = next((home / "data" / "live").iterdir())
    taken_s = max(event.get("captured_s", 0) for event in seen)
    kept = recording.load(folder / "sound.au")
    original = soundfile.read(exam, dtype="int16")[0]
    assert np.array_equal(kept, original[: len(kept)]), "the kept sound is not what was played"
    assert len(kept) / 16_000 >= taken_s - 0.001, "sound that the program had taken is missing"
    said = [event["text"] for event in seen if event["event"] == "utterance"]
    noted = [
        " ".join(word[0] for word in e["words"]) for e in journal.read(folder / "journal.jsonl").of_kind("utterance")
    ]
    assert noted[: len(said)] == said, "a shown utterance is not in the journal"

    look, again = restored(folder, home), restored(folder, home, again=True)
    assert look.sound_s == pytest.approx(len(kept) / 16_000)
    findings = [whole.short(f.model_dump()) for f in final_note(look.state).findings]
    assert findings == [whole.short(f.model_dump()) for f in final_note(again.state).findings]
    assert look.state.note.transcript == again.state.note.transcript
    shown = {whole.short(f) for event in seen if event["event"] == "utterance" for f in event["findings"]}
    assert shown <= set(findings)


def test_the_next_examination_restores_the_interrupted_one_first(exam, home, tmp_path):
    home = fresh_home(home, tmp_path)
    process = whole.started(["live", "--from", exam, "--speed", SPEED, *ENGINE], home)
    process.stdout.readline()
    time.sleep(1.5)
    process.kill()
    process.communicate()
    _, err = whole.finished(["live", "--from", exam, "--speed", 0, *ENGINE], home)
    assert "Restored an interrupted examination" in err
    assert "as draft 1" in err
    assert list((home / "data" / "live").iterdir()) == []
    out, _ = whole.finished(["recover"], home)
    assert "No interrupted examination" in out


def test_a_polite_stop_ends_the_examination_as_a_draft(exam, home, tmp_path):
    home = fresh_home(home, tmp_path)
    process = whole.started(["live", "--from", exam, "--speed", 1, *ENGINE], home)
    process.stdout.readline()
    time.sleep(4)
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    assert whole.events(out)[-1]["event"] == "kept"


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 2 MB; needs the right to mount."""
    place = tmp_path / "small"
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)], capture_output=True)
    if done.returncode != 0:
        pytest.skip("this user may not mount a small disk")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=False)


def test_on_a_full_disk_it_is_said_and_what_was_recorded_is_kept(exam, home, tmp_path, small_disk):
    home = fresh_home(home, tmp_path)
    (home / "data").mkdir()
    (home / "data" / "live").symlink_to(small_disk, target_is_directory=True)
    filler = small_disk / "filler"
    filler.write_bytes(bytes(shutil.disk_usage(small_disk).free - ROOM_BYTES))
    process = whole.started(["live", "--from", exam, "--speed", SPEED, *ENGINE], home)
    out, err = process.communicate(timeout=300)
    notices = {n for e in whole.events(out, "view") for n in e["view"]["notices"]}
    # On a slow machine the room set aside is used up between two pictures, and only the refusal is shown.
    assert any(notice.startswith(("The disk is full", "The disk refuses the sound")) for notice in notices)
    assert any("wait in memory" in notice for notice in notices) or any("being lost" in notice for notice in notices)
    assert process.returncode == 1
    assert "not complete yet" in err
    folder = next(path for path in small_disk.iterdir() if path.is_dir())
    kept = recording.load(folder / "sound.au")
    original = soundfile.read(exam, dtype="int16")[0]
    assert len(kept) > 100_000
    assert np.array_equal(kept, original[: len(kept)])
    filler.unlink()
    draft = whole.events(whole.finished(["recover", "--json", "--engine", "pocketsphinx"], home)[0])[0]
    assert draft["draft"] == "1"
    assert len(draft["note"]["findings"]) >= 2


def test_a_disk_freed_in_time_costs_nothing(exam, home, tmp_path, small_disk, undisturbed):
    home = fresh_home(home, tmp_path)
    (home / "data").mkdir()
    (home / "data" / "live").symlink_to(small_disk, target_is_directory=True)
    filler = small_disk / "filler"
    filler.write_bytes(bytes(shutil.disk_usage(small_disk).free - ROOM_BYTES))
    process = whole.started(["live", "--from", exam, "--speed", 4, *ENGINE], home)
    seen = []
    for line in process.stdout:
        seen.append(line)
        if "wait in memory" in line and filler.exists():
            filler.unlink()
    assert process.wait(timeout=240) == 0, process.stderr.read()
    assert not filler.exists()
    kept = whole.events("".join(seen))[-1]
    assert list(map(whole.short, kept["note"]["findings"])) == list(
        map(whole.short, undisturbed[-1]["note"]["findings"])
    )


def test_a_whole_examination_runs_in_a_namespace_without_any_network(exam, home, tmp_path):
    if subprocess.run(["unshare", "-n", "true"], capture_output=True).returncode != 0:
        pytest.skip("this user may not make a network namespace")
    home = fresh_home(home, tmp_path)
    board = (
        "import urllib.request, sys, json, time\n"
        "opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))\n"
        "for attempt in range(100):\n"
        "    try:\n"
        "        page = opener.open('http://127.0.0.1:8020/', timeout=10).read()\n"
        "        break\n"
        "    except OSError:\n"
        "        time.sleep(0.2)\n"
        "stream = opener.open('http://127.0.0.1:8020/events', timeout=10)\n"
        "lines = [stream.readline().decode() for _ in range(6)]\n"
        "print(json.dumps({'event': 'board', 'page': b'board.js' in page, 'first': lines}))\n"
    )
    Path(tmp_path / "look.py").write_text(board)
    script = (
        'ip link set lo up 2>/dev/null || python3 -c "import fcntl,socket,struct;'
        "s=socket.socket();fcntl.ioctl(s,0x8914,struct.pack('16sH14s',b'lo',0x49,b''))\"; "
        "test $(ls /sys/class/net | wc -l) = 1 || test $(wc -l < /proc/net/route) = 1 || exit 9; "
        f'"$@" & "$PYTHON" {tmp_path / "look.py"}; wait $!'
    )
    import sys

    out, err = whole.finished(
        ["live", "--from", exam, "--speed", 4, "--engine", "pocketsphinx", "--json"],
        home,
        prefix=("unshare", "-n", "bash", "-c", script, "bash"),
        PYTHON=sys.executable,
    )
    assert whole.events(out)[-1]["event"] == "kept", err
    seen = whole.events(out, "board")[0]
    assert seen["page"]
    assert any(line.startswith("event: ") for line in seen["first"])


def test_sound_is_dropped_when_it_is_not_to_be_kept(exam, home, tmp_path):
    home = fresh_home(home, tmp_path)
    process = whole.started(["live", "--from", exam, "--speed", SPEED, *ENGINE, "--no-keep-audio"], home)
    process.stdout.readline()
    folder = next((home / "data" / "live").iterdir())
    ends: list[float] = []
    deadline = time.monotonic() + 60
    while len(ends) < 2 and time.monotonic() < deadline:
        time.sleep(0.05)
        ends = [e["end_s"] for e in journal.read(folder / "journal.jsonl").of_kind("utterance")]
    process.kill()
    process.communicate()
    kept = recording.load(folder / "sound.au")
    # Words are written before their sound is blanked, so the newest utterance may still have its sound.
    settled = sorted(ends)[-2]
    assert not kept[: int((settled - 0.1) * 16_000)].any()
    draft = whole.events(whole.finished(["recover", "--json", "--engine", "pocketsphinx"], home)[0])[0]
    assert len(draft["note"]["findings"]) >= 1
    with (
        open_store(load_settings({"SPOKEN_EXAM_HOME": str(home)})) as store,
        pytest.raises(StoreError, match="has no sound"),
    ):
        store.sound(int(draft["draft"]))
