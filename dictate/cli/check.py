"""`dictate check`: all cross-file checks of the grammar's data, a clinic's own folder included."""

from __future__ import annotations

import json
from pathlib import Path

import typer


def register(app: typer.Typer) -> None:
    """Add the `check` command."""

    @app.command()
    def check(
        folder: list[Path] = typer.Option(
            [], "--folder", help="A clinic's own data folder to check with the built-in data; repeatable."
        ),
        as_json: bool = typer.Option(False, "--json", help="Print one JSON object."),
    ) -> None:
        """Check the grammar's data: files, names, phrases that nothing reaches or that take each other's words.

        Exit code 1 when there is a fault; every fault names its file, its entry and the mend.
        """
        from dictate.errors import InputError
        from grammar.checks import check_all

        for path in folder:
            if not path.is_dir():
                raise InputError(f"Data folder '{path}' not found. Give a folder that holds phrases/ or protocols/.")
        found = check_all(tuple(path.resolve() for path in folder))
        if as_json:
            rows = [
                {"kind": one.kind, "file": one.fault.file, "entry": one.fault.entry,
                 "problem": one.fault.problem, "mend": one.fault.mend}
                for one in found
            ]  # fmt: skip
            typer.echo(json.dumps({"faults": rows}))
        else:
            for one in found:
                typer.echo(str(one))
            typer.echo(f"{len(found)} fault{'' if len(found) == 1 else 's'} in the grammar data.")
        if found:
            raise typer.Exit(1)
