"""Which recogniser hears: the one asked for, else the best that is ready.

Order without a wish: Vosk when a model is configured, then the fused neural engine, with PocketSphinx as its
second ear, when its packages are installed, then PocketSphinx, which is always there. The setting `second_ear`
puts `two-ears` in the fused engine's place: it weighs the two word by word and is better on voices that
PocketSphinx hears well, and far worse on others (tests/bench/speech.py; figures in README.md).

A learnt voice (setting `voice`) goes to PocketSphinx wherever it hears: alone, or as the second ear of the others.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from dictate.engines.corpus import clinic_phrases
from dictate.engines.engine import Engine
from dictate.errors import EngineError
from dictate.settings import Settings, load_settings

NAMES = ("fused", "pocketsphinx", "vosk", "two-ears")


def choose_engine(
    name: str | None = None,
    model: Path | str | None = None,
    settings: Settings | None = None,
    say: Callable[[str], None] | None = None,
) -> Engine:
    """Open an engine.

    `name` and `model` (a Vosk folder) go before the settings. `say` gets a sentence when another engine
    than the best had to be taken (default: standard error). Raises EngineError when the wish cannot be met.
    """
    settings = settings or load_settings()
    say = say or _to_stderr
    chosen_model = Path(model) if model is not None else settings.speech.model
    wish = name or ("vosk" if model is not None else settings.speech.engine)
    if wish is None and settings.speech.model is not None:
        wish = "vosk"
    clinic = clinic_phrases(settings.speech.phrases) if settings.speech.phrases else ()
    if wish == "two-ears" or (settings.speech.second_ear and wish is None):
        return _two_ears(settings, clinic, say)
    if wish == "vosk":
        if settings.speech.voice is not None:
            say(f"The voice {settings.speech.voice!r} was learnt for PocketSphinx and is of no use to Vosk.")
        return _vosk(chosen_model, settings, clinic, say)
    if wish == "pocketsphinx":
        return _pocketsphinx(settings, clinic)
    if wish == "fused":
        return _fused(settings, clinic)
    if wish is not None:
        raise EngineError(f"There is no engine {wish!r}; known are {', '.join(NAMES)}.")
    try:
        return _fused(settings, clinic)
    except EngineError as error:
        say(f"PocketSphinx hears instead of the fused engine: {error}")
        return _pocketsphinx(settings, clinic)


def _two_ears(settings: Settings, clinic: tuple[str, ...], say: Callable[[str], None]) -> Engine:
    from dictate.engines.fused.ear import QuietedEar
    from dictate.engines.two_ears import Overheard, TwoEars

    alone = _pocketsphinx(settings, clinic)
    ear = Overheard(QuietedEar(alone))
    try:
        return TwoEars(ear.echo(), _fused(settings, clinic, ear))
    except EngineError as error:
        say(f"Only one engine hears, PocketSphinx: {error}")
        return alone


def _fused(settings: Settings, clinic: tuple[str, ...], ear: Engine | None = None) -> Engine:
    try:
        from dictate.engines.fused import open_engine
    except ImportError as error:
        raise EngineError("the fused engine is not part of this installation.") from error
    if ear is None and settings.speech.voice is not None:
        from dictate.engines.fused.ear import QuietedEar

        ear = QuietedEar(_pocketsphinx(settings, clinic))
    folders = (settings.speech.phrases,) if settings.speech.phrases else ()
    engine: Engine = open_engine(settings.folders.cache, clinic, ear, folders)
    return engine


def _pocketsphinx(settings: Settings, clinic: tuple[str, ...]) -> Engine:
    if settings.speech.voice is not None:
        from dictate.voice import engine_for, load

        profile = load(settings.speech.voice, settings.folders.data / "voices")
        return engine_for(profile, settings.folders.cache, clinic)
    from dictate.engines.pocketsphinx_engine import PocketsphinxEngine

    return PocketsphinxEngine.for_examination(settings.folders.cache, clinic)


def _vosk(model: Path | None, settings: Settings, clinic: tuple[str, ...], say: Callable[[str], None]) -> Engine:
    from dictate.engines.model_files import HOW_TO_GET, describe, find_models
    from dictate.engines.vosk_engine import VoskEngine

    if model is None:
        found = find_models(settings.folders.models)
        if not found:
            raise EngineError(f"No Vosk model is in {settings.folders.models}. {HOW_TO_GET}")
        model = found[0].path
    return VoskEngine.for_examination(describe(model), clinic, say=say)


def _to_stderr(sentence: str) -> None:
    print(f"dictate: {sentence}", file=sys.stderr)
