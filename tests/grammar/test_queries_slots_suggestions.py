"""Consistency queries, the omission check and suggestions, from findings made by hand."""

from __future__ import annotations

import pytest

from grammar import catalogue, completeness, consistency
from grammar.consistency import Rule, Side2
from grammar.models import Finding, Side
from grammar.suggestions import suggest, suggestion_rules

ITEMS = catalogue().items


def finding(half: Side2, side: Side) -> Finding:
    """A finding that fits one half of a rule."""
    return Finding(
        item=half.item,
        site=half.site or (half.sites[0] if half.sites else None),
        side=side if ITEMS[half.item].sided else "none",
        status=half.status or "abnormal",  # type: ignore[arg-type]
        grade=half.grade or half.grade_max,
        descriptors=(half.descriptor,) if half.descriptor else (),
        text="x",
        start_char=0,
        end_char=1,
    )


def messages(*findings: Finding) -> list[str]:
    """What the check asks about these findings."""
    return [query.message for query in consistency.check(catalogue(), findings)]


@pytest.mark.parametrize("rule", consistency.rules(), ids=lambda rule: rule.message)
def test_a_rule_fires_on_one_side_and_not_across(rule: Rule) -> None:
    """Both halves on one side raise it; on two sides (where sides matter), or one half alone, they do not."""
    one, two = finding(rule.first, "right"), finding(rule.second, "right")
    assert rule.message in messages(one, two)
    assert rule.message in messages(two, one)
    assert rule.message not in messages(one)
    assert rule.message not in messages(two)
    if not rule.any_side and "none" not in (one.side, two.side):
        assert rule.message not in messages(one, finding(rule.second, "left"))
    assert rule.settle
    assert rule.source


def reflex(side: Side, grade: str | None, status: str = "normal") -> Finding:
    """A knee jerk."""
    return Finding(item="reflex", site="knee", side=side, status=status, grade=grade,  # type: ignore[arg-type]
                   text="x", start_char=0, end_char=1)  # fmt: skip


@pytest.mark.parametrize(
    ("findings", "kinds"),
    [
        ([reflex("right", "2+"), reflex("left", "2+")], []),
        ([reflex("right", "3+"), reflex("left", "2+")], ["asymmetry"]),
        ([reflex("right", "2+"), reflex("right", "2+")], []),
        ([reflex("right", "2+"), reflex("right", "1+")], ["conflict"]),
        ([reflex("both", "2+"), reflex("left", None, "abnormal")], ["conflict"]),
        ([reflex("unstated", "2+")], ["side_unstated"]),
    ],
)
def test_conflicts_asymmetry_and_missing_sides_are_asked(findings: list[Finding], kinds: list[str]) -> None:
    """Each query rests on findings that exist and says what settles it."""
    queries = consistency.check(catalogue(), findings)
    assert [query.kind for query in queries] == kinds
    assert all(query.settle and query.findings for query in queries)


def states(*findings: Finding, asked: tuple[tuple[str, str | None], ...] = ()) -> dict[str, str]:
    """side -> state of the knee-jerk slots."""
    slots = completeness.check(catalogue(), findings, asked, ())
    return {slot.side: slot.state for slot in slots if (slot.item, slot.site) == ("reflex", "knee")}


def test_a_slot_is_recorded_only_by_a_finding_for_exactly_it() -> None:
    """Missing, asked, unstated, one side, both sides, summary, not examined."""
    summary = reflex("both", "2+").model_copy(update={"site": "limbs"})
    other = reflex("both", "2+").model_copy(update={"site": "ankle"})
    assert states() == {"right": "missing", "left": "missing"}
    assert states(other) == {"right": "missing", "left": "missing"}
    assert states(asked=(("reflex", "knee"),)) == {"right": "asked_no_result", "left": "asked_no_result"}
    assert states(reflex("unstated", "2+")) == {"right": "side_unstated", "left": "side_unstated"}
    assert states(reflex("right", "2+")) == {"right": "recorded", "left": "missing"}
    assert states(reflex("both", "2+")) == {"right": "recorded", "left": "recorded"}
    assert states(summary) == {"right": "recorded_by_summary", "left": "recorded_by_summary"}
    assert states(summary, reflex("left", "1+")) == {"right": "recorded_by_summary", "left": "recorded"}
    assert states(reflex("both", None, "not_examined"))["left"] == "not_examined"


@pytest.mark.parametrize("rule", suggestion_rules(), ids=lambda rule: f"{rule.item} -> {rule.addon}")
def test_a_suggestion_needs_its_abnormal_finding(rule: object) -> None:
    """Abnormal: suggested with a reason; normal, or the add-on already asked for: not."""
    half = Side2(item=rule.item, site=rule.site, descriptor=rule.descriptor)  # type: ignore[attr-defined]
    addon = rule.addon  # type: ignore[attr-defined]
    bad = finding(half, "right")
    good = bad.model_copy(update={"status": "normal"})
    assert addon in {found.addon for found in suggest(catalogue(), [bad], ())}
    assert addon not in {found.addon for found in suggest(catalogue(), [good], ())}
    assert addon not in {found.addon for found in suggest(catalogue(), [bad], (addon,))}
