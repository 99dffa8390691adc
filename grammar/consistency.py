"""Queries to the clinician: what does not fit together, shown and never corrected. No query gives a diagnosis.

The pairs of tests that check one another are in data/rules/consistency.toml with their source.
"""

from __future__ import annotations

import itertools
import tomllib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from functools import lru_cache

from pydantic import BaseModel, ConfigDict

from grammar.data_files import DATA
from grammar.models import Finding, Query
from grammar.protocols import Catalogue

# A real note names an item a few times; the bound keeps a pathological text linear.
_NEAR = 64
_REFLEX_VALUE = {"0": 0.0, "trace": 0.5, "1+": 1.0, "2+": 2.0, "3+": 3.0, "4+": 4.0}
_MRC_VALUE = {"0": 0.0, "1": 1.0, "2": 2.0, "3": 3.0, "4-": 3.7, "4": 4.0, "4+": 4.3, "5-": 4.7, "5": 5.0}


class Side2(BaseModel):
    """One half of a consistency rule: which findings it looks for."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    item: str
    site: str | None = None
    sites: tuple[str, ...] = ()
    status: str | None = None
    grade_max: str | None = None
    grade: str | None = None
    descriptor: str | None = None

    def fits(self, finding: Finding) -> bool:
        """The finding is one this half looks for."""
        if finding.item != self.item or (self.site is not None and finding.site != self.site):
            return False
        if self.sites and finding.site not in self.sites:
            return False
        if self.status is not None and finding.status != self.status:
            return False
        if self.descriptor is not None and self.descriptor not in finding.descriptors:
            return False
        if self.grade is not None and finding.grade != self.grade:
            return False
        if self.grade_max is not None:
            value = _MRC_VALUE.get(finding.grade or "")
            return value is not None and value <= _MRC_VALUE[self.grade_max]
        return True


class Rule(BaseModel):
    """Two findings that cannot both be right on one side, with the reason and what would settle it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    first: Side2
    second: Side2
    message: str
    settle: str
    source: str
    any_side: bool = False


@lru_cache(maxsize=1)
def rules() -> tuple[Rule, ...]:
    """The rules of data/rules/consistency.toml."""
    raw = tomllib.loads((DATA / "rules" / "consistency.toml").read_text(encoding="utf-8"))
    return tuple(Rule.model_validate(row) for row in raw["rule"])


def sides_of(finding: Finding) -> tuple[str, ...]:
    """The sides a finding speaks of."""
    return ("right", "left") if finding.side == "both" else (finding.side,)


def check(catalogue: Catalogue, findings: Sequence[Finding]) -> list[Query]:
    """Every query that the findings raise among themselves."""
    by_slot: dict[tuple[str, str | None, str], list[int]] = defaultdict(list)
    by_item: dict[str, list[int]] = defaultdict(list)
    for index, finding in enumerate(findings):
        by_item[finding.item].append(index)
        for side in sides_of(finding):
            by_slot[(finding.item, finding.site, side)].append(index)
    queries = [*_unstated(catalogue, findings), *_conflicts(catalogue, findings, by_slot)]
    queries += _asymmetry(catalogue, findings, by_slot)
    queries += _pairs(findings, by_item)
    queries += _anisocoria(findings, by_slot)
    return queries


def _anisocoria(findings: Sequence[Finding], by_slot: dict[tuple[str, str | None, str], list[int]]) -> Iterator[Query]:
    """Pupils said to be equal, with sizes that differ by a millimetre or more (common practice)."""
    right = [i for i in by_slot.get(("pupils", None, "right"), []) if findings[i].grade is not None][-1:]
    left = [i for i in by_slot.get(("pupils", None, "left"), []) if findings[i].grade is not None][-1:]
    equal = [i for i, f in enumerate(findings) if f.item == "pupils" and "equal" in f.descriptors][:1]
    if right and left and equal and right != left:
        sizes = [float(findings[i].grade or 0) for i in (*right, *left)]
        if abs(sizes[0] - sizes[1]) >= 1:
            yield Query(
                kind="consistency",
                findings=tuple(dict.fromkeys((*right, *left, *equal))),
                message="Pupils said to be equal, but their sizes differ by a millimetre or more.",
                settle="Measure both pupils in dim and in bright light.",
            )


def _unstated(catalogue: Catalogue, findings: Sequence[Finding]) -> Iterator[Query]:
    for index, finding in enumerate(findings):
        if finding.side == "unstated":
            label = catalogue.item_label(finding.item, finding.site)
            yield Query(
                kind="side_unstated",
                message=f"{label}: which side? No side was said.",
                findings=(index,),
                settle="Say or choose right, left or both.",
            )


def _conflicts(
    catalogue: Catalogue, findings: Sequence[Finding], by_slot: dict[tuple[str, str | None, str], list[int]]
) -> Iterator[Query]:
    seen: set[tuple[int, ...]] = set()
    for (item, site, side), indices in by_slot.items():
        if len(indices) < 2 or side == "unstated" or item == "general_statement":
            continue
        for a, b in itertools.pairwise(indices):
            one, two = findings[a], findings[b]
            if not _differ(one, two) or (a, b) in seen:
                continue
            seen.add((a, b))
            where = "" if side == "none" else f", {side}"
            yield Query(
                kind="conflict",
                findings=(a, b),
                message=f"{catalogue.item_label(item, site)}{where} was said twice with different results.",
                settle="Test it again, or withdraw the one that is wrong.",
            )


def _differ(one: Finding, two: Finding) -> bool:
    if one.item in ("tremor", "involuntary_movements", "visual_fields", "eye_movements") and one.status == two.status:
        return False
    if "not_examined" in (one.status, two.status):
        return one.status != two.status
    if one.status != two.status:
        apart = one.descriptors and two.descriptors and not set(one.descriptors) & set(two.descriptors)
        return not (apart and {one.status, two.status} == {"abnormal", "equivocal"})  # wasted, possibly fasciculating
    return one.grade is not None and two.grade is not None and one.grade != two.grade


def _asymmetry(
    catalogue: Catalogue, findings: Sequence[Finding], by_slot: dict[tuple[str, str | None, str], list[int]]
) -> Iterator[Query]:
    sites = {(f.item, f.site) for f in findings if f.item == "reflex"}
    for item, site in sorted(sites, key=str):
        right = [i for i in by_slot.get((item, site, "right"), [])[-8:] if _value(findings[i]) is not None]
        left = [i for i in by_slot.get((item, site, "left"), [])[-8:] if _value(findings[i]) is not None]
        pair = next(
            (
                (r, le)
                for r in right
                for le in left
                if r != le and abs((_value(findings[r]) or 0) - (_value(findings[le]) or 0)) >= 1
            ),
            None,
        )
        if pair is not None:
            yield Query(
                kind="asymmetry",
                findings=pair,
                message=f"{catalogue.item_label(item, site)}: right {_words(findings[pair[0]])}, "
                f"left {_words(findings[pair[1]])} differ by a grade or more.",
                settle="Test both sides again, one straight after the other.",
            )


def _value(finding: Finding) -> float | None:
    if finding.grade is not None:
        return _REFLEX_VALUE.get(finding.grade)
    return 0.0 if "absent" in finding.descriptors else None


def _words(finding: Finding) -> str:
    return finding.grade or "absent"


def _pairs(findings: Sequence[Finding], by_item: dict[str, list[int]]) -> Iterator[Query]:
    for rule in rules():
        if rule.first.item not in by_item or rule.second.item not in by_item:
            continue
        seen: set[tuple[int, int]] = set()
        firsts = [a for a in by_item.get(rule.first.item, [])[-_NEAR:] if rule.first.fits(findings[a])]
        if not firsts:
            continue
        seconds = [b for b in by_item.get(rule.second.item, [])[-_NEAR:] if rule.second.fits(findings[b])]
        for a in firsts:
            for b in seconds:
                if a == b or (a, b) in seen:
                    continue
                shared = set(sides_of(findings[a])) & set(sides_of(findings[b]))
                if not rule.any_side and not shared - {"unstated"}:
                    continue
                seen.add((a, b))
                yield Query(kind="consistency", message=rule.message, findings=(a, b), settle=rule.settle)
