"""Findings as sentences: every finding said once, on its side, with its result."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from dictate.exports.prose import not_examined_lines, phrases, sentences
from grammar import catalogue
from grammar.models import Finding, Note
from tests.strategies import notes


def _f(item: str, side: str, status: str, **more: object) -> Finding:
    return Finding(item=item, side=side, status=status, text="x", start_char=0, end_char=1, **more)


SAID: list[tuple[list[Finding], list[str]]] = [
    ([_f("tone", "both", "normal", site="arm")], ["Tone in the arms was normal on both sides."]),
    ([_f("supinator_catch", "left", "abnormal")], ["There was a supinator catch on the left."]),
    ([_f("supinator_catch", "both", "normal")], ["There was no supinator catch on either side."]),
    ([_f("supinator_catch", "right", "normal")], ["There was no supinator catch on the right."]),
    (
        [_f("nystagmus", "unstated", "abnormal", descriptors=("gaze_evoked",))],
        ["There was nystagmus (gaze evoked) (side not stated)."],
    ),
    ([_f("ptosis", "left", "equivocal")], ["There was doubtful ptosis on the left."]),
    (
        [_f("ptosis", "both", "normal", qualifiers=("hedged",))],
        ["There was no definite ptosis on either side."],
    ),
    (
        [
            _f("plantar", "right", "normal", descriptors=("flexor",)),
            _f("plantar", "left", "abnormal", descriptors=("extensor",)),
        ],
        ["The plantar response was flexor on the right and extensor on the left."],
    ),
    ([_f("plantar", "left", "abnormal")], ["The plantar response was extensor on the left."]),
    (
        [_f("plantar", "left", "equivocal", descriptors=("mute",))],
        ["The plantar response was equivocal (mute) on the left."],
    ),
    (
        [_f("power", "left", "abnormal", site="ankle_dorsiflexion", grade="4-")],
        ["Power of ankle dorsiflexion was 4-/5 (abnormal) on the left."],
    ),
    (
        [_f("power", "both", "normal", site="limbs", grade="5")],
        ["Power of limbs was 5/5 (normal) on both sides."],
    ),
    (
        [_f("reflex", "both", "normal", site="knee", grade="2+")],
        ["The knee reflex was 2+ (normal) on both sides."],
    ),
    (
        [_f("reflex", "left", "abnormal", site="knee", grade="4+", descriptors=("brisk",))],
        ["The knee reflex was 4+ brisk on the left."],
    ),
    (
        [_f("pupils", "both", "normal", descriptors=("equal", "reactive"))],
        ["The pupils were equal and reactive on both sides."],
    ),
    ([_f("romberg", "none", "normal")], ["Romberg's test was negative."]),
    ([_f("romberg", "none", "equivocal", descriptors=("sways",))], ["Romberg's test was equivocal (sways)."]),
    (
        [_f("gait", "none", "abnormal", descriptors=("ataxic",), qualifiers=("mild",))],
        ["Gait was ataxic (mild)."],
    ),
    (
        [_f("tremor", "right", "abnormal", site="rest", qualifiers=("mild",))],
        ["There was a rest tremor (mild) on the right."],
    ),
    (
        [_f("clonus", "left", "abnormal", site="ankle", grade="3")],
        ["There was ankle clonus (3 beats) on the left."],
    ),
    (
        [_f("straight_leg_raise", "left", "abnormal", grade="40")],
        ["Straight leg raising was 40 degrees (abnormal) on the left."],
    ),
    ([_f("fundi", "both", "not_examined", reason="small pupils")], []),
    (
        [_f("heel_walk", "right", "abnormal", descriptors=("unable",))],
        ["Walking on the heels was not possible on the right."],
    ),
    ([_f("some_new_item", "left", "abnormal")], ["Some new item was abnormal on the left."]),
    ([], []),
]


@pytest.mark.parametrize(("findings", "expected"), SAID)
def test_sentences(findings: list[Finding], expected: list[str]) -> None:
    assert sentences(findings) == expected


def test_not_examined_is_said_apart_with_its_reason() -> None:
    findings = [_f("fundi", "both", "not_examined", reason="small pupils"), _f("hop", "left", "not_examined")]
    assert not_examined_lines(findings) == [
        "Fundi, both sides: small pupils",
        "Hopping, left: no reason said",
    ]


def test_every_item_of_the_catalogue_has_its_wording() -> None:
    assert phrases().keys() == catalogue().items.keys()


SIDES = {"right": "on the right", "left": "on the left", "unstated": "(side not stated)"}


@settings(max_examples=100, deadline=None)
@given(notes())
def test_each_finding_is_a_clause_with_its_side_and_nothing_else_is_said(note: Note) -> None:
    examined = [f for f in note.findings if f.status != "not_examined"]
    text = " ".join(sentences(note.findings))
    for side, words in SIDES.items():
        assert text.count(words) == sum(f.side == side for f in examined)
    both = text.count("on both sides") + text.count("on either side")
    assert both == sum(f.side == "both" for f in examined)
