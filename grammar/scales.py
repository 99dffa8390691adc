"""A spoken number on an item's published scale: its canonical grade and what that grade means.

The scales and their sources are in data/scales.toml. A value outside its scale is never a grade; it becomes a query.
"""

from __future__ import annotations

import re

from grammar.numbers import Grade
from grammar.protocols import Scale

_SNELLEN = {
    6: (3, 4, 5, 6, 7, 9, 12, 18, 24, 36, 60),
    20: (10, 13, 15, 16, 20, 25, 30, 32, 40, 50, 60, 63, 70, 80, 100, 125, 150, 200, 400),
}


class Placed:
    """Where a grade lies: `grade` is its canonical form, `normal` what that means (None: says nothing).

    `bounds` is set instead when the value lies outside the scale. `pair` holds typed right/left values ("3/2").
    """

    __slots__ = ("bounds", "grade", "high", "normal", "pair")

    def __init__(
        self,
        grade: str | None = None,
        normal: bool | None = None,
        bounds: str | None = None,
        pair: tuple[str, str] | None = None,
        high: str | None = None,
    ) -> None:
        self.grade = grade
        self.normal = normal
        self.bounds = bounds
        self.pair = pair
        self.high = high


def place(name: str, scale: Scale, grade: Grade) -> Placed | None:
    """The grade on the scale called `name`; None when this kind of number cannot be meant for that scale."""
    rule = _RULES.get(name)
    if grade.n >= 1900:
        return None  # a year
    return rule(scale, grade) if rule is not None else None


def _plain(grade: Grade) -> bool:
    return grade.unit is None and grade.level is None and not grade.trace


def _mrc(scale: Scale, grade: Grade) -> Placed | None:
    if (
        grade.den is not None
        and _plain(grade)
        and (grade.spaced or grade.den < 5 or (grade.den_sign and not (grade.den == 5 and grade.n == 5)))
    ):
        pair = _mrc_value(scale, grade.n, grade.sign), _mrc_value(scale, grade.den, grade.den_sign)
        if pair[0] is not None and pair[1] is not None:
            return Placed(pair[0], pair[0] in scale.normal, pair=(pair[0], pair[1]))
    if not _plain(grade) or grade.den not in (None, 5):
        return None
    value = _mrc_value(scale, grade.n, grade.sign)
    if grade.hi is not None:
        high = _mrc_value(scale, grade.hi, grade.hi_sign)
        if value is None or high is None:
            return Placed(bounds="0 to 5")
        low, top = sorted((value, high), key=scale.values.index)
        return Placed(low, low in scale.normal, high=top)
    if value is None:
        return Placed(bounds="0 to 5")
    return Placed(value, value in scale.normal)


def _mrc_value(scale: Scale, n: int, sign: str) -> str | None:
    if n == 5 and sign == "+":
        sign = ""
    value = f"{n}{sign}"
    return value if value in scale.values else None


def _reflex(scale: Scale, grade: Grade) -> Placed | None:
    if grade.trace:
        return Placed("trace", False)
    if not _plain(grade):
        return None
    if grade.den is not None and grade.den != 4 and grade.den > 4:
        return Placed(bounds="0 to 4+") if grade.den == 5 and grade.n > 5 else None
    value = _reflex_value(grade.n)
    if value is None:
        return Placed(bounds="0 to 4+")
    if grade.den is not None and (grade.den != 4 or grade.den_sign == "++"):
        other = _reflex_value(grade.den)
        if other is not None:
            return Placed(value, value in scale.normal, pair=(value, other))
    if grade.hi is not None:
        high = _reflex_value(grade.hi)
        return Placed(value, value in scale.normal, high=high) if high else Placed(bounds="0 to 4+")
    return Placed(value, value in scale.normal)


def _reflex_value(n: int) -> str | None:
    if n > 4:
        return None
    return "0" if n == 0 else f"{n}+"


def _ashworth(scale: Scale, grade: Grade) -> Placed | None:
    if not _plain(grade) or grade.den not in (None, 4):
        return None
    value = f"{grade.n}{grade.sign if grade.n == 1 and grade.sign == '+' else ''}"
    if value not in scale.values:
        return Placed(bounds="0 to 4")
    return Placed(value, value in scale.normal)


def _gcs(scale: Scale, grade: Grade) -> Placed | None:
    if not _plain(grade) or grade.sign or grade.den not in (None, 15):
        return None
    if not 3 <= grade.n <= 15:
        return Placed(bounds="3 to 15")
    return Placed(str(grade.n), grade.n == 15)


def _snellen(scale: Scale, grade: Grade) -> Placed | None:
    if grade.n not in scale.numerators or grade.den is None:
        return None
    if grade.den not in _SNELLEN[grade.n]:
        return Placed(bounds="a line of the chart, 6/3 to 6/60 or 20/10 to 20/400")
    return Placed(f"{grade.n}/{grade.den}", grade.den <= grade.n)


def _degrees(scale: Scale, grade: Grade) -> Placed | None:
    if grade.unit not in (None, "degrees") or grade.den is not None or grade.sign or grade.trace or grade.level:
        return None
    if grade.unit is None and grade.n < 10:
        return None
    if grade.n > (scale.max or 180):
        return Placed(bounds="0 to 180 degrees")
    return Placed(str(grade.n))


def _count(scale: Scale, grade: Grade) -> Placed | None:
    if grade.den is None or not _plain(grade) or grade.sign:
        return None
    if grade.n > grade.den:
        return Placed(bounds=f"0 to {grade.den}")
    return Placed(f"{grade.n}/{grade.den}", grade.n == grade.den)


def _beats(scale: Scale, grade: Grade) -> Placed | None:
    if grade.unit not in (None, "beats") or grade.den is not None or grade.trace or grade.level:
        return None
    if grade.n == 0:
        return Placed("0", True)
    return Placed(str(grade.hi if grade.hi and grade.hi > grade.n else grade.n), False)


def _millimetres(scale: Scale, grade: Grade) -> Placed | None:
    if (
        grade.unit not in (None, "millimetres")
        or grade.den not in (None, grade.n)
        or grade.sign
        or grade.trace
        or grade.level
    ):
        return None
    if grade.n > (scale.max or 12) or grade.n == 0:
        return Placed(bounds="1 to 12 millimetres")
    return Placed(f"{grade.n}.{grade.fraction}" if grade.fraction else str(grade.n))


def _level(scale: Scale, grade: Grade) -> Placed | None:
    if grade.level is None:
        return None
    if scale.pattern and not re.match(scale.pattern, grade.level):
        return Placed(bounds="C2 to S5")
    return Placed(grade.level, False)


_RULES = {
    "mrc": _mrc,
    "reflex": _reflex,
    "ashworth": _ashworth,
    "gcs": _gcs,
    "snellen": _snellen,
    "degrees": _degrees,
    "count": _count,
    "beats": _beats,
    "millimetres": _millimetres,
    "level": _level,
}
