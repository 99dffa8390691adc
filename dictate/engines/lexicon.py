"""How words are pronounced: the dictionary bundled with pocketsphinx, and our own over it.

`pronunciations.dict` holds the words of the examination; lines of both files are `word phone phone ...`, a
second way to say a word is `word(2) ...`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from importlib import resources
from pathlib import Path

Phones = tuple[str, ...]

PHONES = frozenset(
    (
        "AA",
        "AE",
        "AH",
        "AO",
        "AW",
        "AY",
        "B",
        "CH",
        "D",
        "DH",
        "EH",
        "ER",
        "EY",
        "F",
        "G",
        "HH",
        "IH",
        "IY",
        "JH",
        "K",
        "L",
        "M",
        "N",
        "NG",
        "OW",
        "OY",
        "P",
        "R",
        "S",
        "SH",
        "T",
        "TH",
        "UH",
        "UW",
        "V",
        "W",
        "Y",
        "Z",
        "ZH",
    )
)
"""The ARPAbet phones of the acoustic model, without stress."""


def bundled_dictionary() -> Path:
    """Path of the dictionary that ships with pocketsphinx (CMUdict)."""
    import pocketsphinx

    return Path(pocketsphinx.get_model_path("en-us")) / "cmudict-en-us.dict"


@cache
def own_words() -> dict[str, tuple[Phones, ...]]:
    """The project's own pronunciations by word."""
    text = (resources.files("dictate.engines") / "data" / "pronunciations.dict").read_text(encoding="utf-8")
    return _gather(text.splitlines())


def pronounce(words: Iterable[str]) -> dict[str, tuple[Phones, ...]]:
    """Pronunciations of the words that have any, own ones first, without doubles.

    A plural or possessive that no dictionary has follows its stem by the regular rule.
    """
    wanted = set(words)
    stems = {stem for word in wanted if (stem := _stem(word)) is not None}
    with bundled_dictionary().open(encoding="utf-8") as file:
        bundled = _gather(line for line in file if line.split(" ", 1)[0].split("(")[0] in wanted | stems)
    own = own_words()

    def ways(word: str) -> tuple[Phones, ...]:
        return tuple(dict.fromkeys((*own.get(word, ()), *bundled.get(word, ()))))

    found = {}
    for word in sorted(wanted):
        known = ways(word)
        stem = _stem(word)
        if not known and stem is not None:
            known = tuple(phones + plural_ending(phones) for phones in ways(stem))
        if known:
            found[word] = known
    return found


def plural_ending(phones: Phones) -> Phones:
    """The sound of a regular plural after a word: IH Z after a hiss, S after a voiceless sound, else Z."""
    if phones[-1] in ("S", "Z", "SH", "ZH", "CH", "JH"):
        return ("IH", "Z")
    return ("S",) if phones[-1] in ("P", "T", "K", "F", "TH") else ("Z",)


def _stem(word: str) -> str | None:
    for ending in ("'s", "es", "s"):
        if word.endswith(ending) and len(word) > len(ending) + 2:
            stem = word.removesuffix(ending)
            if ending != "es" or stem.endswith(("s", "x", "z", "ch", "sh")):
                return stem
    return None


def read_dictionary(path: Path) -> dict[str, tuple[Phones, ...]]:
    """The pronunciations in a dictionary file for pocketsphinx."""
    with path.open(encoding="utf-8") as file:
        return _gather(file)


def dictionary_lines(words: dict[str, tuple[Phones, ...]]) -> Iterator[str]:
    """The lines of a dictionary file for pocketsphinx."""
    for word, ways in words.items():
        for number, phones in enumerate(ways, 1):
            yield f"{word}{'' if number == 1 else f'({number})'} {' '.join(phones)}"


def _gather(lines: Iterable[str]) -> dict[str, tuple[Phones, ...]]:
    found: dict[str, tuple[Phones, ...]] = {}
    for line in lines:
        parts = line.split("#", 1)[0].split()
        if len(parts) >= 2:
            word = parts[0].split("(")[0]
            found[word] = (*found.get(word, ()), tuple(parts[1:]))
    return found
