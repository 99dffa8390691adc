"""The grammar on passages that others wrote: findings judged by reading, and how many sentences yield one.

The data, how it was drawn and where it comes from: tests/cases/passages/README.md.
"""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

import grammar
from tests.bench.passages import sentences, summary

CASES = Path(__file__).parents[1] / "cases" / "passages"
# Shares wanted of the judged findings and of the sentences that name an item.
PRECISION, YIELD = 0.97, 0.85

Row = tuple[str, str | None, str, str, str | None]


def load(name: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (CASES / name).read_text(encoding="utf-8").splitlines()]


PASSAGES = {passage["id"]: passage for passage in load("passages.jsonl")}
CHECKED = load("checked.jsonl")


@lru_cache(maxsize=512)
def given(passage: str) -> frozenset[Row]:
    """What the grammar takes from a passage now."""
    found = grammar.parse(PASSAGES[passage]["text"]).note.findings
    return frozenset((f.item, f.site, f.side, f.status, f.grade) for f in found)


def judged(passage: str, verdict: str) -> set[Row]:
    """The findings of a passage that were judged so."""
    return {
        (row["item"], row["site"], row["side"], row["status"], row["grade"])
        for row in CHECKED
        if row["passage"] == passage and row["verdict"] == verdict
    }


def test_every_judged_finding_has_its_passage_with_source_and_licence() -> None:
    assert {row["passage"] for row in CHECKED} == set(PASSAGES)
    assert {passage["licence"] for passage in PASSAGES.values()} == {"CC0 1.0", "CC BY 4.0", "CDLA-Permissive-2.0"}
    assert all(passage["source"] for passage in PASSAGES.values())
    assert all(row["verdict"] == "right" or row["wrong"] for row in CHECKED)
    keys = [(row["passage"], row["item"], row["site"], row["side"], row["status"], row["grade"]) for row in CHECKED]
    assert len(keys) == len(set(keys)) >= 150


@pytest.mark.parametrize("passage", sorted(PASSAGES))
def test_findings_judged_right_are_given_and_those_judged_wrong_are_not(passage: str) -> None:
    assert judged(passage, "right") - given(passage) == set(), "judged right and no longer given"
    assert judged(passage, "wrong") & given(passage) == set(), "judged wrong and still given"


def test_precision_of_the_judged_findings() -> None:
    kept = [(row, (row["item"], row["site"], row["side"], row["status"], row["grade"])) for row in CHECKED]
    verdicts = [row["verdict"] for row, key in kept if key in given(row["passage"])]
    assert len(verdicts) >= 150
    assert verdicts.count("right") / len(verdicts) >= PRECISION


def test_no_judged_finding_is_given_on_the_other_side() -> None:
    other = {"right": "left", "left": "right"}
    wrong = []
    for row in CHECKED:
        if row["verdict"] != "right" or row["side"] not in other:
            continue
        twin: Row = (row["item"], row["site"], other[row["side"]], row["status"], row["grade"])
        if twin in given(row["passage"]) and twin not in judged(row["passage"], "right"):
            wrong.append((row["passage"], twin))
    assert wrong == []


def test_sentences_that_name_an_item_yield_a_finding() -> None:
    counts = summary([row for passage in PASSAGES.values() for row in sentences(passage)])
    assert counts["naming_an_item"] > 500
    assert counts["share_with_a_finding"] >= YIELD
    assert counts["found_in_instructions"] == 0
