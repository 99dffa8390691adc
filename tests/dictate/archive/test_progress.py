"""The progress display: a bar on a terminal, plain lines elsewhere, with rate and time left."""

from __future__ import annotations

import io
import time

from rich.console import Console

from dictate.archive import progress
from dictate.archive.inputs import InputNote
from dictate.archive.parts import Part
from dictate.archive.progress import show

PART = Part(0, (InputNote(position=0, note_id="a", units=30), InputNote(position=1, note_id="b", units=20)), "f")


def test_a_bar_on_a_terminal() -> None:
    screen = io.StringIO()
    with show(100, Console(file=screen, force_terminal=True, width=120)) as bar:
        bar.kept(PART)
        bar.read(50, notes=9, rejects=1)
    assert "9 notes, 1 rejected" in screen.getvalue()
    assert "100%" in screen.getvalue()


def test_plain_lines_when_piped_and_not_too_many() -> None:
    screen = io.StringIO()
    with show(100, Console(file=screen, width=120)) as bar:
        bar.kept(PART)
        bar.read(25, notes=9, rejects=1)
        assert screen.getvalue() == ""
        bar.said -= progress.PLAIN_EVERY_S + 1
        bar.started = time.monotonic() - 60
        bar.tick()
    assert screen.getvalue().startswith("75 %: 9 notes, 1 rejected, 0.2 a second, about 1 min left\n")


def test_time_left_comes_from_what_was_read_now_not_from_what_was_kept() -> None:
    with show(100, Console(file=io.StringIO())) as bar:
        bar.kept(PART)
        assert bar.remaining_s() is None
        bar.read(10, notes=1, rejects=0)
        bar.started = time.monotonic() - 10
        assert 39 < (bar.remaining_s() or 0) < 41
