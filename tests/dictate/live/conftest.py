"""What the live tests share: a served board, a real browser, and the accessibility checker."""

import os
import shutil
from pathlib import Path

import pytest

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
    """The source of axe-core (npm); `$AXE_CORE` or node_modules of this project."""
    for place in (os.environ.get("AXE_CORE"), ROOT / "node_modules" / "axe-core" / "axe.min.js"):
        if place and Path(place).is_file():
            return Path(place).read_text("utf-8")
    pytest.skip("axe-core is not installed (npm install --no-save axe-core)")
