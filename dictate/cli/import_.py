"""`dictate import FILE...`: notes back from our JSON and FHIR exports."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from grammar.models import Note


def register(app: typer.Typer) -> None:
    """Add the `import` command."""

    @app.command("import")
    def import_(
        files: list[str] = typer.Argument(..., metavar="FILE...", help="JSON or FHIR exports; - is standard input."),
        as_json: bool = typer.Option(False, "--json", help="Print one JSON object a line."),
        out: Path | None = typer.Option(None, "--out", help="Write to this file instead of the terminal."),
    ) -> None:
        """Read notes back from exports; what was changed on the way is refused."""
        from dictate.exports.sources import read_examinations
        from dictate.exports.subject import require_signed
        from dictate.output import write_notes

        def pairs() -> Iterator[tuple[str, Note]]:
            for name in files:
                for subject in read_examinations(name):
                    require_signed(subject, allow_draft=True)
                    yield subject.examination_id, subject.note

        write_notes(pairs(), as_json=as_json, out=out, explain=False)
