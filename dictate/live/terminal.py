"""The examination in the terminal: the board's picture for those who stay at the keyboard, and its keys."""

from __future__ import annotations

import contextlib
import select
import sys
import threading
import time
from collections.abc import Callable, Iterator

from rich.columns import Columns
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from dictate.live.commands import KEYS, Command, command_of_key
from dictate.live.screen import Moment
from dictate.live.view import FindingLine, View

END_ARMED_S = 4.0
_LAMP = {"listening": ("●", "bold red"), "paused": ("■", "bold yellow"), "ended": ("○", "dim")}
_SIDE_STYLE = {
    "right": "black on bright_cyan",
    "left": "black on bright_magenta",
    "both": "black on bright_green",
}


class Terminal:
    """Draws with rich; nothing is drawn between pictures, so it costs next to nothing."""

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or Console()
        self._view: View | None = None
        self._level = 0.0
        self._elapsed_s = 0.0
        self._armed_until = 0.0
        self._live = Live(console=self._console, auto_refresh=False, transient=False)
        self._live.start()

    def show(self, view: View, moment: Moment) -> None:
        self._view, self._elapsed_s = view, moment.elapsed_s
        self._draw()

    def meter(self, level: float, moment: Moment) -> None:
        self._level, self._elapsed_s = level, moment.elapsed_s
        self._draw()

    def arm(self) -> None:
        """The end key was pressed once: ask for the second press for a while."""
        self._armed_until = time.monotonic() + END_ARMED_S
        self._draw()

    def close(self) -> None:
        self._draw()
        self._live.stop()

    def _draw(self) -> None:
        if self._view is None:
            return
        picture = render(self._view, self._level, self._elapsed_s, self._console.width)
        if time.monotonic() < self._armed_until:
            picture = Group(Text("Press E again to end the examination.", style="bold yellow"), picture)
        self._live.update(picture, refresh=True)


def render(view: View, level: float, elapsed_s: float, width: int = 100) -> Group:
    """The picture as rich text."""
    parts: list[RenderableType] = [_head(view, level, elapsed_s)]
    parts += [Text(f" {notice} ", style="black on yellow") for notice in view.notices]
    if view.summary is not None:
        return Group(*parts, *_summary(view))
    parts += [
        Text(),
        _finding(view.latest),
        Text(f"… {view.partial}" if view.partial else "", style="italic"),
    ]
    parts += [Text("  " + _plain(line), style="dim") for line in view.earlier]
    parts += [Text(f"? {words}", style="yellow") for words in view.queries[:3]]
    parts += [Text(f"· {words}") for words in view.hints]
    if view.under_way:
        parts.append(Text("Under way: " + ", ".join(view.under_way)))
    if view.unread_count:
        parts.append(Text(f"Not understood ({view.unread_count}): {view.unread[0]}", style="dim"))
    parts.append(_open(view, width))
    keys = "   ".join(
        f"{letter.upper()} {label}"
        for kind, (letter, label, _) in KEYS.items()
        if kind != ("pause" if view.phase == "paused" else "resume")
    )
    parts.append(Text(keys, style="dim"))
    return Group(*parts)


def _head(view: View, level: float, elapsed_s: float) -> Table:
    head = Table.grid(expand=True)
    head.add_column(ratio=2)
    head.add_column(ratio=2, justify="center")
    head.add_column(ratio=2, justify="right")
    lamp, style = _LAMP[view.phase]
    bar = "▮" * round(level * 12)
    head.add_row(
        Text(f"{lamp} {view.recording}", style=style),
        Text(view.station or "before the first station", style="bold"),
        Text(f"{bar:▯<12} {int(elapsed_s) // 60}:{int(elapsed_s) % 60:02d}"),
    )
    return head


def _finding(line: FindingLine | None) -> Text:
    if line is None:
        return Text("Say the first finding", style="bold")
    text = Text(line.label + "  ", style="bold")
    if line.side_word:
        text.append(f" {line.side_word} ", style=_SIDE_STYLE.get(line.side, "black on yellow"))
    text.append(f"  {line.result}" + ("  (heard weakly)" if line.weak else ""))
    text.append(f"   “{line.said}”", style="dim")
    return text


def _plain(line: FindingLine) -> str:
    return " · ".join(word for word in (line.label, line.side_word, line.result) if word)


def _open(view: View, width: int) -> Columns:
    panels = []
    for station in view.stations:
        if station.here or view.missing_asked:
            words = [" ".join(w for w in (slot.label, slot.sides, slot.remark) if w) for slot in station.open]
            body = "\n".join(words) or "complete"
        else:
            body = f"{len(station.open)} open" if station.open else "complete"
        style = "bold" if station.here else "dim"
        panels.append(Panel(body, title=station.label, border_style=style))
    return Columns(panels, equal=False, expand=False, width=max(24, width // 2 - 4) if width < 100 else None)


def _summary(view: View) -> list[Text]:
    assert view.summary is not None
    lines = [Text(), Text(view.summary.title, style="bold")]
    for title, words in (
        ("Not done", view.summary.omissions),
        ("Questions", view.summary.queries),
        ("Not understood", view.summary.unread),
    ):
        lines.append(Text(f"{title}: {len(words)}", style="yellow" if words else "dim"))
        lines += [Text(f"  {word}") for word in words]
    return [*lines, Text(view.caution, style="dim")]


@contextlib.contextmanager
def keyboard(press: Callable[[Command], None], arm: Callable[[], None] = lambda: None) -> Iterator[None]:
    """Read single keys from the terminal while the block runs; ending takes the key twice (`arm` is told)."""
    if not sys.stdin.isatty():
        yield
        return
    try:
        import termios
        import tty
    except ImportError:  # no such terminals on this system: the board has the same keys
        yield
        return
    file = sys.stdin.fileno()
    before = termios.tcgetattr(file)
    stop = threading.Event()
    thread = threading.Thread(target=_read_keys, args=(press, arm, stop), name="keys", daemon=True)
    try:
        tty.setcbreak(file)
        thread.start()
        yield
    finally:
        stop.set()
        thread.join(timeout=1)
        termios.tcsetattr(file, termios.TCSADRAIN, before)


def _read_keys(press: Callable[[Command], None], arm: Callable[[], None], stop: threading.Event) -> None:
    armed_until = 0.0
    while not stop.is_set():
        if not select.select([sys.stdin], [], [], 0.3)[0]:
            continue
        command = command_of_key(sys.stdin.read(1))
        if command is None:
            continue
        if command.kind == "end" and time.monotonic() > armed_until:
            armed_until = time.monotonic() + END_ARMED_S
            arm()
            continue
        press(command)
