"""`dictate hear FILE...`: recordings to notes."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from dictate.hearing import Progress
    from dictate.settings import Settings
    from dictate.storage import Store
    from grammar.models import Note

LONG_S = 20.0


def register(app: typer.Typer) -> None:
    """Add the `hear` command."""
    from dictate.cli.read import COMPLAINT_HELP

    @app.command()
    def hear(
        files: list[str] = typer.Argument(
            ..., metavar="FILE...", help="Recordings: wav, flac, ogg, mp3; any rate and channels."
        ),
        as_json: bool = typer.Option(False, "--json", help="Print one JSON object a line."),
        complaint: list[str] = typer.Option([], "--complaint", help=COMPLAINT_HELP),
        out: Path | None = typer.Option(None, "--out", help="Write to this file instead of the terminal."),
        explain: bool = typer.Option(False, "--explain", help="Show rule, words and span of each finding."),
        engine: str | None = typer.Option(None, "--engine", help="fused, pocketsphinx, two-ears or vosk."),
        model: Path | None = typer.Option(None, "--model", help="Folder of a Vosk model."),
        keep: bool = typer.Option(False, "--keep", help="Keep each note with its sound as a draft for the desk."),
        patient: str = typer.Option("", "--patient", help="With --keep: reference of the patient."),
        clinician: str = typer.Option("", "--clinician", help="With --keep: user name at the desk."),
        voice: str | None = typer.Option(None, "--voice", help="A learnt voice (`dictate voice learn`)."),
    ) -> None:
        """Hear recordings and print their notes: findings, what is not yet examined, queries, unread text."""
        from dictate.cli.shared import check_complaints, run_each
        from dictate.engines.choose import choose_engine
        from dictate.hearing import hear_file
        from dictate.output import write_notes
        from dictate.settings import load_settings

        settings = load_settings()
        if voice is not None:
            speech = settings.speech.model_copy(update={"voice": voice})
            settings = settings.model_copy(update={"speech": speech})
        asked = check_complaints(complaint)
        store = _open_store(settings) if keep else None
        ear = choose_engine(engine, model, settings)

        def note(name: str) -> Note:
            with _progress(name) as progress:
                heard = hear_file(name, engine=ear, settings=settings, complaint=asked, progress=progress)
            if not heard.words:
                print(f"dictate: no speech was heard in {name} ({heard.duration_s:.0f} s).", file=sys.stderr)
            if store is not None:
                number = store.keep_examination(
                    heard.note,
                    heard.words,
                    audio=Path(name),
                    patient_ref=patient,
                    clinician=clinician,
                    device=Path(name).name,
                )
                print(f"dictate: {name} was kept as draft {number}.", file=sys.stderr)
            return heard.note

        def pairs() -> Iterator[tuple[str, Note]]:
            yield from run_each(files, note)

        try:
            write_notes(pairs(), as_json=as_json, out=out, explain=explain)
        finally:
            ear.close()
            if store is not None:
                store.close()


def _open_store(settings: Settings) -> Store:
    """Opened before anything is heard: a missing passphrase is found out at once."""
    from dictate.storage import open_store

    return open_store(settings)


@contextmanager
def _progress(name: str) -> Iterator[Progress | None]:
    """A bar on the terminal for a long recording, nothing when standard error is piped."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f}%"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bar:
        task = bar.add_task(f"hearing {Path(name).name}", total=None)

        def move(done_s: float, total_s: float) -> None:
            if total_s >= LONG_S:
                bar.update(task, completed=done_s, total=total_s)

        yield move
