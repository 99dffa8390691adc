"""The figure of a note for a page, as inline SVG. Its style rules are served apart, because the desk's
content
policy allows no style inside a page."""

from __future__ import annotations

import re
from functools import lru_cache

from markupsafe import Markup

from dictate.figure import figure
from grammar.models import Note

STYLE = re.compile(r"<style>(.*?)</style>\n?", re.DOTALL)


def figure_of(note: Note, *, draft: bool = True) -> Markup:
    """The figure without its style rules; `figure_style` gives those."""
    return Markup(STYLE.sub("", figure(note, draft=draft)))


@lru_cache(maxsize=1)
def figure_style() -> str:
    """The style rules of every figure (they are bound to the figure's own id)."""
    found = STYLE.search(figure(Note()))
    return found.group(1) if found else ""
