"""Every phrase of every phrase file, said in a sentence: what it must mean is in its twin, tests/cases/phrases/.

Three checks: each case gives the findings that its words say and nothing else; no phrase is without a case; no case is
read by the phrase of another item.
"""

from __future__ import annotations

from typing import Any

import pytest

from grammar.phrase_files import load_files
from tests.tools.case_files import Group, fault, groups, names, thieves, uncovered

# Files whose phrases name items: their cases must not be read by another item's phrase.
NAMING = frozenset(("addon", "arms", "couch", "face", "power", "sensation", "standing"))


def cases() -> list[Any]:
    """Every group of every twin."""
    return [
        pytest.param(name, group, id=f"{name} {number}: {group.frame.format(group.phrases[0])}")
        for name in names()
        for number, group in enumerate(groups(name))
    ]


@pytest.mark.parametrize(("name", "group"), cases())
def test_a_phrase_means_what_its_words_say(name: str, group: Group) -> None:
    """All phrases of a group; one that is marked as a known failure must fail (strict)."""
    assert set(group.known_failure) <= set(group.phrases)
    faults = {phrase: fault(group, phrase) for phrase in group.phrases}
    stolen = {phrase: thieves(group, phrase) for phrase in group.phrases} if name in NAMING and group.want else {}
    wrong = [said for phrase, said in faults.items() if said and phrase not in group.known_failure]
    wrong += [f"{phrase!r} is read by a phrase of {', '.join(items)}" for phrase, items in stolen.items()
              if items and phrase not in group.known_failure]  # fmt: skip
    assert not wrong, "\n".join(wrong)
    mended = [phrase for phrase in group.known_failure if not faults[phrase] and not stolen.get(phrase)]
    assert not mended, f"read rightly now, so take the mark away: {mended}"


@pytest.mark.parametrize("name", names())
def test_no_phrase_is_without_a_case(name: str) -> None:
    """Whoever adds a phrase adds a case."""
    data = dict(load_files())[f"phrases/{name}.toml"]
    missing = uncovered(name, data)
    assert not missing, f"{len(missing)} without a case in tests/cases/phrases/{name}.toml:\n" + "\n".join(missing[:40])
