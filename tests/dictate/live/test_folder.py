"""The folder of one examination: its own, locked while it runs, found again when it was interrupted."""

import subprocess
import sys
from datetime import datetime

import pytest

from dictate.errors import StoreError
from dictate.live import folder as folders
from dictate.live.journal import Journal
from dictate.live.recording import Recording


def begun(root, *, closed=False):
    home = folders.create(root)
    Recording(home.sound).close()
    log = Journal(home.journal)
    log.append("opened")
    if closed:
        log.append("closed")
    log.close()
    return home


def test_two_examinations_in_one_second_get_two_folders(tmp_path):
    assert len({folders.create(tmp_path).name for _ in range(3)}) == 3


def test_a_folder_that_is_there_already_is_never_taken_for_a_new_one(tmp_path, monkeypatch):
    class Standing(datetime):
        @classmethod
        def now(cls, tz=None):
            return cls(2026, 3, 2, 9, 30)

    monkeypatch.setattr(folders, "datetime", Standing)
    monkeypatch.setattr(folders, "SPARE_BYTES", 10)
    made = [folders.create(tmp_path) for _ in range(99)]
    assert len({home.name for home in made}) == 99
    with pytest.raises(StoreError, match="20260302-093000-99 is there already"):
        folders.create(tmp_path)


def test_a_folder_is_closed_to_other_users(tmp_path):
    assert folders.create(tmp_path).path.stat().st_mode & 0o077 == 0


def test_interrupted_ones_are_found_finished_and_running_ones_are_not(tmp_path):
    interrupted, finished, running = begun(tmp_path), begun(tmp_path, closed=True), begun(tmp_path)
    interrupted.unlock()
    finished.unlock()
    probe = (
        "import sys; from pathlib import Path; from dictate.live import folder;"
        "print([home.name for home in folder.unfinished(Path(sys.argv[1]))])"
    )
    found = subprocess.run([sys.executable, "-c", probe, str(tmp_path)], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == str([interrupted.name])
    running.unlock()


def test_the_room_set_aside_is_given_once(tmp_path):
    home = folders.create(tmp_path)
    assert home.spare.stat().st_size > 0
    assert home.give_spare()
    assert not home.give_spare()


def test_removing_leaves_nothing(tmp_path):
    home = begun(tmp_path)
    home.remove()
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_hold_folders_is_named(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="choose another folder"):
        folders.create(tmp_path / "file" / "live")
