"""Shows how far an archive run is: a bar on a terminal, else a line every half minute; on stderr."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from rich.console import Console
from rich.progress import (
    BarColumn,
    Progress,
    SpinnerColumn,
    TaskProgressColumn,
    TextColumn,
    TimeRemainingColumn,
)

from dictate.archive.parts import Part

PLAIN_EVERY_S = 30.0


@dataclass(slots=True)
class Bar:
    """Counts of the run; `total` is the size of the input in files, bytes or rows."""

    total: int
    bar: Progress | None
    console: Console
    done: int = 0
    done_by_reading: int = 0
    notes: int = 0
    rejects: int = 0
    started: float = 0.0
    said: float = 0.0

    def kept(self, part: Part) -> None:
        """A part was there already."""
        self.done += part.units
        self.tick()

    def read(self, part_units: int, notes: int, rejects: int) -> None:
        """A part has been read and saved."""
        self.done += part_units
        self.done_by_reading += part_units
        self.notes += notes
        self.rejects += rejects
        self.tick()

    def rate(self) -> float:
        """Notes a second since the start."""
        return (self.notes + self.rejects) / max(time.monotonic() - self.started, 1e-6)

    def remaining_s(self) -> float | None:
        """Estimated seconds to the end, from the share of the input that was read in this run."""
        if not self.done_by_reading:
            return None
        return (self.total - self.done) * (time.monotonic() - self.started) / self.done_by_reading

    def tick(self) -> None:
        """Redraw."""
        text = f"{self.notes} notes, {self.rejects} rejected, {self.rate():.1f} a second"
        if self.bar is not None:
            self.bar.update(self.bar.task_ids[0], completed=min(self.done, self.total), description=text)
        elif time.monotonic() - self.said > PLAIN_EVERY_S:
            self.said = time.monotonic()
            left = self.remaining_s()
            end = "" if left is None else f", about {left / 60:.0f} min left"
            share = 100 * self.done / max(self.total, 1)
            self.console.print(f"{share:.0f} %: {text}{end}", highlight=False)


@contextmanager
def show(total: int, console: Console) -> Iterator[Bar]:
    """A running progress display on `console`."""
    now = time.monotonic()
    if not console.is_terminal:
        yield Bar(total, None, console, started=now, said=now)
        return
    columns = (
        SpinnerColumn(),
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console) as bar:
        bar.add_task("starting the workers", total=max(total, 1))
        yield Bar(total, bar, console, started=now, said=now)
