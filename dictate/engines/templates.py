"""Sentences for the language model, drawn from the templates in data/templates.toml (its head explains
them)."""

from __future__ import annotations

import random
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

DATA = Path(__file__).parent / "data" / "templates.toml"
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


def template_words(path: Path = DATA) -> set[str]:
    """Every word that some template or list holds."""
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    texts = [text for entries in data["lists"].values() for text in entries]
    texts += [text for group in data["group"] for text in group["says"]]
    return {word for text in texts for word in _WORD.findall(re.sub(r"\{\w+\}", " ", text))}


def joined_sentences(share: float = 1.0) -> Iterator[str]:
    """The same in runs of one to three, as they are spoken in one breath."""
    lines = list(template_sentences(share=share))
    dice = random.Random(31)
    taken = 0
    while taken < len(lines):
        run = dice.choice((1, 1, 1, 2, 3))
        yield " ".join(dice.choice(lines) for _ in range(run))
        taken += run


def template_sentences(path: Path = DATA, *, seed: int = 4, share: float = 1.0) -> Iterator[str]:
    """Sentences of all groups, the same for the same seed; `share` takes that part of each group's weight."""
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    dice = random.Random(seed)
    for group in data["group"]:
        for template in group["says"]:
            # A template with a choice of eighty instructions needs more draws than one with two sides.
            widest = max((found[1].count("|") + 1 for found in _CHOICE.finditer(template) if found[1]), default=1)
            for _ in range(max(1, round(group["weight"] * share * max(1.0, widest / 10)))):
                sentence = expand(template, data["lists"], dice)
                if sentence:
                    yield sentence
