"""`dictate voice`: learn how one speaker says the hardest words."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from dictate.settings import Settings
    from dictate.voice import Reading


def register(app: typer.Typer) -> None:
    """Add the `voice` group."""
    group = typer.Typer(help="Learn a speaker's voice from two minutes of read sentences.", no_args_is_help=True)

    @group.command("sentences")
    def show_sentences() -> None:
        """Print the sentences to read, one a line."""
        from dictate.voice import sentences

        for sentence in sentences():
            typer.echo(sentence)

    @group.command("learn")
    def learn_voice(
        name: str = typer.Argument(..., help="A short name, lower case."),
        folder: Path | None = typer.Option(
            None, "--from", help="Recordings of the sentences, in order of their names, instead of the microphone."
        ),
    ) -> None:
        """Read the sentences aloud (or give recordings of them); say what was gained."""
        from dictate.settings import load_settings
        from dictate.voice import check_name, learn, save, sentences

        check_name(name)
        settings = load_settings()
        readings = list(_recordings(folder, sentences()) if folder else _spoken(settings, sentences()))
        profile = learn(name, readings, settings.folders.cache)
        save(profile, settings.folders.data / "voices")
        typer.echo(
            f"Of {profile.words} words read, {profile.wrong_before} were heard wrong before and "
            f"{profile.wrong_after} after."
        )
        typer.echo(
            f"Use it: `dictate hear FILE --voice {name}`."
            if profile.helps
            else "That is no gain, so this voice will be heard as before."
        )

    @group.command("list")
    def list_voices() -> None:
        """Name the voices that were learnt."""
        from dictate.settings import load_settings
        from dictate.voice import load, stored

        voices = load_settings().folders.data / "voices"
        for name in stored(voices):
            profile = load(name, voices)
            typer.echo(
                f"{name}: {profile.wrong_before} -> {profile.wrong_after} of {profile.words} words wrong"
                + ("" if profile.helps else " (not used)")
            )

    @group.command("forget")
    def forget(name: str = typer.Argument(..., help="The voice to remove.")) -> None:
        """Remove a voice."""
        from dictate.settings import load_settings
        from dictate.voice import load

        voices = load_settings().folders.data / "voices"
        load(name, voices)
        (voices / f"{name}.json").unlink()
        typer.echo(f"Forgot the voice {name}.")

    app.add_typer(group, name="voice")


def _recordings(folder: Path, said: tuple[str, ...]) -> Iterator[Reading]:
    import numpy as np

    from dictate.audio.sound_file import SoundFile
    from dictate.errors import InputError
    from dictate.voice import Reading

    files = sorted(path for path in folder.iterdir() if path.is_file()) if folder.is_dir() else []
    if len(files) != len(said):
        raise InputError(
            f"{folder} holds {len(files)} recordings, but there are {len(said)} sentences; record one "
            "file a sentence (`dictate voice sentences`)."
        )
    for path, sentence in zip(files, said, strict=True):
        with SoundFile(path) as source:
            yield Reading(sentence, np.concatenate([chunk.samples for chunk in source]))


def _spoken(settings: Settings, said: tuple[str, ...]) -> Iterator[Reading]:
    """Show each sentence and take the next utterance from the microphone."""
    import numpy as np

    from dictate.audio.endpoint import Began, Ended, Endpointer, Sound
    from dictate.audio.microphone import Microphone
    from dictate.voice import Reading

    with Microphone(settings.sound.device) as source:
        endpointer = Endpointer(settings.sound)
        chunks = iter(source)
        for number, sentence in enumerate(said, 1):
            typer.echo(f"{number}/{len(said)}  {sentence}")
            pieces: list[Sound] = []
            finished = False
            while not finished:
                for mark in endpointer.feed(next(chunks)):
                    if isinstance(mark, Began):
                        pieces = []
                    elif isinstance(mark, Sound):
                        pieces.append(mark)
                    elif isinstance(mark, Ended):
                        finished = True
            yield Reading(sentence, np.concatenate([piece.samples for piece in pieces]))
