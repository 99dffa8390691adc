"""A desk running as its own program, as a clinic runs it, and a browser for it."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import numpy as np
import pytest
import soundfile

from dictate.desk.accounts import People
from dictate.settings import StoreSettings
from dictate.storage import open_store
from tests.dictate.desk.conftest import PASSWORD, PEOPLE

ROOT = Path(__file__).parents[3]
CHROMIUM = Path("/usr/bin/chromium")


@dataclass
class RunningDesk:
    """A desk program with its own home folder."""

    home: Path
    url: str
    process: subprocess.Popen[bytes]

    def kill(self) -> None:
        """End it at once, as a power cut would."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(30)


def command(home: Path, *words: str, text: str = "") -> subprocess.CompletedProcess[str]:
    """Run `dictate ...` with this home folder."""
    return subprocess.run(
        [sys.executable, "-m", "dictate", *words],
        input=text,
        capture_output=True,
        text=True,
        cwd=ROOT,
        env=environment(home),
        timeout=500,
        check=False,
    )


def environment(home: Path) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("SPOKEN_EXAM_")}
    return {**kept, "SPOKEN_EXAM_HOME": str(home)}


def settings_of(home: Path) -> StoreSettings:
    """The store in a home folder."""
    return StoreSettings(url=f"sqlite:///{home / 'data' / 'drafts.sqlite3'}", key_file=home / "store.key")


def add_people(home: Path) -> None:
    """One account of every role; the first through the command line."""
    (first, (name, role)), *others = PEOPLE.items()
    done = command(home, "users", "add", first, "--name", name, "--role", role, text=PASSWORD + "\n")
    assert done.returncode == 0, done.stderr
    with open_store(settings_of(home), say=lambda text: None) as store:
        for username, (name, role) in others:
            People(store).add(username, name, role, PASSWORD, by="test")


@contextmanager
def running_desk(home: Path) -> Iterator[RunningDesk]:
    """`dictate desk` on a free port; ends when the block ends."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with (home / "desk.log").open("ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "dictate", "desk", "--port", str(port)],
            stdout=log, stderr=log, cwd=ROOT, env=environment(home),
        )  # fmt: skip
    desk = RunningDesk(home, f"http://127.0.0.1:{port}", process)
    try:
        deadline = time.monotonic() + 90
        while True:
            try:
                httpx.get(desk.url + "/sign-in")
                break
            except httpx.TransportError:
                if process.poll() is not None or time.monotonic() > deadline:
                    raise AssertionError((home / "desk.log").read_text()) from None
                time.sleep(0.1)
        yield desk
    finally:
        if process.poll() is None:
            process.terminate()
            process.wait(30)


def end_of_sample(target: Path, seconds: float, *, pad_s: float = 0.0) -> Path:
    """The end of the sample visit as a 16 kHz WAV file, with silence before and after it."""
    samples, rate = soundfile.read(ROOT / "samples" / "live_visit.ogg", dtype="int16")
    quiet = np.zeros(int(pad_s * rate), dtype=np.int16)
    stretch = samples[-int(seconds * rate) :]
    soundfile.write(target, np.concatenate([quiet, stretch, quiet]), rate, subtype="PCM_16")
    return target


def axe_source() -> str:
    """The source of axe-core (npm)."""
    place = ROOT / "tests" / "tools" / "page" / "node_modules" / "axe-core" / "axe.min.js"
    if not place.is_file():
        pytest.skip("axe-core is not installed: run npm ci in tests/tools/page")
    return place.read_text(encoding="utf-8")
