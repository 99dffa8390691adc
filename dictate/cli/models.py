"""`dictate models`: what recognisers can use, add a Vosk model, rebuild the language model."""

from __future__ import annotations

import json
from pathlib import Path

import typer


def register(app: typer.Typer) -> None:
    """Add the `models` group."""
    group = typer.Typer(
        help="List speech models, add a Vosk model, rebuild the examination's language model.",
        invoke_without_command=True,
    )

    @group.callback()
    def models(context: typer.Context, as_json: bool = typer.Option(False, "--json", help="Print JSON.")) -> None:
        """List the models on this machine."""
        if context.invoked_subcommand is None:
            _list(as_json)

    @group.command("list")
    def list_models(as_json: bool = typer.Option(False, "--json", help="Print JSON.")) -> None:
        """List the models on this machine."""
        _list(as_json)

    @group.command("add")
    def add(
        source: Path = typer.Argument(..., metavar="PATH|ZIP", help="An unpacked Vosk model or its zip."),
    ) -> None:
        """Copy a Vosk model into the models folder. Nothing is downloaded."""
        from dictate.engines.model_files import add_model
        from dictate.settings import load_settings

        model = add_model(source, load_settings().folders.models)
        typer.echo(f"Added {model.name} ({model.megabytes:.0f} MB) at {model.path}.")
        if not model.accepts_phrases:
            typer.echo("Its graph is fixed: it cannot be given the examination's phrases.")
        typer.echo(f"Use it: `dictate hear FILE --engine vosk --model {model.path}`, or set [speech] model.")

    @group.command("build")
    def build() -> None:
        """Build the examination's language model and dictionary anew from the phrase data."""
        from dictate.engines.corpus import clinic_phrases
        from dictate.engines.model_build import ensure_model
        from dictate.settings import load_settings

        settings = load_settings()
        clinic = clinic_phrases(settings.speech.phrases) if settings.speech.phrases else ()
        model = ensure_model(settings.folders.cache, clinic, rebuild=True)
        for path in (model.language_model, model.dictionary):
            typer.echo(f"Built {path} ({path.stat().st_size / 1e6:.1f} MB).")
        for word in model.guessed():
            typer.echo(f"Guessed how {word!r} sounds; add it to pronunciations.dict if it is heard badly.")
        for word in model.unpronounced():
            typer.echo(
                f"Left out {word!r}: nothing here knows how it sounds; install the extra `guess`, or add "
                "it to pronunciations.dict."
            )

    app.add_typer(group, name="models")


def _list(as_json: bool) -> None:
    from dictate.engines.model_files import HOW_TO_GET, find_models
    from dictate.settings import load_settings

    settings = load_settings()
    found = find_models(settings.folders.models, settings.speech.model)
    if as_json:
        typer.echo(
            json.dumps(
                [
                    {
                        "name": model.name,
                        "path": str(model.path),
                        "kind": "vosk",
                        "megabytes": round(model.megabytes, 1),
                        "accepts_phrases": model.accepts_phrases,
                    }
                    for model in found
                ]
            )
        )
        return
    typer.echo("pocketsphinx   bundled US-English sounds with the examination's own words; always there")
    for model in found:
        ability = "takes the examination's phrases" if model.accepts_phrases else "fixed graph, own language"
        typer.echo(f"vosk           {model.name}, {model.megabytes:.0f} MB, {ability}\n               {model.path}")
    if not found:
        typer.echo(f"vosk           no model in {settings.folders.models}. {HOW_TO_GET}")
