"""Makes the README's picture of the room board: the sample visit, replayed and shown in a real browser.

python tests/tools/make_board_picture.py [samples/pictures/board.png]
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

ROOT = Path(__file__).parents[2]
SHOWN = "tone increased in the left arm"


def main() -> None:
    target = Path(sys.argv[1] if len(sys.argv) > 1 else ROOT / "samples" / "pictures" / "board.png")
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as home:
        program = subprocess.Popen(
            [sys.executable, "-m", "dictate", "live", "--from", "samples/live_visit.ogg", "--board-port", "0",
             "--engine", "pocketsphinx", "--complaint", "weak legs"],
            cwd=ROOT, env={**os.environ, "SPOKEN_EXAM_HOME": home, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        address = next(found[1] for line in program.stdout if (found := re.match(r"Room board: (\S+)", line)))
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1280, "height": 720})
            page.goto(address)
            page.wait_for_selector(f"#said:has-text('{SHOWN}')", timeout=240_000)
            page.wait_for_selector("#alarm", state="hidden", timeout=60_000)
            page.screenshot(path=target)
            browser.close()
        program.kill()
        program.wait()
    print(target)


if __name__ == "__main__":
    main()
