"""Add-on pieces that a finding points to; shown with their reason, never required by themselves."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from functools import lru_cache

from pydantic import BaseModel, ConfigDict

from grammar.data_files import DATA
from grammar.models import Finding, Suggestion
from grammar.protocols import Catalogue


class SuggestionRule(BaseModel):
    """An abnormal finding of `item` (and `site`, `descriptor`) suggests the add-on `addon`."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    item: str
    site: str | None = None
    descriptor: str | None = None
    addon: str
    reason: str


@lru_cache(maxsize=1)
def suggestion_rules() -> tuple[SuggestionRule, ...]:
    """The rules of data/rules/suggestions.toml."""
    raw = tomllib.loads((DATA / "rules" / "suggestions.toml").read_text(encoding="utf-8"))
    return tuple(SuggestionRule.model_validate(row) for row in raw["suggest"])


def suggest(catalogue: Catalogue, findings: Sequence[Finding], complaints: Sequence[str]) -> tuple[Suggestion, ...]:
    """Every add-on the findings point to that is not required already, each with its first reason."""
    found: dict[str, tuple[str, list[int]]] = {}
    abnormal: dict[str, list[int]] = {}
    for index, finding in enumerate(findings):
        if finding.status == "abnormal":
            abnormal.setdefault(finding.item, []).append(index)
    if not abnormal:
        return ()
    for rule in suggestion_rules():
        if rule.item not in abnormal or rule.addon in complaints or rule.addon not in catalogue.addons:
            continue
        for index in abnormal[rule.item]:
            finding = findings[index]
            if (rule.site is not None and finding.site != rule.site) or (
                rule.descriptor is not None and rule.descriptor not in finding.descriptors
            ):
                continue
            found.setdefault(rule.addon, (rule.reason, []))[1].append(index)
    return tuple(
        Suggestion(addon=addon, reason=reason, findings=tuple(dict.fromkeys(indices)))
        for addon, (reason, indices) in found.items()
    )
