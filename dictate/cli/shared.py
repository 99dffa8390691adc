"""What several commands share: complaint names checked, one file's fault does not stop the others."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from dictate.errors import DictateError, InputError, SettingsError

if TYPE_CHECKING:
    from grammar.models import Note


def check_complaints(names: Sequence[str]) -> tuple[str, ...]:
    """The add-on ids for what the user typed (`foot-drop`, `Foot drop`); SettingsError names the known
    ones."""
    from dictate.clinic import catalogue

    known = catalogue().addons
    found = []
    for name in names:
        key = name.strip().lower().replace("-", "_").replace(" ", "_")
        if key not in known:
            raise SettingsError(f"There is no complaint {name!r}; known are {', '.join(known)}.")
        found.append(key)
    return tuple(dict.fromkeys(found))


def run_each(names: Sequence[str], work: Callable[[str], Note]) -> Iterator[tuple[str, Note]]:
    """(name, note) of every file that works; faults are printed as they come and raise at the end.

    With one file its fault is raised as it is.
    """
    failed = 0
    for name in names:
        try:
            note = work(name)
        except DictateError as error:
            if len(names) == 1:
                raise
            failed += 1
            print(f"dictate: {error}", file=sys.stderr)
            continue
        yield name, note
    if failed:
        raise InputError(f"{failed} of {len(names)} files gave no note; the others are done.")
