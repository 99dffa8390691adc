"""Turns the end of a live examination into a kept draft."""

from __future__ import annotations

import os
from pathlib import Path

from dictate.errors import StoreError
from dictate.live.folder import LiveFolder
from dictate.live.state import LiveState
from grammar.models import Note, TextSpan


def final_note(state: LiveState) -> Note:
    """The machine-readable note: findings with times and confidence, refused speech as unread."""
    note = state.note
    refused = tuple(
        TextSpan(
            text=final.text,
            start_char=len(note.transcript),
            end_char=len(note.transcript),
            start_s=final.start_s,
            end_s=final.end_s,
        )
        for final in state.turned_down
    )
    return note.model_copy(update={"unread": (*note.unread, *refused)})


def keep(state: LiveState, folder: LiveFolder) -> str:
    """Write the note beside the sound and return the name under which the draft is found again."""
    path = folder.path / "note.json"
    try:
        write_safely(path, final_note(state).model_dump_json(by_alias=True, indent=1))
    except OSError as error:
        raise StoreError(
            f"The note of {folder.name} cannot be written ({error.strerror}); its journal and sound are "
            "kept. Free some space, then run `dictate recover`."
        ) from error
    return folder.name


def write_safely(path: Path, text: str) -> None:
    """Write a file so that a crash leaves either the old one or the whole new one."""
    fresh = path.with_suffix(".new")
    with open(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(path)
