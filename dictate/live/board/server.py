"""Runs the board in a thread of its own: on the loopback address, or on the network with code and TLS."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import tempfile
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dictate.errors import SettingsError
from dictate.live.board.entry import Certificate, Door, make_certificate, own_addresses
from dictate.live.board.feed import Feed
from dictate.live.commands import Command

LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})


@dataclass(frozen=True, slots=True)
class BoardPlan:
    """Where and how the board is shown. `port` 0 takes any free one."""

    port: int = 8020
    on_network: bool = False


class Board:
    """A running board: `address` to open, `feed` to publish to."""

    def __init__(self, plan: BoardPlan, press: Callable[[Command], None], tell_code: Callable[[str], None]) -> None:
        try:
            import uvicorn

            from dictate.live.board.app import create_app
        except ImportError as error:
            raise SettingsError(
                "The room board needs the 'board' extra. Run: pip install 'spoken-exam[board]', "
                "or use the terminal view alone with --no-board."
            ) from error
        self.feed = Feed()
        self._folder = tempfile.TemporaryDirectory(prefix="board-")
        names = own_addresses() if plan.on_network else []
        hosts = LOOPBACK | {name.lower() for name in [*names, *([socket.gethostname()] if names else [])]}
        self.door = Door(plan.on_network, hosts, tell_code)
        self.certificate: Certificate | None = None
        if plan.on_network:
            self.certificate = make_certificate(Path(self._folder.name), sorted(hosts))
        self._socket = _listen("0.0.0.0" if plan.on_network else "127.0.0.1", plan.port)
        port = self._socket.getsockname()[1]
        host = names[0] if names else "127.0.0.1"
        self.address = f"{'https' if plan.on_network else 'http'}://{host}:{port}/"
        config = uvicorn.Config(
            create_app(self.feed, self.door, press),
            log_level="critical",
            access_log=False,
            lifespan="on",
            timeout_graceful_shutdown=1,
            ssl_certfile=str(self.certificate.cert) if self.certificate else None,
            ssl_keyfile=str(self.certificate.key) if self.certificate else None,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._serve, name="board", daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        async def serve() -> None:
            self.feed.attach(asyncio.get_running_loop())
            await self._server.serve(sockets=[self._socket])

        asyncio.run(serve())

    def close(self) -> None:
        """Tell the pages that it is over and stop; waits at most a few seconds."""
        self.feed.close()
        self._server.should_exit = True
        self._thread.join(timeout=4)
        with contextlib.suppress(OSError):
            self._socket.close()
        self._folder.cleanup()


def _listen(host: str, port: int) -> socket.socket:
    """A bound socket; when the wanted port is taken, the next free one of the following ten."""
    for candidate in (port,) if port == 0 else range(port, port + 10):
        sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            sock.bind((host, candidate))
            sock.listen(64)  # a browser that comes before the server is up waits, and is not refused
        except OSError:
            sock.close()
            continue
        return sock
    raise SettingsError(
        f"No free port for the board between {port} and {port + 9}. Choose another with --board-port, or "
        "use --no-board."
    )
