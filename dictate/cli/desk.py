"""`dictate desk`: the review desk in the browser."""

from __future__ import annotations

import sys
from pathlib import Path

import typer


def register(app: typer.Typer) -> None:
    """Add the `desk` command."""

    @app.command()
    def desk(
        host: str = typer.Option("127.0.0.1", "--host", help="Address to serve on; this computer only by default."),
        port: int = typer.Option(8040, "--port", min=1, max=65535, help="Port to serve on."),
        network: bool = typer.Option(
            False, "--network", help="Allow an address that other computers reach (needs TLS)."
        ),
        certificate: Path | None = typer.Option(None, "--certificate", help="PEM file of the TLS certificate."),
        key: Path | None = typer.Option(None, "--key", help="PEM file of the certificate's key."),
        name: list[str] = typer.Option([], "--name", help="A host name under which browsers reach the desk."),
        idle: int = typer.Option(
            15, "--idle", min=1, max=240, help="Minutes without use until one must sign in again."
        ),
    ) -> None:
        """Serve the review desk: check drafts against their sound, ask back, sign, export."""
        from dictate.desk.accounts import People
        from dictate.errors import DeskError
        from dictate.settings import load_settings
        from dictate.storage import open_store

        try:
            from dictate.desk.serve import check_place, serve
        except ImportError as error:
            raise DeskError("The review desk needs its extra: pip install 'spoken-exam[desk]'.") from error
        check_place(host, network=network, certificate=certificate, key=key)
        with open_store(load_settings()) as store:
            if not People(store).all():
                raise DeskError(
                    "Nobody could sign in yet: make the first account with "
                    "`dictate users add NAME --name 'Full Name' --role administrator`."
                )
            scheme = "https" if certificate else "http"
            print(
                f"The desk is at {scheme}://{name[0] if name else host}:{port}/ (Ctrl-C stops it).",
                file=sys.stderr,
            )
            serve(
                store,
                host=host,
                port=port,
                names=tuple(name),
                network=network,
                certificate=certificate,
                key=key,
                idle_minutes=idle,
            )
