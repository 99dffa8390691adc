"""Praise, instructions and the examiner's own hand: never a result, never a place, never a word that is gone.

The dictations are invented; praise as talk, not as a result, is common practice.
"""

from __future__ import annotations

import pytest

from grammar import parse


def rows(text: str) -> set[tuple[str, str | None, str, str]]:
    """(item, site, side, status) of each finding."""
    return {(f.item, f.site, f.side, f.status) for f in parse(text).note.findings}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("there is a tremor of the right hand good now close your eyes", ("tremor", None, "right", "abnormal")),
        (
            "hold your arms out close your eyes there is a drift on the left good relax",
            ("arm_drift", None, "left", "abnormal"),
        ),
    ],
)
def test_praise_after_a_sign_that_is_there_does_not_make_it_normal(
    text: str, expected: tuple[str, str | None, str, str]
) -> None:
    assert rows(text) == {expected}


@pytest.mark.parametrize(
    ("text", "left_over"),
    [
        ("show me your teeth left side lower", "left side lower"),
    ],
)
def test_what_was_seen_behind_an_instruction_is_at_least_unread(text: str, left_over: str) -> None:
    note = parse(text).note
    assert note.findings == ()
    assert any(left_over in piece.text for piece in note.unread)


def test_what_was_seen_behind_an_instruction_is_its_result() -> None:
    assert rows("stick out your tongue it goes to the left") == {("tongue", None, "left", "abnormal")}


def test_a_foot_drop_of_one_side_is_a_finding_unless_it_is_called_the_complaint() -> None:
    assert rows("right foot drop") == {("power", "ankle_dorsiflexion", "right", "abnormal")}
    assert rows("complaint right foot drop") == set()


def test_the_hand_of_the_examiner_is_no_place() -> None:
    assert rows("lift your leg against my hand left four right five") == {
        ("power", "hip_flexion", "left", "abnormal"),
        ("power", "hip_flexion", "right", "normal"),
    }


def test_another_limb_begins_anew() -> None:
    text = "power in the arms is five on the right four on the left in the legs five throughout"
    assert rows(text) == {
        ("power", "arm", "right", "normal"),
        ("power", "arm", "left", "abnormal"),
        ("power", "leg", "both", "normal"),
    }


@pytest.mark.parametrize("join", [", ", " and the ", " the "])
def test_the_other_side_with_its_item_said_again_has_its_own_result(join: str) -> None:
    assert rows(f"pinprick reduced on the left foot{join}right foot normal pinprick") == {
        ("pinprick", "foot", "left", "abnormal"),
        ("pinprick", "foot", "right", "normal"),
    }


def test_a_correction_to_an_item_of_another_kind_does_not_take_its_grade_along() -> None:
    assert rows("now for the reflexes 2+ rather aox3") == {
        ("reflex", "limbs", "both", "normal"),
        ("consciousness", None, "none", "normal"),
        ("orientation", None, "none", "normal"),
    }


@pytest.mark.parametrize(
    "text",
    [
        "plantar extensor on the left wrong side",
        "left plantar up right plantar down sorry other way round",
        "finger nose dysmetric on the left, no, not the left.",
    ],
)
def test_a_correction_without_what_is_right_is_asked(text: str) -> None:
    assert "correction" in {query.kind for query in parse(text).note.queries}


@pytest.mark.parametrize(
    "end", ["no not the left the right", "sorry, wrong side, the right", "no, not the left, the right"]
)
def test_a_side_that_is_denied_and_said_anew_is_the_new_one(end: str) -> None:
    note = parse(f"finger nose dysmetric on the left {end}").note
    assert [(f.side, f.status) for f in note.findings] == [("right", "abnormal")]
    assert note.queries == ()
