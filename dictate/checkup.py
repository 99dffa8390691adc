"""What works on this machine: settings, folders, engines, models, microphone,
and the extras of a live examination. Used by `dictate doctor`."""

from __future__ import annotations

import importlib.util
import platform
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from dictate.errors import DictateError
from dictate.settings import Settings, load_settings

State = Literal["works", "missing", "broken", "optional"]


@dataclass(frozen=True, slots=True)
class Check:
    """One thing looked at. `mend` says what to do; empty when nothing is to be done."""

    kind: str
    name: str
    state: State
    detail: str
    mend: str = ""


def examine() -> list[Check]:
    """Look at everything; never raises for what is missing."""
    checks = [Check("machine", "python", "works", f"{platform.python_version()} on {sys.platform}")]
    try:
        settings = load_settings()
    except DictateError as error:
        return [*checks, Check("settings", "settings", "broken", str(error), "mend the settings file")]
    checks.append(Check("settings", "settings", "works", str(settings.folders.config / "settings.toml")))
    checks.append(_folder(settings.folders.cache))
    checks.append(_engine("pocketsphinx", lambda: _open_pocketsphinx(settings)))
    checks.append(_engine("fused", lambda: _open_fused(settings), optional=True))
    checks += _vosk(settings)
    checks += _microphones()
    checks.append(_extra("third ear", ("flashlight",), "fused", "hears phones beside the neural engine, for noise"))
    checks.append(_extra("noise suppressor", ("webrtc_noise_gain",), "fused", "quiets loud rooms for the ears"))
    checks.append(_extra("room board", ("starlette", "uvicorn"), "board", "the page of a live examination"))
    checks.append(_extra("spoken answer", ("espeakng_loader",), "speak", "says aloud what is missing"))
    return checks


def _folder(path: Path) -> Check:
    try:
        path.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=path):
            pass
    except OSError as error:
        return Check(
            "folder",
            "cache",
            "broken",
            f"{path} cannot be written ({error})",
            "set $SPOKEN_EXAM_HOME to a folder that can be written",
        )
    return Check("folder", "cache", "works", str(path))


def _engine(name: str, open_and_close: Callable[[], str], *, optional: bool = False) -> Check:
    try:
        return Check("engine", name, "works", open_and_close())
    except (DictateError, ImportError) as error:
        state: State = "optional" if optional else "broken"
        return Check("engine", name, state, str(error), "" if optional else "reinstall the package")


def _open_pocketsphinx(settings: Settings) -> str:
    from dictate.engines.choose import choose_engine

    choose_engine("pocketsphinx", settings=settings).close()
    return "bundled sounds with the examination's own language model"


def _open_fused(settings: Settings) -> str:
    from dictate.engines.choose import choose_engine

    choose_engine("fused", settings=settings).close()
    return "neural engine with the examination's language model"


def _vosk(settings: Settings) -> list[Check]:
    from dictate.engines.model_files import HOW_TO_GET, find_models

    try:
        models = find_models(settings.folders.models, settings.speech.model)
    except DictateError as error:
        return [Check("model", "vosk", "broken", str(error), "mend the setting [speech] model")]
    if not models:
        return [Check("model", "vosk", "optional", f"no model in {settings.folders.models}", HOW_TO_GET)]
    checks = []
    for model in models:
        said: list[str] = []

        def load(path: Path = model.path, said: list[str] = said) -> str:
            from dictate.engines.choose import choose_engine

            choose_engine("vosk", path, settings, say=said.append).close()
            return f"vosk {path.name}"

        check = _engine(f"vosk {model.name}", load, optional=True)
        checks.append(check)
        checks += [Check("model", model.name, "optional", sentence) for sentence in said]
    return checks


def _microphones() -> list[Check]:
    from dictate.audio.microphone import NO_DEVICE, NO_PORTAUDIO, list_microphones

    try:
        found = list_microphones()
    except DictateError as error:
        mend = "apt-get install libportaudio2" if str(error) == NO_PORTAUDIO else ""
        return [Check("microphone", "microphone", "missing", str(error), mend)]
    if not found:
        return [Check("microphone", "microphone", "missing", NO_DEVICE, "plug in a microphone")]
    return [Check("microphone", "microphone", "works", name) for name in found]


def _extra(name: str, modules: tuple[str, ...], extra: str, use: str) -> Check:
    """A part that an extra brings."""
    if all(importlib.util.find_spec(module) for module in modules):
        return Check("extra", name, "works", use)
    return Check("extra", name, "optional", f"{use}; not installed", f"pip install 'spoken-exam[{extra}]'")
