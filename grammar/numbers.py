"""Spoken and typed numbers -> Grade: "four minus out of five", "2+/4", "plus two", "45 degrees", "t ten", "6/9".

A `Grade` says only what the words say; on which scale it lies, and whether it lies on it at all, is decided by
`grammar/scales.py` once the item is known.
"""

from __future__ import annotations

from collections.abc import Sequence

# Normal forms of units that can follow a number.
_UNITS = {
    "beats": "beats",
    "beat": "beats",
    "degrees": "degrees",
    "degree": "degrees",
    "millimetres": "millimetres",
    "millimetre": "millimetres",
}
_LEVELS = {"c": (2, 8), "t": (1, 12), "l": (1, 5), "s": (1, 5)}


class Grade:
    """A number as said: `n` with its sign, over `den`, up to `hi`; `unit` when one was said; or a level."""

    __slots__ = (
        "den",
        "den_sign",
        "end",
        "fraction",
        "hi",
        "hi_sign",
        "level",
        "level_to",
        "lone",
        "n",
        "sign",
        "spaced",
        "trace",
        "unit",
    )

    def __init__(self, n: int, end: int) -> None:
        self.n = n
        self.end = end
        self.fraction = ""
        self.sign = ""
        self.den: int | None = None
        self.den_sign = ""
        self.hi: int | None = None
        self.hi_sign = ""
        self.unit: str | None = None
        self.level: str | None = None
        self.level_to: str | None = None
        self.trace = False
        self.spaced = False
        self.lone = False

    def __repr__(self) -> str:
        return f"Grade({self.n}{self.sign}/{self.den} hi={self.hi} unit={self.unit} level={self.level})"


def number_at(norms: Sequence[str], i: int) -> tuple[int, int] | None:
    """(value, end) of the whole number that starts at token i: "45", "forty five"; None if there is none."""
    word = norms[i]
    if not word.isdecimal() or len(word) > 4:
        return None
    value = int(word)
    if len(word) == 1 and word != "0" and norms[i + 1 : i + 2] == ["hundred"]:
        return _hundreds(norms, value, i + 2)
    if value in (20, 30, 40, 50, 60, 70, 80, 90) and i + 1 < len(norms):
        unit = norms[i + 1]
        if unit.isdecimal() and len(unit) == 1 and unit != "0":
            return value + int(unit), i + 2
    return value, i + 1


def _hundreds(norms: Sequence[str], hundreds: int, i: int) -> tuple[int, int]:
    """ "two hundred", "one hundred and ten": what follows "hundred" at token i, below a hundred, is added."""
    after = i + 1 if norms[i : i + 1] == ["and"] else i
    rest = number_at(norms, after) if after < len(norms) else None
    if rest is None or not 0 < rest[0] < 100:
        return hundreds * 100, i
    return hundreds * 100 + rest[0], rest[1]


def _sign_at(norms: Sequence[str], i: int) -> tuple[str, int]:
    """The plus or minus after a number; a minus before another number is a range ("4-5"), not a sign."""
    if i < len(norms) and norms[i] in "+-" and norms[i]:
        following = norms[i + 1] if i + 1 < len(norms) else ""
        if norms[i] == "-" and following.isdecimal():
            return "", i
        return norms[i], i + 1
    return "", i


def _denominator(norms: Sequence[str], i: int) -> tuple[int, int] | None:
    """(den, end) after "out of", "over", "/", "x" or, for counts, "of"."""
    if i >= len(norms):
        return None
    word, after = norms[i], i + 1
    if word == "out" and after < len(norms) and norms[after] == "of":
        after += 1
    elif word == "/" and after < len(norms) and norms[after] == "iv":
        return 4, after + 1
    elif word not in ("over", "/", "of", "x", "by"):
        return None
    if after < len(norms) and norms[after] in ("a", "the", "possible"):
        after += 1
    found = number_at(norms, after) if after < len(norms) else None
    if word == "by" and (found is None or found[0] != 5):
        return None
    return found


def grade_at(norms: Sequence[str], texts: Sequence[str], i: int, fractions: dict[str, int]) -> Grade | None:
    """The grade that starts at token i, or None. `texts` are the words as heard, beside their normal forms."""
    word = norms[i]
    if word == "trace":
        return _trace(i + 1)
    if word == "+":
        return _plus_first(norms, i)
    if word == "-":
        return _minus_first(norms, i)
    if word in _LEVELS or word == "left" or (len(word) in (2, 3) and word[0] in "ctls" and word[1:].isdecimal()):
        level = level_at(norms, texts, i)
        if level is not None:
            k = level.end
            if k + 1 < len(norms) and norms[k] in ("to", "through", "-", "down"):
                top = level_at(norms, texts, k + 1)
                if top is not None:
                    level.level_to, level.end = top.level, top.end
            return level
    found = number_at(norms, i)
    if found is None:
        return _decimal(norms, i)
    grade = Grade(*found)
    if _half(grade, norms):
        return grade
    grade.sign, grade.end = _sign_at(norms, grade.end)
    _over(grade, norms)
    if grade.den is None and grade.end < len(norms) and norms[grade.end] in fractions:
        grade.den = fractions[norms[grade.end]]
        grade.end += 1
    _range(grade, norms)
    if grade.end < len(norms) and norms[grade.end] in _UNITS:
        grade.unit = _UNITS[norms[grade.end]]
        grade.end += 1
    return grade


def _decimal(norms: Sequence[str], i: int) -> Grade | None:
    """ "3.5 mm", written with its point; only a measure in millimetres has parts."""
    whole, point, part = norms[i].partition(".")
    if not (point and whole.isdecimal() and part.isdecimal() and len(whole) < 3 and len(part) == 1):
        return None
    grade = Grade(int(whole), i + 1)
    return grade if _millimetres(grade, part, norms) else None


def _half(grade: Grade, norms: Sequence[str]) -> bool:
    """ "three and a half millimetres", "three point five millimetres"."""
    end = grade.end
    for words, part in ((("and", "a", "half"), "5"), (("point",), None)):
        if tuple(norms[end : end + len(words)]) != words:
            continue
        after = end + len(words)
        if part is None and after < len(norms) and norms[after].isdecimal() and len(norms[after]) == 1:
            part, after = norms[after], after + 1
        if part is not None:
            grade.end = after
            if _millimetres(grade, part, norms):
                return True
            grade.end = end
    return False


def _millimetres(grade: Grade, part: str, norms: Sequence[str]) -> bool:
    """Give the grade its part when millimetres, or the end of what was said, follow."""
    if grade.end >= len(norms) or norms[grade.end] != "millimetres":
        return False
    grade.fraction = "" if part == "0" else part
    grade.unit = "millimetres"
    grade.end += 1
    return True


def _trace(end: int) -> Grade:
    grade = Grade(0, end)
    grade.trace = True
    return grade


def _over(grade: Grade, norms: Sequence[str]) -> None:
    over = _denominator(norms, grade.end)
    if over is None:
        return
    grade.den, grade.end = over
    if (
        grade.end < len(norms)
        and norms[grade.end] in ("+", "-")
        and not (norms[grade.end] == "-" and grade.end + 1 < len(norms) and norms[grade.end + 1].isdecimal())
    ):
        grade.den_sign, grade.end = norms[grade.end], grade.end + 1


def _range(grade: Grade, norms: Sequence[str]) -> None:
    """ "4 to 4 plus", "4-5": the upper end and, if only it has one, its denominator."""
    i = grade.end
    if i + 1 >= len(norms) or norms[i] not in ("to", "-"):
        return
    found = number_at(norms, i + 1)
    if found is None:
        return
    grade.hi, end = found
    grade.hi_sign, grade.end = _sign_at(norms, end)
    over = _denominator(norms, grade.end)
    if over is None or norms[grade.end] == "of":
        return
    if grade.den == grade.n and over[0] == grade.hi:  # "1+/1+ to 2+/2+": the ends are pairs
        grade.end = _sign_at(norms, over[1])[1]
    else:
        grade.den, grade.end = over


def _plus_first(norms: Sequence[str], i: int) -> Grade | None:
    """ "plus two", "+2/2", and "++" as 2+."""
    pluses = 0
    while i + pluses < len(norms) and norms[i + pluses] == "+":
        pluses += 1
    other = _signs(norms, i + pluses + 1) if list(norms[i + pluses : i + pluses + 1]) == ["/"] else None
    if pluses >= 2 or other is not None:
        grade = Grade(pluses, i + pluses)
        grade.sign, grade.lone = "+", pluses == 1
        if other is not None:
            grade.den, grade.end = other
            grade.den_sign = "++"
        return grade
    found = number_at(norms, i + 1) if i + 1 < len(norms) else None
    if found is None:
        grade = Grade(1, i + 1)
        grade.sign, grade.lone = "+", True
        return grade
    grade = Grade(*found)
    grade.sign = "+"
    _over(grade, norms)
    return grade


def _signs(norms: Sequence[str], i: int) -> tuple[int, int] | None:
    """(count, end) of the run of plus signs at token i, or (0, end) of a single minus, in a typed pair of reflexes."""
    end = i
    while end < len(norms) and norms[end] == "+":
        end += 1
    if end > i:
        return end - i, end
    return (0, i + 1) if i < len(norms) and norms[i] == "-" else None


def _minus_first(norms: Sequence[str], i: int) -> Grade | None:
    """ "-/-", "-/++": no reflex on the first side of a typed pair."""
    other = _signs(norms, i + 2) if list(norms[i + 1 : i + 2]) == ["/"] else None
    if other is None:
        return None
    grade = Grade(0, other[1])
    grade.den, grade.lone = other[0], True
    grade.den_sign = "++"
    return grade


def level_at(norms: Sequence[str], texts: Sequence[str], i: int) -> Grade | None:
    """A dermatome or spinal level at token i: "T10", "t ten", "l five" (but not "L 5/5", which is a side)."""
    word = norms[i]
    if len(word) > 1 and word != "left":
        if word[0] not in _LEVELS or not word[1:].isdecimal() or len(word) > 3:
            return None
        return _level(word[0], int(word[1:]), i + 1)
    letter = texts[i].lower()
    if letter not in _LEVELS or i + 1 >= len(norms):
        return None
    found = number_at(norms, i + 1)
    if found is None:
        return None
    value, end = found
    if letter == "l":
        spoken = texts[i] == "l" and texts[i + 1].isalpha()
        if not spoken or (end < len(norms) and norms[end] in ("+", "-", "/", "out", "over")):
            return None
    if end < len(norms) and norms[end] in ("/", "out", "over"):
        return None
    return _level(letter, value, end)


def _level(letter: str, value: int, end: int) -> Grade | None:
    low, high = _LEVELS[letter]
    if not low <= value <= high:
        return None
    grade = Grade(value, end)
    grade.level = f"{letter.upper()}{value}"
    return grade


# What stands between a part of the coma scale and its value ("motor withdraws, four", "eyes open to pain, two").
_RESPONSES = frozenset(
    (
        *("opening", "open", "opens", "response", "is", "score", ",", ":"),
        *("of", "'s", "so", "to", "that", "pain", "voice", "speech"),
        *("spontaneously", "withdraws", "withdrawing", "withdrawal", "localises", "localising", "obeys", "obeying"),
        *("flexes", "flexion", "flexing", "extends", "extension", "extending", "confused", "inappropriate"),
        *("incomprehensible", "words", "sounds", "tubed", "intubated", "none", "nil"),
    )
)


def gcs_part(norms: Sequence[str], i: int) -> tuple[str, int, int] | None:
    """(part, value, end) of a Glasgow Coma Scale part at token i: "eyes three", "verbal 4", "E4", "m six"."""
    word = norms[i]
    if len(word) == 2 and word[0] in "evm" and word[1].isdecimal():
        return {"e": "eye", "v": "verbal", "m": "motor"}[word[0]], int(word[1]), i + 1
    part = {
        "eye": "eye",
        "eyes": "eye",
        "e": "eye",
        "verbal": "verbal",
        "v": "verbal",
        "voice": "verbal",
        "motor": "motor",
        "m": "motor",
    }.get(word)
    if part is None:
        return None
    end = i + 1
    while end < len(norms) and norms[end] in _RESPONSES:
        end += 1
    found = number_at(norms, end) if end < len(norms) else None
    if found is None or found[0] > 9:
        return None
    if found[1] < len(norms) and norms[found[1]] in ("+", "-", "/", "out", "over", "millimetres", "beats"):
        return None
    return part, found[0], found[1]
