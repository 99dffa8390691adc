"""Typed text as an editor lays it out: a sentence that goes on in the next line is one, wide blanks are one blank."""

from __future__ import annotations

import re

# A shorter line was ended by its writer, not by the margin (own choice).
_FULL_LINE = 45
# Blanks between two words; the columns of a table ("R   L", "2+   1+") stay apart.
_WIDE = r"(?<=[A-Za-z][a-z.,;)])[ \t]{2,}(?=[A-Za-z][a-z])(?!(?:right|left)\b)"
_GOES_ON = r"(?<=[^\s.:;!?])[ \t]*\n[ \t]*(?=[a-z(])|(?<=,)[ \t]*\n[ \t]*(?=[A-Z])"
_BLANKS = re.compile(f"{_WIDE}|{_GOES_ON}")
_TYPED = re.compile(r"[A-Z]")


def flowing(text: str) -> tuple[str, list[int] | None]:
    """The text with one blank for each run of blanks and each line break inside a sentence, and where each of its
    characters stood; None when nothing changed.

    Inside a sentence: the line is full, and it ends without a mark before a small letter, or with a comma. What a
    recogniser heard has no capitals; its line breaks end utterances and stay.
    """
    typed = "\n" in text and _TYPED.search(text) is not None
    if not typed and "  " not in text and "\t" not in text:
        return text, None
    kept: list[str] = []
    where: list[int] = []
    last = 0
    for found in _BLANKS.finditer(text):
        if "\n" in found.group() and not (typed and _full(text, found.start())):
            continue
        kept += text[last : found.start()], " "
        where += [*range(last, found.start()), found.start()]
        last = found.end()
    if not kept:
        return text, None
    return "".join((*kept, text[last:])), [*where, *range(last, len(text))]


def _full(text: str, end: int) -> bool:
    return len(text[text.rfind("\n", 0, end) + 1 : end].strip()) >= _FULL_LINE
