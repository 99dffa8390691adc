"""The folder of one live examination: its recording, its journal, its lock and a little spare room.

    <home>/live/20261125-094210/sound.au         see recording.py
                                journal.jsonl    see journal.py
                                lock             held while the examination runs
                                spare            room given back when the disk fills up

The folder is the draft until the store has it, and is then removed: the store is encrypted, the folder
is only closed to other users. After a crash it is what `dictate recover` reads.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from filelock import FileLock, Timeout

from dictate.errors import StoreError
from dictate.live import journal

SPARE_BYTES = 8 * 1024 * 1024  # about four minutes of sound, and room for the journal


class LiveFolder:
    """Paths, lock and spare room of one examination."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.name = path.name
        self.sound = path / "sound.au"
        self.journal = path / "journal.jsonl"
        self.spare = path / "spare"
        self._lock = FileLock(path / "lock", mode=0o600)

    def lock(self) -> bool:
        """Take the folder for this process; False when a running program has it."""
        try:
            self._lock.acquire(timeout=0)
        except Timeout:
            return False
        return True

    def unlock(self) -> None:
        self._lock.release()

    def remove(self) -> None:
        """Delete everything in it, the sound first; for when the store has it all."""
        self.sound.unlink(missing_ok=True)
        self.unlock()
        shutil.rmtree(self.path, ignore_errors=True)

    def keep_spare(self) -> None:
        """Set aside room on the disk (at most a tenth of what is free)."""
        size = min(SPARE_BYTES, shutil.disk_usage(self.path).free // 10)
        with contextlib.suppress(OSError):
            self.spare.write_bytes(os.urandom(size))  # random: a compressing disk cannot fake it

    def give_spare(self) -> bool:
        """Free the room set aside; False when that was done before."""
        if not self.spare.exists():
            return False
        self.spare.unlink()
        return True


def create(root: Path) -> LiveFolder:
    """A new, locked folder under `root`, named after the local time and readable by its owner only."""
    try:
        root.mkdir(parents=True, exist_ok=True)
        stamp = datetime.now().strftime("%Y%m%d-%H%M%S")
        for suffix in ("", *(f"-{n}" for n in range(2, 100))):
            path = root / (stamp + suffix)
            with contextlib.suppress(FileExistsError):
                path.mkdir(mode=0o700)
                break
        else:
            raise StoreError(f"{path} is there already, as are all names before it; move the folders of {root} away.")
    except OSError as error:
        raise StoreError(
            f"No folder for the examination can be made in {root} ({error.strerror}). Free some space, or "
            "choose another folder with SPOKEN_EXAM_HOME."
        ) from error
    folder = LiveFolder(path)
    folder.lock()
    folder.keep_spare()
    return folder


def unfinished(root: Path) -> Iterator[LiveFolder]:
    """Folders of examinations neither closed nor running, oldest first, each locked for the caller."""
    if not root.is_dir():
        return
    for path in sorted(path for path in root.iterdir() if path.is_dir()):
        folder = LiveFolder(path)
        if not folder.lock():
            continue
        if folder.sound.exists() and not journal.read(folder.journal).closed:
            yield folder
        else:
            folder.unlock()
