"""What the live tests share: a served board, a real browser, and the accessibility checker."""

import itertools
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dictate.engines.choose import choose_engine
from dictate.settings import load_settings
from tests.dictate.live import whole

ROOT = Path(__file__).parents[3]


@pytest.fixture
def board():
    """A running board on the loopback address; `board.pressed` are its keys."""
    from dictate.live.board.server import Board, BoardPlan

    pressed = []
    served = Board(BoardPlan(port=0), pressed.append, lambda code: None)
    served.pressed = pressed
    yield served
    served.close()


@pytest.fixture(scope="session")
def chromium():
    """A real browser; skipped where none is installed."""
    path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    api = pytest.importorskip("playwright.sync_api")
    if path is None:
        pytest.skip("no chromium on this machine")
    with api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def axe():
    """The source of axe-core (npm)."""
    place = ROOT / "tests" / "tools" / "page" / "node_modules" / "axe-core" / "axe.min.js"
    if not place.is_file():
        pytest.skip("axe-core is not installed: run npm ci in tests/tools/page")
    return place.read_text("utf-8")


@pytest.fixture(scope="session")
def say(tmp_path_factory):
    """`say(text)` gives a synthetic voice's sound (16 kHz int16); skipped without flite."""
    if shutil.which("flite") is None:
        pytest.skip("no flite on this machine")
    folder = tmp_path_factory.mktemp("voice")
    known = {}

    def spoken(text):
        if text not in known:
            path = folder / f"{len(known)}.wav"
            subprocess.run(["flite", "-voice", "slt", "-t", text, "-o", str(path)], check=True, capture_output=True)
            known[text], rate = soundfile.read(path, dtype="int16")
            assert rate == 16_000
        return known[text]

    return spoken


@pytest.fixture(scope="session")
def dictation(say):
    """`dictation(lines)` is a recording of the lines with pauses between them, over a little room noise."""

    def recorded(lines, pause_s=0.9):
        pause = np.zeros(int(16_000 * pause_s), np.int16)
        pieces = [pause, *itertools.chain.from_iterable((say(line), pause) for line in lines)]
        sound = np.concatenate(pieces)
        return (sound + np.random.default_rng(1).normal(0, 8, len(sound))).astype(np.int16)

    return recorded


@pytest.fixture(scope="session")
def exam(dictation, tmp_path_factory):
    """A recorded examination and what `dictate hear` makes of it."""
    path = tmp_path_factory.mktemp("exam") / "exam.wav"
    soundfile.write(path, dictation(whole.LINES), 16_000)
    return path


@pytest.fixture(scope="session")
def home(tmp_path_factory):
    """A home whose language model is built already (so that programs start quickly)."""
    path = tmp_path_factory.mktemp("home")
    choose_engine("pocketsphinx", None, load_settings({"SPOKEN_EXAM_HOME": str(path)})).close()
    return path
