"""Marks and capitals change no findings: a recogniser writes none, and people type as they like.

The dictations of tests/cases/marks.toml are invented, of every kind that is dictated or typed: short and long, spoken
and telegraphic, with talk, instructions and repairs. Line breaks stay: they are pauses, not marks. The golden
dictations that are spoken are held to the same in tests/grammar/test_golden.py (`marks` in the baseline).
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

import grammar

CASES = Path(__file__).resolve().parents[1] / "cases" / "marks.toml"
MARKS = re.compile(r"[.,;:](?=\s|$)")
WAYS = {
    "no commas": lambda text: text.replace(",", ""),
    "no full stops": lambda text: re.sub(r"\.(?=\s|$)", "", text),
    "no marks": lambda text: MARKS.sub("", text),
    "small letters": str.lower,
    "small letters and no marks": lambda text: MARKS.sub("", text.lower()),
    "sentences with a capital": lambda text: re.sub(
        r"(^|\. )([a-z])", lambda found: found.group(1) + found.group(2).upper(), text
    ),
}


def dictations() -> list[dict[str, Any]]:
    """The dictations of the case file."""
    found: list[dict[str, Any]] = tomllib.loads(CASES.read_text(encoding="utf-8"))["dictation"]
    return found


def findings(text: str) -> set[tuple[str | None, ...]]:
    """What a text says, without where it stands."""
    return {(f.item, f.site, f.side, f.status, f.grade) for f in grammar.parse(text).note.findings}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("case", dictations(), ids=lambda case: case["name"])
def test_marks_and_capitals_change_no_finding(case: dict[str, Any], way: str) -> None:
    """The same findings with the marks or capitals written in another way."""
    text = case["text"].rstrip()
    plain, changed = findings(text), findings(WAYS[way](text))
    assert len(plain) >= case["findings"]
    assert changed == plain, f"lost {sorted(map(str, plain - changed))}, new {sorted(map(str, changed - plain))}"
