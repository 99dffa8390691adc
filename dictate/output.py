"""Where notes go: the terminal (pretty), a pipe (plain), JSON one object a line, or a file written whole.

A file given with --out is written beside itself first and then put in place, so that a full disk never leaves
half a note or destroys the old one.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

from dictate.errors import InputError
from dictate.note_view import lines, show
from grammar.models import Note


def write_notes(
    notes: Iterable[tuple[str, Note]],
    *,
    as_json: bool = False,
    out: Path | None = None,
    explain: bool = False,
) -> None:
    """Write (name, note) pairs as they come; names are shown when the form is for people."""
    if out is not None:
        text = "\n".join(_texts(notes, as_json, explain)) + "\n"
        write_whole(out, text)
        return
    if not as_json and sys.stdout.isatty():
        from rich.console import Console

        console = Console()
        for name, note in notes:
            console.rule(name, align="left", style="dim")
            show(note, console, explain=explain)
        return
    for text in _texts(notes, as_json, explain):
        sys.stdout.write(text + "\n")
        sys.stdout.flush()


def write_whole(out: Path, text: str) -> None:
    """Write a text file completely or not at all; InputError says why not."""
    try:
        if out.exists() and not out.is_file():
            # a device or a pipe cannot be put in place
            with out.open("w", encoding="utf-8") as file:
                file.write(text)
            return
        handle, name = tempfile.mkstemp(prefix=f".{out.name}.", dir=out.parent or Path("."))
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.replace(name, out)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise InputError(
            f"{out} cannot be written ({error.strerror or error}); nothing of it was changed. "
            "Free some space or choose another place."
        ) from error


def _texts(notes: Iterable[tuple[str, Note]], as_json: bool, explain: bool) -> Iterable[str]:
    for name, note in notes:
        if as_json:
            yield note.model_dump_json(by_alias=True)
        else:
            yield "\n".join((f"== {name}", *lines(note, explain=explain)))
