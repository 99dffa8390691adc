"""`dictate live`: speak while examining; see what was heard and what is still missing; keep it as a draft."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer


def register(app: typer.Typer) -> None:
    app.command()(live)


def live(
    device: Annotated[str | None, typer.Option(help="Microphone: its number or a part of its name.")] = None,
    list_devices: Annotated[bool, typer.Option("--list-devices", help="List the microphones and stop.")] = False,
    from_file: Annotated[
        Path | None,
        typer.Option("--from", metavar="FILE", help="Replay a recording as if it were spoken now."),
    ] = None,
    speed: Annotated[
        float, typer.Option(help="With --from: so many times the speed of life; 0 as fast as it goes.")
    ] = 1.0,
    patient: Annotated[str, typer.Option(help="Reference of the patient, kept encrypted with the draft.")] = "",
    clinician: Annotated[str, typer.Option(help="Who examines (user name at the desk).")] = "",
    complaint: Annotated[
        list[str] | None,
        typer.Option(help='Add the pieces for a complaint, e.g. "foot drop". Can be repeated.'),
    ] = None,
    keep_audio: Annotated[
        bool | None,
        typer.Option("--keep-audio/--no-keep-audio", help="Keep the sound, or drop it once it is read."),
    ] = None,
    board: Annotated[bool, typer.Option("--board/--no-board", help="Show the room board as a page.")] = True,
    board_port: Annotated[int, typer.Option(help="Port of the board; the next free one is taken.")] = 8020,
    on_network: Annotated[
        bool,
        typer.Option(
            "--on-network",
            help="Let other devices open the board (one-time code, TLS). Default: only this one.",
        ),
    ] = False,
    sounds: Annotated[
        Literal["off", "soft", "clear"] | None,
        typer.Option(help="Short tones: heard, which side?, not understood."),
    ] = None,
    speak: Annotated[
        bool, typer.Option("--speak", help='Answer "what is missing" aloud too (needs the speak extra).')
    ] = False,
    engine: Annotated[str | None, typer.Option(help="Recogniser; by default the best one installed.")] = None,
    model: Annotated[Path | None, typer.Option(help="Folder of a Vosk model.")] = None,
    json: Annotated[bool, typer.Option("--json", help="One JSON object a line instead of the terminal view.")] = False,
) -> None:
    """Listen to an examination as it is spoken and show at once what was heard and what is missing.

    Sound goes to disk before it is recognised; nothing leaves this computer. Speak, or press P (pause),
    R (resume), M (what is missing), W (withdraw that), E twice (end of examination).
    """
    if list_devices:
        _list_microphones(json)
        return
    from dictate.engines.choose import choose_engine
    from dictate.live.board.server import BoardPlan
    from dictate.live.start import Wishes, reading, take
    from dictate.settings import load_settings

    settings = load_settings()
    wishes = Wishes(
        device=device,
        file=from_file,
        speed=speed,
        complaint=tuple(complaint or ()),
        keep_sound=settings.live.keep_audio if keep_audio is None else keep_audio,
        board=BoardPlan(board_port, on_network) if board else None,
        volume=sounds or settings.live.sounds,
        speak=speak,
        patient_ref=patient,
        clinician=clinician,
        output="json" if json else "terminal",
    )

    def tell(line: str) -> None:
        typer.echo(line, err=json)

    tell(settings.live.consent)
    state, draft = take(wishes, settings, lambda: choose_engine(engine, model, settings), tell)
    if json:
        from json import dumps, loads

        from dictate.live.keep import final_note

        note = loads(final_note(state).model_dump_json(by_alias=True))
        typer.echo(dumps({"event": "kept", "draft": draft, "note": note}, ensure_ascii=False))
    else:
        from dictate.live.view import closing_lines

        for line in closing_lines(state, reading(settings).catalogue, draft):
            typer.echo(line)


def _list_microphones(as_json: bool) -> None:
    from dictate.audio.microphone import list_microphones

    names = list_microphones()
    if as_json:
        from json import dumps

        typer.echo(dumps(names, ensure_ascii=False))
    else:
        typer.echo("\n".join(names) or "No microphone was found.")
