"""The terminal view and its keys, on a real pseudo-terminal."""

import io
import os
import time

import pytest
from rich.console import Console

from dictate.live import terminal
from dictate.live.screen import JsonLines, Lines, Moment
from tests.dictate.live.pictures import BUSY, LONGEST, SUMMED


def drawn(view, width=110):
    console = Console(width=width, file=io.StringIO(), force_terminal=False)
    console.print(terminal.render(view, 0.5, 75.0, width))
    return console.file.getvalue()


def test_the_terminal_shows_what_the_board_shows():
    text = drawn(BUSY)
    for words in (
        "● Recording", "Arms", "1:15", "Arm drift", "LEFT", "pronator, abnormal",
        "finger nose is accurate on the", "Plantar response: which side?", "Under way: Finger to nose",
        "Cogwheel rigidity right only",
        "1 gap in Standing and walking", "P Pause", "M What is missing",
    ):  # fmt: skip
        assert words in text, words


def test_stations_elsewhere_say_how_many_items_are_open_as_the_board_does():
    text = drawn(BUSY, 200)
    elsewhere = [station for station in BUSY.stations if not station.here and station.open]
    assert elsewhere
    for station in elsewhere:
        assert f"{len(station.open)} open" in text, station.label


@pytest.mark.parametrize("view", [BUSY, LONGEST, SUMMED])
@pytest.mark.parametrize("width", [60, 80, 200])
def test_it_fits_the_width(view, width):
    assert max(len(line) for line in drawn(view, width).splitlines()) <= width


def test_the_end_lists_what_is_open_and_where_the_draft_is():
    text = drawn(SUMMED)
    assert "Examination kept as draft 12" in text
    assert "Not done: 21" in text
    assert "Draft for a licensed clinician" in text


def test_paused_is_told_by_a_sign_and_a_word_not_by_colour_alone():
    text = drawn(BUSY.model_copy(update={"phase": "paused", "recording": "Paused: nothing is kept"}))
    assert "■ Paused" in text
    assert "R Resume" in text


def test_plain_lines_say_each_question_once():
    out = io.StringIO()
    lines = Lines(out)
    for _ in range(3):
        lines.show(BUSY, Moment(61.0, 61.0))
    assert out.getvalue().count("Plantar response: which side?") == 1
    assert out.getvalue().splitlines()[0] == "1:01  Recording"


def test_json_lines_are_objects():
    import json

    out = io.StringIO()
    screen = JsonLines(out)
    screen.show(BUSY, Moment(1.0, 1.1))
    screen.meter(0.25, Moment(1.5, 1.6))
    first, second = (json.loads(line) for line in out.getvalue().splitlines())
    assert first["event"] == "view"
    assert first["view"]["latest"]["side"] == "left"
    assert second == {"event": "level", "level": 0.25, "elapsed_s": 1.5, "captured_s": 1.6}


def pseudo_terminal():
    """(master, slave) of a terminal; a host that offers none (a bare chroot) cannot run these tests."""
    import pty

    try:
        return pty.openpty()
    except OSError as error:
        pytest.skip(f"no pseudo terminal here: {error}")


@pytest.mark.parametrize(
    ("typed", "kinds"),
    [
        ("p", ["pause"]),
        ("M", ["missing"]),
        ("w", ["withdraw"]),
        ("e", []),
        ("ee", ["end"]),
        ("xz1", []),
        ("epe", ["pause", "end"]),
    ],
)
def test_keys_of_a_real_terminal(typed, kinds, monkeypatch):
    import sys

    master, slave = pseudo_terminal()
    monkeypatch.setattr(sys, "stdin", os.fdopen(slave, "r"))
    pressed = []
    with terminal.keyboard(pressed.append):
        for letter in typed:
            os.write(master, letter.encode())
            time.sleep(0.05)
        until = time.monotonic() + 10.0
        while len(pressed) < len(kinds) and time.monotonic() < until:
            time.sleep(0.02)
        time.sleep(0.1)
    assert [command.kind for command in pressed] == kinds
    sys.stdin.close()
    os.close(master)


def test_the_terminal_is_put_back_as_it_was(monkeypatch):
    import sys
    import termios

    master, slave = pseudo_terminal()
    monkeypatch.setattr(sys, "stdin", os.fdopen(slave, "r"))
    before = termios.tcgetattr(slave)
    with terminal.keyboard(lambda command: None):
        assert termios.tcgetattr(slave) != before
    assert termios.tcgetattr(slave) == before
    sys.stdin.close()
    os.close(master)


def test_without_a_terminal_there_are_no_keys_and_no_fault(monkeypatch):
    import sys

    monkeypatch.setattr(sys, "stdin", io.StringIO("eee"))
    pressed = []
    with terminal.keyboard(pressed.append):
        pass
    assert pressed == []


def test_the_first_press_of_the_end_key_asks_for_a_second():
    console = Console(width=100, file=io.StringIO(), force_terminal=True, color_system=None)
    view = terminal.Terminal(console)
    view.show(BUSY, Moment(1.0, 1.0))
    before = console.file.getvalue()
    view.arm()
    assert "Press E again" not in before
    assert "Press E again" in console.file.getvalue()
    view.close()
