"""Findings as sentences: "There was a supinator catch on the left. The plantar response was flexor on the
right and extensor on the left."

One sentence for each item and site, its sides in the order they were said. How an item is said is data
(data/prose.toml). Nothing is merged, inferred or left out: each finding is a clause of exactly one sentence.
Not-examined findings are said apart (`not_examined_lines`), never beside results.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from functools import lru_cache
from importlib.resources import files
from typing import Literal

from pydantic import BaseModel, ConfigDict

from dictate.exports.wording import item_label, place_words, scale_of, site_label, spaced
from grammar.models import Finding, Side

ON_SIDE: dict[Side, str] = {
    "right": "on the right",
    "left": "on the left",
    "both": "on both sides",
    "none": "",
    "unstated": "(side not stated)",
}
UNITS = {"degrees": " degrees", "millimetres": " mm", "beats": " beats"}
SUMMARY_SITES = {"arm": "arms", "leg": "legs", "limbs": "limbs", "neck": "neck"}


class Phrase(BaseModel):
    """How one item is said (see data/prose.toml)."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Literal["sign", "test"]
    noun: str
    article: str = ""
    site: str = ""
    site_first: bool = False
    plural: bool = False
    normal: str = "normal"
    abnormal: str = "abnormal"
    equivocal: str = "equivocal"
    out_of: str = ""


class _Wording(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    words: dict[str, str]
    items: dict[str, Phrase]


@lru_cache(maxsize=1)
def _wording() -> _Wording:
    text = (files("dictate.exports") / "data" / "prose.toml").read_text(encoding="utf-8")
    return _Wording.model_validate(tomllib.loads(text))


def phrases() -> dict[str, Phrase]:
    """Item -> how it is said."""
    return _wording().items


def _described(word: str) -> str:
    return _wording().words.get(word, spaced(word))


def sentences(findings: Sequence[Finding]) -> list[str]:
    """One sentence for each item and site that was examined, in the order of first mention."""
    groups: dict[tuple[str, str | None], list[Finding]] = {}
    for finding in findings:
        if finding.status != "not_examined":
            groups.setdefault((finding.item, finding.site), []).append(finding)
    return [line for group in groups.values() for line in _group(group)]


def not_examined_lines(findings: Iterable[Finding]) -> list[str]:
    """What the clinician said was not examined, each with its reason."""
    return [
        place_words(f.item, f.site, f.side) + (f": {f.reason}" if f.reason else ": no reason said")
        for f in findings
        if f.status == "not_examined"
    ]


def _group(group: list[Finding]) -> list[str]:
    phrase = phrases().get(group[0].item) or Phrase(kind="test", noun=item_label(group[0].item))
    if phrase.kind == "sign":
        return [_sign(phrase, finding) for finding in group]
    verb = "were" if phrase.plural else "was"
    clauses = [" ".join(filter(None, [_result(phrase, f), ON_SIDE[f.side]])) for f in group]
    return [_capital(f"{_noun(phrase, group[0])} {verb} {_joined(clauses)}.")]


def _joined(clauses: list[str]) -> str:
    return clauses[0] if len(clauses) == 1 else f"{', '.join(clauses[:-1])} and {clauses[-1]}"


def _noun(phrase: Phrase, finding: Finding) -> str:
    if finding.site is None:
        return " ".join(phrase.noun.replace("{site}", "").split())
    site = SUMMARY_SITES.get(finding.site, site_label(finding.site))
    if "{site}" in phrase.noun:
        return phrase.noun.replace("{site}", site)
    place = (phrase.site or "({site})").replace("{site}", site)
    return f"{place} {phrase.noun}" if phrase.site_first else f"{phrase.noun} {place}"


def _result(phrase: Phrase, finding: Finding) -> str:
    """The result in words: grade and descriptors where they were said, and always the status when it is not
    plain from them."""
    said = [_described(word) for word in finding.descriptors]
    grade = _grade(phrase, finding)
    plain = {"normal": phrase.normal, "abnormal": phrase.abnormal, "equivocal": phrase.equivocal}[finding.status]
    words = [*filter(None, [grade]), *([" and ".join(said)] if said else [])]
    if finding.status == "equivocal":
        words = [plain, *(f"({word})" for word in words if word != plain)]
    elif not words:
        words = [plain]
    elif finding.status == "abnormal" and grade and not said:
        words = [grade, "(abnormal)"]
    elif finding.status == "normal" and grade and not said:
        words = [grade, "(normal)"]
    qualified = [_qualifier(word) for word in finding.qualifiers]
    return " ".join(words) + (f" ({', '.join(qualified)})" if qualified else "")


def _grade(phrase: Phrase, finding: Finding) -> str:
    if finding.grade is None:
        return ""
    scale = scale_of(finding.item)
    if phrase.out_of:
        return f"{finding.grade}/{phrase.out_of}"
    return f"at {finding.grade}" if scale == "level" else f"{finding.grade}{UNITS.get(scale or '', '')}"


def _qualifier(word: str) -> str:
    return "no more than this could be said" if word == "hedged" else spaced(word)


def _sign(phrase: Phrase, finding: Finding) -> str:
    """A sign that is there, is not there, or is doubtful."""
    noun = _noun(phrase, finding)
    verb = "were" if phrase.plural else "was"
    side = ON_SIDE[finding.side]
    extras = [_described(word) for word in finding.descriptors if word not in ("none", "negative", "positive")]
    qualifiers = [word for word in finding.qualifiers if word != "hedged"]
    if finding.grade is not None:
        extras.append(_grade(phrase, finding))
    detail = f" ({', '.join([*qualifiers, *extras])})" if qualifiers or extras else ""
    if finding.status == "normal":
        definite = "definite " if "hedged" in finding.qualifiers else ""
        if finding.side == "both":
            side = "on either side"
        head = f"There {verb} no {definite}{noun}"
    elif finding.status == "equivocal":
        head = f"There {verb} doubtful {noun}"
    else:
        article = f"{phrase.article} " if phrase.article else ""
        if phrase.site_first and finding.site:
            article = "an " if noun[0] in "aeiou" else "a "
        head = f"There {verb} {article}{noun}"
    return " ".join(filter(None, [head + detail, side])) + "."


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
