"""A private PostgreSQL server for tests, and the stores that the tests of this folder run on."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest


def postgres_program(name: str) -> Path | None:
    """A program of the server: newest Debian folder first, then the search path."""
    for folder in sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: -float(p.parent.name)):
        if (folder / name).exists():
            return folder / name
    found = shutil.which(name)
    return Path(found) if found else None


@contextmanager
def postgres_server() -> Iterator[str]:
    """Run a server on a free loopback port in a folder of its own; gives the URL of an empty database."""
    initdb, server = postgres_program("initdb"), postgres_program("postgres")
    if initdb is None or server is None:
        pytest.skip("PostgreSQL is not installed on this machine (apt-get install postgresql)")
    folder = Path(tempfile.mkdtemp(prefix="pg-"))
    identity: dict[str, Any] = {}
    if os.geteuid() == 0:  # the server refuses to run as root
        who = pwd.getpwnam("nobody")
        os.chown(folder, who.pw_uid, who.pw_gid)
        identity = {"user": who.pw_uid, "group": who.pw_gid, "extra_groups": []}
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    data = folder / "data"
    setup = [
        str(initdb),
        "-D",
        str(data),
        "-A",
        "trust",
        "-U",
        "desk",
        "--no-sync",
        "-E",
        "UTF8",
        "--locale=C",
    ]
    subprocess.run(setup, check=True, capture_output=True, cwd=folder, **identity)
    options = ["-D", str(data), "-p", str(port), "-h", "127.0.0.1", "-k", str(folder), "-c", "fsync=off"]
    with (folder / "log").open("wb") as log:
        running = subprocess.Popen([str(server), *options], stdout=log, stderr=log, cwd=folder, **identity)
    try:
        wait_for_server(port, running, folder / "log")
        yield f"postgresql://desk@127.0.0.1:{port}/postgres"
    finally:
        running.terminate()
        running.wait(30)
        shutil.rmtree(folder, ignore_errors=True)


def wait_for_server(port: int, running: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + 60
    while True:
        try:
            psycopg.connect(f"host=127.0.0.1 port={port} user=desk dbname=postgres").close()
            return
        except psycopg.OperationalError:
            if running.poll() is not None or time.monotonic() > deadline:
                raise AssertionError(log.read_text(errors="replace")) from None
            time.sleep(0.1)


def fresh_database(server_url: str, name: str) -> str:
    """A new empty database on the server; returns its URL."""
    with psycopg.connect(server_url, autocommit=True) as connection:
        connection.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
        connection.execute(f'CREATE DATABASE "{name}"')
    return server_url.rsplit("/", 1)[0] + f"/{name}"
