"""Sentences for the language model, drawn from the templates in data/templates.toml (its head explains
them) and data/telling.toml (findings in whole sentences); the two share their lists."""

from __future__ import annotations

import random
import re
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from dictate.errors import EngineError

DATA = tuple(Path(__file__).parent / "data" / name for name in ("templates.toml", "telling.toml"))
_WORD = re.compile(r"[a-z']+")
_CHOICE = re.compile(r"\[([^\[\]]*)\]|\{(\w+)\}")


def expand(template: str, lists: dict[str, list[str]], dice: random.Random) -> str:
    """One sentence of a template: every list and every choice replaced by one of its entries."""

    def pick(found: re.Match[str]) -> str:
        return dice.choice(lists[found[2]] if found[2] else found[1].split("|"))

    while True:
        template, changed = _CHOICE.subn(pick, template)
        if not changed:
            return " ".join(template.split())


@cache
def _read(paths: tuple[Path, ...] = DATA) -> tuple[dict[str, list[str]], list[dict[str, Any]]]:
    """(lists, groups) of the files together; a name may be given only once."""
    lists: dict[str, list[str]] = {}
    groups: list[dict[str, Any]] = []
    for path in paths:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        if twice := sorted(lists.keys() & data["lists"].keys()):
            raise EngineError(f"{path.name} of the language model names lists a second time: {', '.join(twice)}")
        lists |= data["lists"]
        groups += data["group"]
    return lists, groups


def template_words() -> set[str]:
    """Every word that some template or list holds."""
    lists, groups = _read()
    texts = [text for entries in lists.values() for text in entries]
    texts += [text for group in groups for text in group["says"]]
    return {word for text in texts for word in _WORD.findall(re.sub(r"\{\w+\}", " ", text))}


def joined_sentences(share: float = 1.0) -> Iterator[str]:
    """The same in runs of one to three, as they are spoken in one breath."""
    lines = list(template_sentences(share=share))
    dice = random.Random(31)
    dice.shuffle(lines)
    taken = 0
    while taken < len(lines):
        run = dice.choice((1, 1, 1, 2, 3))
        yield " ".join(lines[taken : taken + run])
        taken += run


def template_sentences(*, seed: int = 4, share: float = 1.0) -> Iterator[str]:
    """Sentences of all groups, the same for the same seed; `share` takes that part of each group's weight."""
    lists, groups = _read()
    dice = random.Random(seed)
    for group in groups:
        for template in group["says"]:
            # A template with a choice of eighty instructions needs more draws than one with two sides.
            widest = max((found[1].count("|") + 1 for found in _CHOICE.finditer(template) if found[1]), default=1)
            for _ in range(max(1, round(group["weight"] * share * max(1.0, widest / 10)))):
                sentence = expand(template, lists, dice)
                if sentence:
                    yield sentence
