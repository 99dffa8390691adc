"""The reflex figure: the trade's stick figure with reflex grades and plantar arrows, and a body outline with
power and sensation by area, as one SVG.

Pure: note in, SVG text out. The patient faces the reader: the patient's right is on the left of the picture,
and both sides are named in words. State is told by shape and words, never by colour alone:

    circle    normal            square     abnormal           diamond   doubtful, or two different results
    n/e       said not to have been examined                  dotted ring   nothing recorded
    (2+)      from a summary ("reflexes in the arms two plus")
"""

from __future__ import annotations

from html import escape

from dictate.figure_spots import Mark, item_mark, power_mark, reflex_mark, sensation_mark, unplaced
from grammar.models import Note, Side

TITLE = "Reflexes, plantar responses, power and sensation"
WIDTH, TOP = 860, 560
CENTRE = 230
# Spot -> (distance from the midline, y) of its mark, and of its name further out.
REFLEX_SPOTS = {
    "biceps": (62, 128),
    "triceps": (92, 158),
    "brachioradialis": (112, 206),
    "finger": (126, 262),
    "abdominal": (36, 200),
    "knee": (58, 352),
    "ankle": (64, 436),
}
# Limbs of the stick figure on one side, as distances from the midline.
STICKS = (((0, 110), (70, 150)), ((70, 150), (98, 236)), ((0, 250), (36, 345)), ((36, 345), (40, 448)),
          ((40, 448), (66, 462)))  # fmt: skip
# Body outline: area -> polygon on one side (distance from the midline, y), and where its words stand.
OUTLINE_CENTRE = 664
AREAS: dict[str, tuple[tuple[tuple[int, int], ...], tuple[int, int]]] = {
    "face": (((0, 52), (22, 58), (24, 84), (12, 104), (0, 108)), (34, 72)),
    "neck": (((0, 108), (11, 106), (11, 120), (0, 120)), (22, 110)),
    "trunk": (((0, 120), (44, 124), (42, 190), (0, 190)), (0, 0)),
    "abdomen": (((0, 190), (42, 190), (40, 252), (0, 256)), (0, 0)),
    "upper arm": (((44, 124), (60, 132), (72, 196), (56, 200), (46, 150)), (80, 156)),
    "forearm": (((56, 200), (72, 196), (84, 256), (72, 260)), (90, 222)),
    "hand": (((72, 260), (84, 256), (92, 286), (80, 294), (72, 282)), (100, 278)),
    "thigh": (((2, 256), (40, 252), (38, 346), (14, 348)), (46, 306)),
    "lower leg": (((14, 348), (38, 346), (34, 436), (18, 438)), (46, 394)),
    "foot": (((18, 438), (34, 436), (48, 458), (22, 462)), (56, 452)),
}
# Every rule is bound to the figure's own id, so that a page around it keeps its own look.
STYLE = (
    ("text", "font-family:'DejaVu Sans',Verdana,sans-serif;font-size:12px;fill:#111"),
    (".name", "font-size:10px;fill:#444"),
    (".head", "font-size:14px;font-weight:bold"),
    (".grade", "font-weight:bold"),
    (".body", "fill:none;stroke:#333;stroke-width:2.5;stroke-linecap:round"),
    (".shape", "fill:#fff;stroke:#111;stroke-width:1.5"),
    (".abnormal", "fill:#ffe2c4;stroke-width:2.5"),
    (".absent", "stroke-dasharray:2 3;stroke:#666"),
    (".area", "stroke:#333;stroke-width:1.2"),
    (".draft", "font-size:13px;font-weight:bold"),
)


def figure(note: Note, *, draft: bool = False, prefix: str = "reflexes") -> str:
    """The figure of one note as an SVG document.

    Args:
        note: the note; nothing else is read.
        draft: print DRAFT on the figure.
        prefix: start of the ids inside, so that several figures can stand on one page.
    """
    marks = _marks(note)
    listed = list(unplaced(note))
    height = TOP + 16 * len(listed) + (18 if listed else 0)
    said = [mark.words for mark in _flat(marks) if mark.state != "not_recorded"]
    silent = [mark.words.removesuffix(": not recorded") for mark in _flat(marks) if mark.state == "not_recorded"]
    description = (
        ". ".join(said + listed) + ". " if said or listed else "Nothing was recorded. "
    ) + f"Not recorded: {'; '.join(silent) or 'none'}."
    parts = [
        f'<svg id="{prefix}" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        f'width="{WIDTH}" height="{height}" role="img" aria-labelledby="{prefix}-title {prefix}-desc">',
        f'<title id="{prefix}-title">{"DRAFT. " if draft else ""}{TITLE}</title>',
        f'<desc id="{prefix}-desc">{_safe(description)}</desc>',
        f"<style>{''.join(f'#{prefix} {what}{{{rule}}}' for what, rule in STYLE)}</style>",
        _hatches(prefix),
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
        *_headings(draft),
        *_stick_figure(marks),
        *_outline(note, prefix),
        *_legend(),
        *_list(listed),
        "</svg>",
    ]
    return "\n".join(parts)


Marks = dict[tuple[str, Side], Mark]


def _marks(note: Note) -> Marks:
    """Every mark of the stick figure by (spot, side)."""
    marks: Marks = {("jaw", "none"): reflex_mark(note, "jaw", "none")}
    sides: tuple[Side, ...] = ("right", "left")
    for side in sides:
        for site in REFLEX_SPOTS:
            marks[site, side] = reflex_mark(note, site, side)
        marks["plantar", side] = item_mark(note, "plantar", None, side, "plantar response")
        marks["clonus", side] = item_mark(note, "clonus", "ankle", side, "ankle clonus")
        marks["hoffmann", side] = item_mark(note, "hoffmann", None, side, "Hoffmann sign")
    return marks


def _flat(marks: Marks) -> list[Mark]:
    return list(marks.values())


def _headings(draft: bool) -> list[str]:
    parts = [
        _text(CENTRE, 22, "Reflexes and plantar responses", "head", "middle"),
        _text(OUTLINE_CENTRE, 22, "Power and sensation", "head", "middle"),
    ]
    for centre in (CENTRE, OUTLINE_CENTRE):
        parts.append(_text(centre - 80, 44, "patient's RIGHT", "name", "end"))
        parts.append(_text(centre + 80, 44, "patient's LEFT", "name", "start"))
    if draft:
        parts.append(_text(WIDTH // 2, 70, "DRAFT, not signed", "draft", "middle"))
    return parts


def _stick_figure(marks: Marks) -> list[str]:
    parts = [
        f'<circle class="body" cx="{CENTRE}" cy="74" r="22"/>',
        f'<line class="body" x1="{CENTRE}" y1="96" x2="{CENTRE}" y2="250"/>',
    ]
    for sign in (-1, 1):
        for (x1, y1), (x2, y2) in STICKS:
            here, there = CENTRE + sign * x1, CENTRE + sign * x2
            parts.append(f'<line class="body" x1="{here}" y1="{y1}" x2="{there}" y2="{y2}"/>')
    parts.append(_spot(marks["jaw", "none"], CENTRE, 84, "", 1))
    parts.append(_text(CENTRE + 30, 68, "jaw", "name", "start"))
    for sign, side in _SIDES:
        for site, (distance, y) in REFLEX_SPOTS.items():
            parts.append(_spot(marks[site, side], CENTRE + sign * distance, y, site, sign))
        parts.append(_plantar(marks["plantar", side], CENTRE + sign * 70, sign))
        for row, (name, key) in enumerate((("Hoffmann", "hoffmann"), ("ankle clonus", "clonus"))):
            mark = marks[key, side]
            label = mark.label or "not recorded"
            y = 292 if row == 0 else 396
            parts.append(
                f"<g><title>{_safe(mark.words)}</title>"
                + _text(CENTRE + sign * 90, y, f"{name}: {label}", "name", "end" if sign < 0 else "start")
                + "</g>"
            )
    return parts


_SIDES: tuple[tuple[int, Side], ...] = ((-1, "right"), (1, "left"))


def _spot(mark: Mark, x: int, y: int, name: str, sign: int) -> str:
    """A shape with the grade in it, and the name of the reflex outside."""
    half = max(13, 4 * len(mark.label) + 4)
    out = x + sign * (half + (12 if mark.state in ("equivocal", "conflict") else 5))
    label = _text(x, y + 4, mark.label, "grade", "middle") if mark.label else ""
    caption = _text(out, y + 4, name, "name", "end" if sign < 0 else "start") if name not in ("", "abdominal") else ""
    if name == "abdominal":
        caption = _text(x, y + 26, "abd.", "name", "middle")
    return f"<g><title>{_safe(mark.words)}</title>{_shape(mark, x, y, half)}{label}{caption}</g>"


def _shape(mark: Mark, x: int, y: int, half: int) -> str:
    if mark.state == "abnormal":
        return f'<rect class="shape abnormal" x="{x - half}" y="{y - 12}" width="{2 * half}" height="24"/>'
    if mark.state in ("equivocal", "conflict"):
        points = f"{x - half - 6},{y} {x},{y - 17} {x + half + 6},{y} {x},{y + 17}"
        return f'<polygon class="shape" points="{points}"/>'
    dotted = "" if mark.state == "normal" else " absent"
    return f'<ellipse class="shape{dotted}" cx="{x}" cy="{y}" rx="{half}" ry="12"/>'


def _plantar(mark: Mark, x: int, sign: int) -> str:
    """Arrow down for flexor, up for extensor; a word for everything else."""
    arrow = ""
    if mark.label in ("flexor", "extensor"):
        tip, tail = (506, 478) if mark.label == "flexor" else (478, 506)
        wing = tip - 8 if mark.label == "flexor" else tip + 8
        arrow = (
            f'<path class="body" d="M{x} {tail}V{tip}M{x - 7} {wing}L{x} {tip}L{x + 7} {wing}"/>'
        )  # fmt: skip
    label = mark.label or "not recorded"
    anchor = "end" if sign < 0 else "start"
    words = _text(x + sign * 14, 496, f"plantar: {label}", "name" if not arrow else "grade", anchor)
    return f"<g><title>{_safe(mark.words)}</title>{arrow}{words}</g>"


def _outline(note: Note, prefix: str) -> list[str]:
    parts = []
    for sign, side in _SIDES:
        for area, (polygon, (dx, y)) in AREAS.items():
            power, feeling = power_mark(note, area, side), sensation_mark(note, area, side)
            points = " ".join(f"{OUTLINE_CENTRE + sign * px},{py}" for px, py in polygon)
            fill = {
                "abnormal": f"url(#{prefix}-lines)",
                "equivocal": f"url(#{prefix}-dots)",
                "normal": "#fff",
            }.get(feeling.state, "none")
            silent = power.state == feeling.state == "not_recorded"
            title = "; ".join(m.words for m in (power, feeling) if area in ("trunk",) or m.state != "not_recorded")
            dashes = ' stroke-dasharray="3 3"' if silent else ""
            words = _area_words(power, feeling)
            parts.append(
                f"<g><title>{_safe(title or f'{area}, {side}: not recorded')}</title>"
                f'<polygon class="area" points="{points}" fill="{fill}"{dashes}/>'
                + (_area_label(words, sign, dx, y, area) if words else "")
                + "</g>"
            )
    return parts


def _area_words(power: Mark, feeling: Mark) -> str:
    parts = []
    if power.label:
        parts.append(f"P {power.label}")
    if feeling.label:
        parts.append(f"S {feeling.label}")
    return ", ".join(parts)


def _area_label(words: str, sign: int, dx: int, y: int, area: str) -> str:
    if dx:
        return _text(OUTLINE_CENTRE + sign * dx, y, words, "", "end" if sign < 0 else "start")
    y = 158 if area == "trunk" else 226
    return _text(OUTLINE_CENTRE + sign * 21, y, words.removeprefix("S "), "name", "middle")


def _hatches(prefix: str) -> str:
    return (
        f'<defs><pattern id="{prefix}-lines" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect width="6" height="6" fill="#fff"/>'
        '<line x1="0" y1="0" x2="0" y2="6" stroke="#b0531a" stroke-width="2.5"/></pattern>'
        f'<pattern id="{prefix}-dots" width="6" height="6" patternUnits="userSpaceOnUse">'
        '<rect width="6" height="6" fill="#fff"/><circle cx="3" cy="3" r="1.3" fill="#333"/></pattern></defs>'
    )


def _legend() -> list[str]:
    lines = (
        "circle: normal · square: abnormal · diamond: doubtful or two results · dotted ring: not recorded · "
        "n/e: not examined · ( ): said in summary",
        "P: lowest power recorded in the area (MRC) · S: sensation; lines: abnormal, dots: doubtful · "
        "dashed outline: neither power nor sensation recorded",
    )
    return [_text(WIDTH // 2, 532 + 16 * row, line, "name", "middle") for row, line in enumerate(lines)]


def _list(listed: list[str]) -> list[str]:
    if not listed:
        return []
    head = _text(20, TOP + 10, "Recorded, with no place on the figure:", "grade", "start")
    return [head, *(_text(30, TOP + 28 + 16 * row, line, "", "start") for row, line in enumerate(listed))]


def _text(x: int, y: int, words: str, kind: str, anchor: str) -> str:
    style = f' class="{kind}"' if kind else ""
    return f'<text x="{x}" y="{y}"{style} text-anchor="{anchor}">{_safe(words)}</text>'


def _safe(words: str) -> str:
    """Words as XML text: markup escaped, characters that XML forbids shown as a question mark."""
    return escape("".join(c if c in "\t\n" or (ord(c) >= 32 and c not in "\ufffe\uffff") else "?" for c in words))
