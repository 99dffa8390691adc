"""Tells open pages that a draft changed, and who else has it open: one server-sent event stream a page.

A save through this server wakes the streams at once; a change by another program (the command line, a second
server on the same database) is noticed by looking at the revision every two seconds.
"""

from __future__ import annotations

import asyncio
import json
import threading
from collections import Counter, defaultdict
from collections.abc import AsyncIterator, Callable

LOOK_EVERY_S = 2.0
STILL_THERE_S = 15.0


class Feed:
    """The streams of one server."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: dict[int, set[tuple[asyncio.AbstractEventLoop, asyncio.Event]]] = defaultdict(set)
        self._open: dict[int, Counter[str]] = defaultdict(Counter)

    def tell(self, number: int) -> None:
        """Wake the streams of a draft; callable from any thread."""
        with self._lock:
            waiting = tuple(self._waiting.get(number, ()))
        for loop, event in waiting:
            loop.call_soon_threadsafe(event.set)

    def others(self, number: int, name: str) -> list[str]:
        """Who else has the draft open."""
        with self._lock:
            return sorted(other for other, count in self._open[number].items() if count > 0 and other != name)

    async def stream(
        self, number: int, name: str, look: Callable[[], tuple[int, str]], alive: Callable[[], bool]
    ) -> AsyncIterator[bytes]:
        """Events of a draft for one page: `look` gives revision and state; ends when `alive` says no."""
        loop, event = asyncio.get_running_loop(), asyncio.Event()
        with self._lock:
            self._waiting[number].add((loop, event))
            self._open[number][name] += 1
        self.tell(number)
        last: tuple[object, ...] = ()
        quiet = 0.0
        try:
            while await asyncio.to_thread(alive):
                revision, state = await asyncio.to_thread(look)
                now = (revision, state, tuple(self.others(number, name)))
                if now != last:
                    facts = {"revision": revision, "state": state, "others": now[2]}
                    yield f"data: {json.dumps(facts)}\n\n".encode()
                    last, quiet = now, 0.0
                elif quiet >= STILL_THERE_S:
                    yield b": still there\n\n"
                    quiet = 0.0
                try:
                    await asyncio.wait_for(event.wait(), LOOK_EVERY_S)
                except TimeoutError:
                    quiet += LOOK_EVERY_S
                event.clear()
        finally:
            with self._lock:
                self._waiting[number].discard((loop, event))
                self._open[number][name] -= 1
            self.tell(number)
