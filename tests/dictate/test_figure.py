"""The reflex figure: what stands where, on whose side, and that silence never looks normal."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings

from dictate.figure import figure
from grammar.models import Finding, Note
from tests.strategies import notes

SVG = "{http://www.w3.org/2000/svg}"


def _found(item: str, side: str, status: str, **more: object) -> Finding:
    return Finding(item=item, side=side, status=status, text="x", start_char=0, end_char=1, **more)


def _titles(svg: str) -> list[str]:
    return [title.text or "" for title in ElementTree.fromstring(svg).iter(f"{SVG}title")]


def _group(svg: str, start: str) -> ElementTree.Element:
    """The drawn group whose title starts with these words."""
    for group in ElementTree.fromstring(svg).iter(f"{SVG}g"):
        title = group.find(f"{SVG}title")
        if title is not None and (title.text or "").startswith(start):
            return group
    raise AssertionError(f"no group titled {start!r}")


def test_of_an_empty_note_every_place_is_not_recorded() -> None:
    svg = figure(Note())
    titles = _titles(svg)[1:]
    assert len(titles) > 40
    assert all("not recorded" in title for title in titles)
    assert "normal" not in " ".join(titles)
    assert 'class="shape"' not in svg


SHOWN = [
    (
        _found("reflex", "right", "normal", site="knee", grade="2+"),
        "knee reflex, right",
        "normal, grade 2+",
        "2+",
    ),
    (_found("reflex", "left", "abnormal", site="knee", grade="4+"), "knee reflex, left", "abnormal", "4+"),
    (
        _found("reflex", "both", "normal", site="leg", grade="2+"),
        "ankle reflex, left",
        "said in summary",
        "(2+)",
    ),
    (
        _found("reflex", "both", "abnormal", site="limbs", descriptors=("absent",)),
        "triceps reflex, right",
        "said in summary",
        "(absent)",
    ),
    (
        _found("reflex", "none", "abnormal", site="jaw", descriptors=("brisk",)),
        "jaw reflex",
        "brisk",
        "brisk",
    ),
    (
        _found("reflex", "left", "not_examined", site="ankle", reason="plaster"),
        "ankle reflex, left",
        "reason: plaster",
        "n/e",
    ),
    (
        _found("plantar", "left", "abnormal", descriptors=("extensor",)),
        "plantar response, left",
        "abnormal",
        "plantar: extensor",
    ),
    (
        _found("plantar", "right", "equivocal", descriptors=("mute",)),
        "plantar response, right",
        "equivocal",
        "plantar: mute",
    ),
    (
        _found("power", "left", "abnormal", site="ankle_dorsiflexion", grade="3"),
        "power, foot, left",
        "ankle dorsiflexion abnormal, grade 3",
        "P 3",
    ),
    (
        _found("pinprick", "right", "abnormal", site="thumb"),
        "sensation, hand, right",
        "pinprick thumb",
        "S abn.",
    ),
]


@pytest.mark.parametrize(("finding", "place", "words", "label"), SHOWN)
def test_a_finding_stands_in_its_place(finding: Finding, place: str, words: str, label: str) -> None:
    group = _group(figure(Note(findings=(finding,))), place)
    assert words in (group.find(f"{SVG}title").text or "")
    assert label in [text.text for text in group.iter(f"{SVG}text")]


@pytest.mark.parametrize(("side", "other"), [("right", "left"), ("left", "right")])
def test_the_patient_faces_the_reader_and_the_other_side_stays_empty(side: str, other: str) -> None:
    svg = figure(Note(findings=(_found("reflex", side, "normal", site="knee", grade="2+"),)))
    here = float(_group(svg, f"knee reflex, {side}").find(f"{SVG}ellipse").get("cx"))
    there = _group(svg, f"knee reflex, {other}")
    assert (here < float(there.find(f"{SVG}ellipse").get("cx"))) == (side == "right")
    assert "not recorded" in there.find(f"{SVG}title").text


def test_plantar_arrows_point_down_for_flexor_and_up_for_extensor() -> None:
    for word, status, downward in (("flexor", "normal", True), ("extensor", "abnormal", False)):
        svg = figure(Note(findings=(_found("plantar", "left", status, descriptors=(word,)),)))
        path = _group(svg, "plantar response, left").find(f"{SVG}path").get("d")
        tail, tip = map(int, re.match(r"M\d+ (\d+)V(\d+)", path).groups())
        assert (tip > tail) is downward


def test_a_doubtful_plantar_has_no_arrow() -> None:
    svg = figure(Note(findings=(_found("plantar", "left", "equivocal", descriptors=("equivocal",)),)))
    assert _group(svg, "plantar response, left").find(f"{SVG}path") is None


def test_two_results_for_one_place_are_both_shown() -> None:
    note = Note(
        findings=(
            _found("reflex", "left", "normal", site="knee", grade="2+"),
            _found("reflex", "left", "abnormal", site="knee", grade="0"),
        )
    )
    group = _group(figure(note), "knee reflex, left: recorded differently")
    assert group.find(f"{SVG}polygon") is not None
    assert "2+/0" in [text.text for text in group.iter(f"{SVG}text")]


def test_an_unstated_side_is_drawn_on_neither_and_listed() -> None:
    svg = figure(Note(findings=(_found("reflex", "unstated", "abnormal", site="knee", grade="4+"),)))
    assert "not recorded" in _group(svg, "knee reflex, right").find(f"{SVG}title").text
    assert "not recorded" in _group(svg, "knee reflex, left").find(f"{SVG}title").text
    assert "reflex knee, SIDE NOT STATED: abnormal, grade 4+" in svg


def test_a_draft_says_so_in_picture_and_title() -> None:
    assert "DRAFT, not signed" in figure(Note(), draft=True)
    assert _titles(figure(Note(), draft=True))[0].startswith("DRAFT.")
    assert "DRAFT" not in figure(Note())


@settings(max_examples=40, deadline=None)
@given(notes())
def test_any_note_gives_well_formed_svg_with_title_and_description(note: Note) -> None:
    root = ElementTree.fromstring(figure(note, prefix="f"))
    ids = root.get("aria-labelledby").split()
    assert ids == [root.find(f"{SVG}title").get("id"), root.find(f"{SVG}desc").get("id")]
    assert root.get("role") == "img"
    assert root.find(f"{SVG}desc").text.strip()
