"""The letter as a Word document (python-docx), on a clinic's own letterhead if one is given.

A clinic's template is a .docx file: its styles, header and footer are kept, the letter is added to its end.
"""

from __future__ import annotations

import gc
import io
from functools import lru_cache
from pathlib import Path
from typing import Any

from dictate.errors import InputError
from dictate.exports.extras import need
from dictate.exports.letter import Letter
from dictate.exports.letter_render import figure_words

# Fonts that hold everything the figure itself can say, where Debian and its like keep them.
QUICK_FONTS = tuple(
    Path("/usr/share/fonts/truetype/dejavu") / name for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")
)
HEBREW = 0x590
# Column widths of the tables by their number of columns.
WIDTHS_MM = {2: (45, 125), 4: (48, 26, 26, 70)}


def docx(letter: Letter, *, template: Path | None = None) -> bytes:
    """The letter as .docx.

    Raises:
        InputError: the template is no Word document.
    """
    word = need("docx", "letters as DOCX")
    try:
        document = word.Document(str(template) if template else None)
    except Exception as error:  # python-docx lets zip, XML and key errors through as they are
        raise InputError(f"The template '{template}' is no Word document ({type(error).__name__}).") from None
    _page(document, letter, template)
    if letter.marking:
        document.add_paragraph().add_run(_plain(letter.marking)).bold = True
    document.add_heading(_plain(letter.title), level=0)
    _table(document, None, letter.facts)
    for section in letter.sections:
        document.add_heading(section.title, level=1)
        if letter.as_table:
            _table(document, ("Item", "Side", "Result", "Words"), section.rows)
        else:
            document.add_paragraph(_plain(" ".join(section.sentences)))
    if not letter.sections:
        document.add_paragraph("No finding was recorded.")
    _lists(document, letter)
    _figure(document, letter)
    for line in letter.signature:
        document.add_paragraph(_plain(line))
    document.add_paragraph().add_run(_plain(letter.caution)).italic = True
    if letter.codes:
        document.add_heading("Appendix: codes", level=1)
        _table(document, ("Finding", "System", "Code", "Name"), letter.codes)
    out = io.BytesIO()
    document.save(out)
    del document
    gc.collect()  # python-docx ties a package to its parts in circles, whose XML the collector does not see the size of
    return out.getvalue()


def _lists(document: Any, letter: Letter) -> None:
    parts = (
        ("Not examined", letter.not_examined, "Nothing was said not to have been examined."),
        ("Required but not recorded", letter.omissions, "None."),
        ("Covered by a summary statement only", letter.by_summary, ""),
        ("Open questions and words not understood", letter.questions, ""),
    )
    for title, lines, empty in parts:
        if not lines and not empty:
            continue
        document.add_heading(title, level=1)
        for line in lines:
            document.add_paragraph(_plain(line), style=_style(document, "List Bullet"))
        if not lines:
            document.add_paragraph(empty)


def _style(document: Any, name: str) -> Any:
    """A style of the document, or None where a clinic's template has not got it."""
    return document.styles[name] if name in document.styles else None  # noqa: SIM401 (it has no `get`)


def _table(document: Any, head: tuple[str, ...] | None, rows: tuple[tuple[str, ...], ...]) -> None:
    if not rows:
        return
    from docx.shared import Mm, Pt

    table = document.add_table(rows=0, cols=len(rows[0]))
    table.autofit = False
    for column, width in zip(table.columns, WIDTHS_MM[len(rows[0])], strict=True):
        column.width = Mm(width)
    if head and _style(document, "Table Grid"):
        table.style = document.styles["Table Grid"]
    for number, row in enumerate([*([head] if head else []), *rows]):
        cells = table.add_row().cells
        for cell, text, width in zip(cells, row, WIDTHS_MM[len(row)], strict=True):
            cell.width = Mm(width)
            run = cell.paragraphs[0].add_run(_plain(text))
            cell.paragraphs[0].paragraph_format.space_after = Pt(1)
            run.bold = head is not None and number == 0
            if head:
                run.font.size = Pt(9)
    document.add_paragraph()


def _figure(document: Any, letter: Letter) -> None:
    """The figure as a picture, with its words as alternative text.

    A machine without fonts would draw it without its grades and sides: then the words stand in its place.
    """
    from docx.shared import Mm

    document.add_heading("Reflexes, power and sensation", level=1)
    if not _can_write():
        document.add_paragraph(_plain(figure_words(letter)))
        return
    shape = document.add_picture(io.BytesIO(_png(letter.figure_svg)), width=Mm(160))
    shape._inline.docPr.set("descr", _plain(figure_words(letter)))


def _png(svg: str) -> bytes:
    resvg = need("resvg_py", "the figure in a DOCX letter")
    fonts: dict[str, Any] = {}
    if all(font.exists() for font in QUICK_FONTS) and max(map(ord, svg)) < HEBREW:
        # Reading every font of the system takes ten times as long as drawing.
        fonts = {"skip_system_fonts": True, "font_files": [str(font) for font in QUICK_FONTS]}
    return bytes(resvg.svg_to_bytes(svg_string=svg, zoom=1.5, **fonts))


@lru_cache(maxsize=1)
def _can_write() -> bool:
    """True when a font of the figure was found: a letter leaves a mark."""
    page = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 20 20">{}</svg>'
    family = "'DejaVu Sans',Verdana,sans-serif"
    return _png(page.format(f'<text x="2" y="16" font-family="{family}">X</text>')) != _png(page.format(""))


def _page(document: Any, letter: Letter, template: Path | None) -> None:
    """Marking and page numbers in the footer of every section; A4 unless a template says otherwise."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn
    from docx.shared import Mm

    for section in document.sections:
        if not template:
            section.page_width, section.page_height = Mm(210), Mm(297)
            section.left_margin = section.right_margin = Mm(20)
        footer = section.footer
        paragraph = footer.paragraphs[0] if footer.paragraphs else footer.add_paragraph()
        paragraph.add_run(_plain(f"{letter.marking or letter.title}    Page "))
        for field in ("PAGE", "NUMPAGES"):
            run = paragraph.add_run()
            for kind, text in (("begin", None), (None, field), ("end", None)):
                if kind:
                    mark = OxmlElement("w:fldChar")
                    mark.set(qn("w:fldCharType"), kind)
                else:
                    mark = OxmlElement("w:instrText")
                    mark.text = text
                run._r.append(mark)
            if field == "PAGE":
                paragraph.add_run(" of ")


def _plain(text: str) -> str:
    """Text that XML can hold: control characters become a visible mark."""
    return "".join(
        char if char in "\t\n" or (ord(char) >= 32 and char not in "\ufffe\uffff") else "\N{REPLACEMENT CHARACTER}"
        for char in text.replace("\r\n", "\n").replace("\r", "\n")
    )
