"""`dictate read FILE...`: typed or transcribed text to notes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from grammar.models import Note

COMPLAINT_HELP = "A complaint that asks for added pieces, e.g. foot_drop; may be given several times."


def register(app: typer.Typer) -> None:
    """Add the `read` command."""

    @app.command()
    def read(
        files: list[str] = typer.Argument(..., metavar="FILE...", help="Text files; - is standard input."),
        as_json: bool = typer.Option(False, "--json", help="Print one JSON object a line."),
        complaint: list[str] = typer.Option([], "--complaint", help=COMPLAINT_HELP),
        out: Path | None = typer.Option(None, "--out", help="Write to this file instead of the terminal."),
        explain: bool = typer.Option(False, "--explain", help="Show rule, words and span of each finding."),
    ) -> None:
        """Turn text into a note: findings by station, what is not yet examined, queries, unread text."""
        from dictate.cli.shared import check_complaints, run_each
        from dictate.output import write_notes
        from dictate.settings import load_settings

        asked = check_complaints(complaint)
        own = load_settings().speech.phrases
        folders = (own,) if own is not None else ()

        def notes(name: str) -> Note:
            from dictate.reading import read_text
            from grammar import parse

            return parse(read_text(name), complaint=asked, folders=folders).note

        def pairs() -> Iterator[tuple[str, Note]]:
            yield from run_each(files, notes)

        write_notes(pairs(), as_json=as_json, out=out, explain=explain)
