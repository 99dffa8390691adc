"""`dictate doctor`: what works on this machine, and how to mend what does not."""

from __future__ import annotations

import json
from dataclasses import asdict

import typer


def register(app: typer.Typer) -> None:
    """Add the `doctor` command."""

    @app.command()
    def doctor(as_json: bool = typer.Option(False, "--json", help="Print JSON.")) -> None:
        """Say what works on this machine (engines, models, microphone, folders) and how to mend the rest.

        Exit code 1 when no recogniser works.
        """
        from dictate.checkup import examine

        checks = examine()
        if as_json:
            typer.echo(json.dumps([asdict(check) for check in checks]))
        else:
            for check in checks:
                typer.echo(f"{check.state:8} {check.name:16} {check.detail}")
                if check.mend:
                    typer.echo(f"{'':8} {'':16} -> {check.mend}")
        if not any(check.kind == "engine" and check.state == "works" for check in checks):
            raise typer.Exit(1)
