"""The real program and a real browser: a spoken finding reaches the board, a key the program."""

import re
import signal
import threading

import pytest

from tests.dictate.live import whole

PICTURE_OF = """said => document.querySelector("#said").textContent.includes(said) &&
  ["item", "side", "result", "station"].map(id => document.getElementById(id).textContent)"""
"""In one look, because the next finding comes within a second."""


@pytest.fixture
def running(exam, home):
    """`dictate live` replaying at twice the speed of life, its board's address and the lines it prints."""
    process = whole.started(
        ["live", "--from", exam, "--speed", 2, "--engine", "pocketsphinx", "--json", "--board-port", 0], home
    )
    address = None
    for line in process.stderr:
        if found := re.match(r"Room board: (http\S+)", line):
            address = found[1]
            break
    assert address, "no board"
    lines = []
    reader = threading.Thread(target=lambda: lines.extend(process.stdout), daemon=True)
    reader.start()
    yield process, address, lines, reader
    process.kill()
    process.wait()


def test_spoken_findings_reach_the_board_and_keys_reach_the_program(running, chromium):
    process, address, lines, reader = running
    page = chromium.new_page(viewport={"width": 1280, "height": 720})
    page.goto(address)
    page.wait_for_selector("#recording-words:has-text('Recording')")
    seen = page.wait_for_function(PICTURE_OF, arg="right knee jerk two plus", timeout=60_000)
    page.keyboard.press("p")
    assert seen.json_value() == ["Tendon reflex, knee", "RIGHT", "2+, normal", "Couch"]
    page.wait_for_selector("body[data-phase=paused]", timeout=30_000)
    page.keyboard.press("r")
    page.wait_for_selector("body[data-phase=listening]", timeout=30_000)
    page.keyboard.press("w")
    page.keyboard.press("e")
    page.keyboard.press("e")
    page.wait_for_selector("#panel-title:has-text('Examination kept as draft')", timeout=60_000)
    assert "Romberg" not in page.inner_text("#columns section:first-child")
    assert page.inner_text("#recording-words") == "Examination ended"
    reader.join(timeout=60)
    assert process.wait(timeout=60) == 0
    kept = whole.events("".join(lines))[-1]
    assert kept["event"] == "kept"
    withdrawn = kept["note"]["withdrawn"]
    assert [finding["site"] for finding in withdrawn] in (["knee"], ["ankle"]), "one finding, by the key"
    assert page.inner_text("#panel-title") == f"Examination kept as draft {kept['draft']}"
    page.wait_for_timeout(5500)
    assert page.locator("#alarm").is_hidden(), "after the end a silent program is no trouble"
    page.close()


def test_ending_by_a_signal_shows_the_summary_too(running, chromium):
    process, address, _, _ = running
    page = chromium.new_page()
    page.goto(address)
    page.wait_for_selector("#recording-words:has-text('Recording')")
    process.send_signal(signal.SIGINT)
    page.wait_for_selector("#panel-title:has-text('Examination kept as draft')", timeout=60_000)
    page.close()
