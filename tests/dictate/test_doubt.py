"""Weakly heard words around findings: which findings are asked about."""

from __future__ import annotations

import pytest

from dictate.events import FinalText, Word
from dictate.hearing import note_of
from grammar.models import Note


def note(*lines: str, sure: float = 0.97) -> Note:
    """A note of utterances in which a word with `?` was heard weakly, one with `~` not surely enough for a side."""
    utterances = []
    at = 0.0
    for line in lines:
        words = []
        for said in line.split():
            confidence = 0.3 if said.endswith("?") else 0.65 if said.endswith("~") else sure
            words.append(Word(said.rstrip("?~"), at, at + 0.3, confidence))
            at += 0.4
        utterances.append(FinalText(tuple(words), words[0].start_s, at))
        at += 1.0
    return note_of(utterances)


def asked(found: Note) -> list[str]:
    """item and side of each finding that a query about weak hearing names."""
    places = {place for query in found.queries if query.kind == "heard_weakly" for place in query.findings}
    return [f"{found.findings[place].item} {found.findings[place].side}" for place in sorted(places)]


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (("right ankle jerk absent",), []),
        (("right~ ankle jerk absent",), ["reflex right"]),
        (("right ankle jerk absent~",), ["reflex right"]),
        (("right ankle~ jerk~ absent",), []),  # the item's own words are marked, not asked about
        (("grip four out of five left",), []),
        (("grip four out~ of five left",), ["power left"]),  # "four right, five left" was heard so
        # a word was lost between two sides: does the first result stand with the right side?
        (("ankle jerk absent on the right hem? normal on the left",), ["reflex right"]),
        (("ankle jerk absent on the right hem~ normal on the left",), ["reflex right"]),  # only one ear heard it
        (("right hand grip impaired~",), ["power right"]),  # a result's word as sure as a side must be
        (("ankle jerk absent on the right", "more? no? in? my? bag?"), []),  # another utterance
        (("i? mean? right ankle jerk absent",), ["reflex right"]),
        (("so? well then we will see now right ankle jerk absent",), []),  # too far off
    ],
)
def test_a_finding_is_asked_about_when_what_stands_by_it_was_heard_weakly(lines, expected) -> None:
    assert asked(note(*lines)) == expected


def test_the_query_says_what_was_heard_and_where() -> None:
    (query,) = [
        query
        for query in note("right ankle jerk absent", "left knee jerk hem? normal").queries
        if query.kind == "heard_weakly"
    ]
    assert "'hem'" in query.message
    assert "3.8 s" in query.message


@pytest.mark.parametrize(("rivals", "expected"), [(("impaired",), ["joint_position right"]), (("the",), []), ((), [])])
def test_a_result_that_only_the_other_reading_has_is_asked_about(rivals, expected) -> None:
    said = ["joint", "position", "sense", "in", "the", "right", "hand", "normal"]
    words = [Word(text, at * 0.4, at * 0.4 + 0.3, 0.9, rivals if text == "in" else ()) for at, text in enumerate(said)]
    assert asked(note_of([FinalText(tuple(words), 0.0, 4.0)])) == expected


@pytest.mark.parametrize(("rivals", "count"), [(("right", "a"), 1), (("or",), 0), ((), 0)])
def test_a_side_that_another_reading_has_for_a_word_that_is_none_is_asked_about(rivals, count) -> None:
    """Heard in noise for "grip four right five left"."""
    said = ["grip", "four", "out", "of", "five", "left"]
    words = [Word(text, at * 0.4, at * 0.4 + 0.3, 0.9, rivals if text == "of" else ()) for at, text in enumerate(said)]
    queries = [query for query in note_of([FinalText(tuple(words), 0.0, 4.0)]).queries if query.kind == "heard_weakly"]
    assert len(queries) == count
    assert all("Which side?" in query.message and "'of' or 'right' was heard" in query.message for query in queries)
