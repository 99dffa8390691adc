"""The newest picture of the examination, for any number of open pages.

A page that is slow skips pictures; it never queues them. `show` and `meter` may be called from any thread.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator

QUIET_S = 15.0  # a comment line this often keeps the connection, and tells a page that the tool is alive


class Feed:
    """Holds the last message of each kind ("view", "meter") and wakes whoever waits for a newer one."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._latest: dict[str, tuple[int, str]] = {}
        self._count = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiters: set[asyncio.Event] = set()
        self._closed = False

    def publish(self, kind: str, data: str) -> None:
        """Replace the message of `kind` (one line of JSON) and wake the pages."""
        with self._lock:
            self._count += 1
            self._latest[kind] = (self._count, data)
        self._wake()

    def latest(self, kind: str) -> str | None:
        with self._lock:
            return self._latest[kind][1] if kind in self._latest else None

    def close(self) -> None:
        """Let every page's stream end."""
        self._closed = True
        self._wake()

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Say in which event loop the pages are served."""
        self._loop = loop

    def _wake(self) -> None:
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._set_all)

    def _set_all(self) -> None:
        for event in self._waiters:
            event.set()

    async def stream(self) -> AsyncIterator[str]:
        """Server-sent events: at once the newest of each kind, then every newer one."""
        event = asyncio.Event()
        self._waiters.add(event)
        sent = 0
        try:
            yield "retry: 1000\n\n"
            while True:
                closing = self._closed  # looked at before the last pictures are fetched, so that none is missed
                event.clear()
                with self._lock:
                    fresh = sorted((n, kind, data) for kind, (n, data) in self._latest.items() if n > sent)
                for n, kind, data in fresh:
                    sent = n
                    yield f"event: {kind}\ndata: {data}\n\n"
                if closing:
                    return
                if self._closed:
                    continue
                try:
                    await asyncio.wait_for(event.wait(), QUIET_S)
                except TimeoutError:
                    yield ": still here\n\n"
        finally:
            self._waiters.discard(event)
