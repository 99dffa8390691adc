"""`dictate recover`: restore examinations that a crash, a power cut or a full disk interrupted."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Annotated, Any

import typer


def register(app: typer.Typer) -> None:
    app.command()(recover)


def recover(
    folder: Annotated[
        Path | None, typer.Argument(help="Folder of one examination; without it, all interrupted ones.")
    ] = None,
    again: Annotated[
        bool,
        typer.Option("--again", help="Recognise all the kept sound again instead of trusting the journal."),
    ] = False,
    look: Annotated[
        bool, typer.Option("--look", help="Only show what would be restored; keep and remove nothing.")
    ] = False,
    engine: Annotated[str | None, typer.Option(help="Recogniser; by default the best one installed.")] = None,
    model: Annotated[Path | None, typer.Option(help="Folder of a Vosk model.")] = None,
    json: Annotated[bool, typer.Option("--json", help="One JSON object for each restored examination.")] = False,
) -> None:
    """Restore sound and draft of interrupted live examinations.

    At most the last second of sound is missing after a power cut, nothing after the death of the program
    alone.
    """
    from dictate.engines.choose import choose_engine
    from dictate.live import start
    from dictate.live.ears import Ears
    from dictate.settings import load_settings
    from dictate.storage import open_store

    settings = load_settings()
    read = start.reading(settings)
    found = start.interrupted(settings, folder)
    if not found:
        typer.echo("[]" if json else "No interrupted examination was found.")
        return
    ears = Ears(lambda: choose_engine(engine, model, settings), settings.sound)
    with contextlib.ExitStack() as open_things:
        store = None if look else open_things.enter_context(open_store(settings))
        for home in found:
            try:
                _show(start.restore_one(read, home, ears, store, again=again), json)
            finally:
                home.unlock()
    ears.close()


def _show(restored: Any, as_json: bool) -> None:
    from json import dumps, loads

    from dictate.live.keep import final_note

    result, draft = restored
    if as_json:
        note = loads(final_note(result.state).model_dump_json(by_alias=True))
        typer.echo(dumps({"draft": draft, "sound_s": result.sound_s, "torn": result.torn, "note": note}))
        return
    typer.echo(
        (f"Restored as draft {draft}: " if draft else "Could be restored: ")
        + f"{result.sound_s:.1f} s of sound, {len(result.state.note.findings)} findings"
        + (f", {len(result.read_anew)} utterances read from the sound" if result.read_anew else "")
        + (f", {result.torn} torn journal line(s) left out" if result.torn else "")
        + "."
    )
