"""The letter as plain text, Markdown, HTML and PDF: Jinja2 templates, ours or a clinic's own.

A clinic's template is sandboxed (it can print the letter and no more), gets `letter`, `figure_uri` and
`figure_words`, and must carry the marking of a draft: a template that leaves it out is refused for drafts.
"""

from __future__ import annotations

import base64
import gc
import re
import threading
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal
from xml.etree import ElementTree

from dictate.errors import InputError
from dictate.exports.extras import need
from dictate.exports.letter import Letter

Kind = Literal["txt", "md", "html"]
SUFFIXES: dict[str, Kind] = {".txt": "txt", ".md": "md", ".html": "html"}
# Markup anywhere in a line, and what is markup only at its start ("1.", "- ", "===").
_MARKUP = re.compile(r"([\\`*_\[\]<>#|~&$^])")
_AT_START = re.compile(r"^(\d{1,9})([.)])|^([-+=:])")


def render(letter: Letter, kind: Kind, *, template: Path | None = None) -> str:
    """The letter as text of a kind.

    Raises:
        InputError: the clinic's template cannot be read, is faulty, or does not print the draft marking.
    """
    source = _source(kind, template)
    name = template.name if template else f"letter.{kind}.j2"
    jinja = need("jinja2", "letters")
    try:
        page: str = _compiled(kind, source).render(
            letter=letter, figure_uri=figure_uri(letter), figure_words=figure_words(letter)
        )
    except jinja.TemplateSyntaxError as error:
        raise InputError(f"The template '{name}' is faulty (line {error.lineno}: {error.message}).") from None
    except (
        jinja.TemplateError,
        TypeError,
        ValueError,
        ArithmeticError,
        LookupError,
        AttributeError,
    ) as error:
        raise InputError(f"The template '{name}' cannot be filled in: {error}.") from None
    if letter.marking and letter.marking not in page:
        raise InputError(
            f"The template '{name}' does not print {{{{ letter.marking }}}}, so a reader could take this "
            "for a signed note. Add it to the template."
        )
    return page


def pdf(letter: Letter, *, template: Path | None = None) -> bytes:
    """The HTML letter as PDF, with page numbers; nothing is fetched from anywhere."""
    weasyprint = need("weasyprint", "letters as PDF")
    urls = need("weasyprint.urls", "letters as PDF")
    page = render(letter, "html", template=template)
    inside = urls.URLFetcher(allowed_protocols={"data"}, fail_on_errors=True)
    try:
        document: bytes = weasyprint.HTML(string=page, url_fetcher=inside).write_pdf(font_config=_fonts(template))
    except (urls.FatalURLFetchingError, urls.URLFetchingError) as error:
        raise InputError(
            f"The template points to something outside itself ({error}); put pictures into it as data URIs."
        ) from None
    gc.collect()  # the boxes of a page hold each other in circles
    return document


_kept = threading.local()


def _fonts(template: Path | None) -> Any:
    """The fonts of our own letter, read once a thread: WeasyPrint never gives back what reading them took.

    A clinic's template may bring fonts of its own, which must not pile up: it gets a fresh set.
    """
    fonts = need("weasyprint.text.fonts", "letters as PDF")
    if template is not None:
        return fonts.FontConfiguration()
    if not hasattr(_kept, "fonts"):
        _kept.fonts = fonts.FontConfiguration()
    return _kept.fonts


def figure_uri(letter: Letter) -> str:
    """The figure as a data URI, so that a letter is one file."""
    return "data:image/svg+xml;base64," + base64.b64encode(letter.figure_svg.encode("utf-8")).decode("ascii")


def figure_words(letter: Letter) -> str:
    """What the figure shows, for people who cannot see it."""
    root = ElementTree.fromstring(letter.figure_svg)
    return root.findtext("{http://www.w3.org/2000/svg}desc") or ""


def _source(kind: Kind, template: Path | None) -> str:
    path = template or Path(__file__).parent / "templates" / f"letter.{kind}.j2"
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"The template '{path}' cannot be read ({error}). Save it as UTF-8 text.") from None


@lru_cache(maxsize=16)
def _compiled(kind: Kind, source: str) -> Any:
    """The template, compiled once for a run over many examinations."""
    return _environment(kind).from_string(source)


def _environment(kind: Kind) -> Any:
    need("jinja2", "letters")
    from jinja2 import StrictUndefined
    from jinja2.sandbox import ImmutableSandboxedEnvironment

    environment = ImmutableSandboxedEnvironment(
        autoescape=kind == "html", undefined=StrictUndefined, keep_trailing_newline=True
    )
    filters: dict[str, Callable[[str], str]] = {"md": markdown_safe, "css": css_safe}
    environment.filters.update(filters)
    return environment


def markdown_safe(text: str) -> str:
    """Text whose characters Markdown (and HTML inside it) leaves as they are; line breaks become spaces."""
    line = _MARKUP.sub(r"\\\1", " ".join(text.split()))
    return _AT_START.sub(lambda found: f"{found[1] or ''}\\{found[2] or found[3]}", line)


def css_safe(text: str) -> str:
    """Text for a CSS string: letters, digits and plain punctuation only."""
    return "".join(char for char in text if char.isalnum() or char in " ,.-")
