"""Runs the desk: on this computer only, or on the network with TLS and an explicit option."""

from __future__ import annotations

import ipaddress
import ssl
import threading
from datetime import timedelta
from pathlib import Path

from dictate.clinic import get_ready
from dictate.desk.app import LOOPBACK, create_app
from dictate.errors import DeskError, DictateError
from dictate.storage import Store

SWEEP_S = 3600.0


def check_place(host: str, *, network: bool, certificate: Path | None, key: Path | None) -> bool:
    """Whether TLS is used; DeskError when the address would carry clinical data unprotected."""
    tls = certificate is not None and key is not None
    if (certificate is None) != (key is None):
        raise DeskError("TLS needs both --certificate and --key.")
    if not _is_loopback(host):
        if not network:
            raise DeskError(
                f"{host} is reachable from other computers; add --network if that is meant. Without "
                f"it the desk "
                "serves this computer only."
            )
        if not tls:
            raise DeskError("On a network the desk needs TLS: give --certificate FILE and --key FILE.")
    if certificate is not None and key is not None:
        try:
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key)
        except (OSError, ssl.SSLError) as error:
            raise DeskError(
                f"The certificate {certificate} and key {key} cannot be used ({error}); give PEM "
                f"files that belong "
                "together."
            ) from error
    return tls


def serve(
    store: Store,
    *,
    host: str = "127.0.0.1",
    port: int = 8040,
    names: tuple[str, ...] = (),
    network: bool = False,
    certificate: Path | None = None,
    key: Path | None = None,
    idle_minutes: int = 15,
) -> None:
    """Serve until interrupted; deletes due sound at the start and every hour."""
    tls = check_place(host, network=network, certificate=certificate, key=key)
    try:
        import uvicorn
    except ImportError as error:
        raise DeskError("The review desk needs its extra: pip install 'spoken-exam[desk]'.") from error
    own = () if host in ("0.0.0.0", "::") else (f"[{host}]" if ":" in host else host,)
    app = create_app(store, hosts=(*LOOPBACK, *own, *names), tls=tls, idle=timedelta(minutes=idle_minutes))
    done = threading.Event()
    sweeper = threading.Thread(target=_sweep, args=(store, done), daemon=True)
    sweeper.start()
    threading.Thread(target=get_ready, daemon=True).start()  # the first preview need not wait for the grammar
    config = uvicorn.Config(
        app,
        host=host,
        port=port,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,  # an address is what the connection says, or throttling could be talked around
        ssl_certfile=str(certificate) if certificate else None,
        ssl_keyfile=str(key) if key else None,
        timeout_graceful_shutdown=3,
    )
    try:
        uvicorn.Server(config).run()
    finally:
        done.set()


def _sweep(store: Store, done: threading.Event) -> None:
    while not done.is_set():
        try:
            store.delete_due_sound()
        except DictateError as error:
            print(f"dictate: {error}", flush=True)
        done.wait(SWEEP_S)


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
