"""An explanation quotes only words of its finding; the vocabulary holds every word a phrase needs."""

from __future__ import annotations

import pytest

import grammar
from grammar import vocabulary
from grammar.explain import explain, why_side, why_status
from grammar.pipeline import pipeline

REASONS = [
    # said, which finding, why its side, why its status
    ("right ankle jerk absent, sorry, left", 0, 'said by the repair "left"', 'the result "absent"'),
    ("no drift", 0, '"no" without a side denies both', 'the sign is denied by "no"'),
    ("knee jerk two plus", 0, "no side was said, and none is guessed", 'the grade "two plus"'),
    ("romberg negative", 0, "this has no side", 'the result "negative"'),
    ("knee jerks are brisk", 0, "a plural, or a test of both sides by habit with a normal result",
     'the result "brisk"'),
    ("on the left, biceps 3+, triceps 1+", 1,
     "carried on from the side said before, or the side that an exception left", 'the grade "1+"'),
    ("left plantar extensor", 0, 'said by the side "left"', 'the result "extensor"'),
]  # fmt: skip


@pytest.mark.parametrize(("said", "index", "side", "status"), REASONS, ids=[row[0] for row in REASONS])
def test_a_finding_says_why(said: str, index: int, side: str, status: str) -> None:
    """The reasons name the words that decided, or the rule by which no word was needed."""
    finding = grammar.parse(said).note.findings[index]
    assert why_status(finding) == status
    assert why_side(finding) == side


def test_every_quoted_word_was_said() -> None:
    """Steps quote the transcript; nothing is left out of the explanation."""
    said = "follow my finger. right knee jerk two plus. her mother has a tremor. zebra crossing. plantar extensor"
    note = grammar.parse(said).note
    text = explain(note)
    for finding in note.findings:
        for step in finding.steps:
            assert step.words in said
            assert f'"{step.words}"' in text
    for kind in ("instruction", "context", "unread", "query (side_unstated)"):
        assert f"\n{kind}: " in text


def test_the_empty_note_explains_itself_as_nothing() -> None:
    """No words, no lines."""
    assert explain(grammar.parse("").note) == ""


def test_the_vocabulary_holds_every_word_of_every_phrase() -> None:
    """A recogniser limited to the list can say every phrase; each word has its normal form."""
    known = set(vocabulary.words())
    for phrase in vocabulary.phrases():
        for token in pipeline().doc(phrase):
            word = token.text.lower().rstrip("-")
            if word.isalpha():
                assert word in known, phrase
    forms = dict(vocabulary.normal_forms())
    assert forms["four"] == "4"
    assert forms["hemorrhage"] == "haemorrhage"
    assert {"knee", "brisk", "right", "withdraw", "papilledema"} <= known
    assert not any(char.isdigit() for word in known for char in word)
