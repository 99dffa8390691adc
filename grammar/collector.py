"""Python's collector of cycles waits while a text is read."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def uncollected() -> Iterator[None]:
    """Let it wait. Reading makes no cycles, and the collector would walk over all that was read so far again and
    again: a sixth of the time of a long text. Afterwards it runs if it ran before."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()
