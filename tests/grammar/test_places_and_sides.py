"""Each place and each value keeps the side said with it; the dictations are invented."""

from __future__ import annotations

import pytest

from grammar import parse


def rows(text: str) -> list[tuple[str | None, str, str, str | None]]:
    """(site, side, status, grade) of each finding, in order."""
    return [(f.site, f.side, f.status, f.grade) for f in parse(text).note.findings]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "vibration lost to the knee on the left and the ankle on the right",
            [("knee", "left", "abnormal", None), ("ankle", "right", "abnormal", None)],
        ),
        (
            "pinprick reduced in the thumb on the left and index finger on the right",
            [("thumb", "left", "abnormal", None), ("index_finger", "right", "abnormal", None)],
        ),
        (
            "sensation reduced left hand and foot right side normal",
            [
                ("hand", "left", "abnormal", None),
                ("foot", "left", "abnormal", None),
                ("hand", "right", "normal", None),
                ("foot", "right", "normal", None),
            ],
        ),
        (
            "grip weak left four plus right full",
            [("grip", "left", "abnormal", "4+"), ("grip", "right", "normal", "5")],
        ),
        (
            "hip flexion weak on the left four on the right five",
            [("hip_flexion", "left", "abnormal", "4"), ("hip_flexion", "right", "normal", "5")],
        ),
    ],
)
def test_a_place_or_value_keeps_its_side(text: str, expected: list[tuple[str | None, str, str, str | None]]) -> None:
    assert rows(text) == expected


def test_a_place_that_is_denied_is_not_abnormal() -> None:
    note = parse("tone increased in the left arm but not the leg").note
    assert [(f.site, f.side, f.status) for f in note.findings] == [("arm", "left", "abnormal")]
    assert any("leg" in piece.text for piece in note.unread)
