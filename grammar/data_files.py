"""The only reader of the data files: load, validate, and report every fault at once with file, entry and mend.

A clinic's own folder of TOML files extends the built-in ones: same file names, same tables, entries are added.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from grammar.errors import DataError, Fault

DATA = Path(__file__).parent / "data"
Model = TypeVar("Model", bound=BaseModel)


def read_toml(path: Path) -> dict[str, Any]:
    """One TOML file as plain values. Raises DataError naming the file and the line that cannot be read."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        fault = Fault(path.name, "file", f"cannot be read as TOML ({error}).", "correct the file's syntax.")
        raise DataError([fault]) from error


def validate(model: type[Model], data: Any, file: str, entry: str, faults: list[Fault]) -> Model | None:
    """The validated model, or None with every fault added to `faults`."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        for problem in error.errors():
            place = ".".join(str(part) for part in problem["loc"])
            where = f"{entry}.{place}" if place else entry
            faults.append(Fault(file, where, f"{problem['msg']}.", _mend(problem["type"], problem.get("input"))))
        return None


def _mend(kind: str, value: Any) -> str:
    if kind == "extra_forbidden":
        return "remove this key or correct its spelling."
    if kind == "missing":
        return "add this key."
    return f"correct the value {value!r}."


def toml_files(folder: str, extra: Iterable[Path] = ()) -> Iterator[tuple[str, dict[str, Any]]]:
    """(file name, content) of every TOML file in data/`folder`, then those of the extra folders."""
    for root in (DATA, *extra):
        for path in sorted((root / folder).glob("*.toml")):
            name = f"{folder}/{path.name}" if root == DATA else str(path)
            yield name, read_toml(path)


_CHOICE = re.compile(r"\(([^()]*)\)|\[([^()\[\]]*)\]")


@cache
def expand(pattern: str) -> tuple[str, ...]:
    """Every phrase a pattern stands for: "(a|b) c [d]" gives "a c", "a c d", "b c", "b c d".

    An option in brackets may itself hold alternatives in round brackets.
    """
    match = _CHOICE.search(pattern)
    if match is None or ("|" not in pattern and "[" not in pattern):
        return (" ".join(pattern.split()),)
    if match.group(1) is not None:
        choices = match.group(1).split("|") if "|" in match.group(1) else [f"\0{match.group(1)}\1"]
    else:
        choices = [*match.group(2).split("|"), ""]
    phrases: dict[str, None] = {}
    for choice in choices:
        for phrase in expand(pattern[: match.start()] + choice + pattern[match.end() :]):
            phrases[" ".join(phrase.split())] = None
    return tuple(phrase.replace("\0", "(").replace("\1", ")") for phrase in phrases)
