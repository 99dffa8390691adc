"""The grammar as this clinic has it: the built-in data and the clinic's own folder (setting `[speech] phrases`).

Desk, exports and archive read through here, so that a clinic's own items and phrases are the same everywhere.
Recordings and live examinations are given their settings and hand the folder on themselves.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import grammar
from dictate.settings import HOME_VARIABLE, load_settings
from grammar.pipeline import pipeline

FOLDER_VARIABLE = "SPOKEN_EXAM_SPEECH_PHRASES"
_first = threading.Lock()


def folders() -> tuple[Path, ...]:
    """The clinic's own folder, or nothing. Raises SettingsError."""
    return _folders(os.environ.get(HOME_VARIABLE), os.environ.get(FOLDER_VARIABLE))


@lru_cache(maxsize=8)
def _folders(_home: str | None, _folder: str | None) -> tuple[Path, ...]:
    own = load_settings().speech.phrases
    return (own,) if own is not None else ()


def catalogue() -> grammar.Catalogue:
    """What is examined, the clinic's own items included. Raises DataError when its files are faulty."""
    return grammar.catalogue(folders())


def get_ready() -> None:
    """Load the grammar; it takes a second and is done once, however many threads ask."""
    with _first:
        pipeline(folders())


def parse(text: str, *, context: grammar.Context | None = None, complaint: Sequence[str] = ()) -> grammar.ParseResult:
    """`grammar.parse` with the clinic's own data."""
    get_ready()
    return grammar.parse(text, context=context, complaint=complaint, folders=folders())


def __getattr__(name: str) -> str:
    """`GRAMMAR_VERSION`: the version of the built-in grammar together with the clinic's own data."""
    if name == "GRAMMAR_VERSION":
        return grammar.grammar_version(folders())
    raise AttributeError(name)
