"""Each numbered rule of reading with its own file in tests/cases/rules: what it must read and what it must leave alone.

A file is SECTION_NUMBER_name.toml, begins with `rule` (the rule in words) and holds cases of four kinds: [[spoken]] (no
marks, as it is said), [[typed]] (as notes are written), [[must_not_match]] (looks like the rule and is not), and
[[known_failure]] (wrong today; strict: once it is right the case must be moved). Files that are not numbered hold
[[case]] tables on what no single rule says.

A case: `said` and `want`, rows "item[:site] side status[ grade][ +descriptor][ ~qualifier]"; nothing else may come out.
Further keys are checked where they stand: `queries` (kinds that must be raised), `no_queries` (kinds that must not),
`rests_on` (the items that the queries of `queries` rest on), `asked`, `complaint`, `reason`, `slots` (rows
"item[:site] side state"), `context`, `unread`, `instruction` and `command` (words that must be there; [] for
none), `texts` (what each finding came from, in order), `withdrawn` (a number), `suggests`,
`no_slots` (rows "item[:site]" that are not required). Of every case: the
pieces of the cover follow one another from the first character to the last, so each word is in one of them.
An empty list says that there is none: `complaint = []`.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

import grammar
from grammar.models import Note
from tests.tools.case_files import row, same

FOLDER = Path(__file__).resolve().parents[1] / "cases" / "rules"
KINDS = ("typed", "spoken", "must_not_match", "known_failure", "case")
KEYS = {
    "said", "want", "rule", "queries", "no_queries", "rests_on", "asked", "complaint", "reason", "slots", "context",
    "unread", "instruction", "command", "texts", "withdrawn", "suggests", "no_slots",
}  # fmt: skip
NUMBERED = re.compile(r"^\d{1,2}_\d{2}_")


def load(path: Path) -> dict[str, Any]:
    """One file of cases."""
    return tomllib.loads(path.read_text(encoding="utf-8"))


def cases() -> list[Any]:
    """Every case of every file."""
    found = []
    for path in sorted(FOLDER.glob("*.toml")):
        for kind in KINDS:
            for case in load(path).get(kind, ()):
                marks = [pytest.mark.xfail(strict=True, raises=AssertionError)] if kind == "known_failure" else []
                name = case.get("rule") or case["said"]
                found.append(pytest.param(case, marks=marks, id=f"{path.stem} {kind}: {name}"))
    return found


@pytest.mark.parametrize("case", cases())
def test_a_rule_reads_its_case(case: dict[str, Any]) -> None:
    """The findings and, where the case names it, everything else of the note."""
    note = grammar.parse(case["said"]).note
    assert same(note.findings, case["want"]), f"wanted {case['want']}, got {[row(f) for f in note.findings]}"
    queries = [query for query in note.queries if query.kind in case.get("queries", ())]
    assert set(case.get("queries", ())) <= {query.kind for query in note.queries}
    assert not set(case.get("no_queries", ())) & {query.kind for query in note.queries}
    if "rests_on" in case:
        assert {note.findings[index].item for query in queries for index in query.findings} == set(case["rests_on"])
        assert all(query.settle for query in queries)
    if "reason" in case:
        assert [finding.reason for finding in note.findings if finding.reason] == [case["reason"]]
    _rest(case, note)


def _rest(case: dict[str, Any], note: Note) -> None:
    suggested = {suggestion.addon for suggestion in note.suggestions}
    for key, got in (("asked", set(note.asked)), ("complaint", set(note.complaint)), ("suggests", suggested)):
        wanted = case.get(key)
        assert wanted is None or (set(wanted) <= got if wanted else not got), f"{key} is {sorted(got)}"
    slots = {f"{s.item}:{s.site} {s.side} {s.state}" if s.site else f"{s.item} {s.side} {s.state}" for s in note.slots}
    assert set(case.get("slots", ())) <= slots, sorted(set(case["slots"]) - slots)
    assert not {slot.split(" ")[0] for slot in slots} & set(case.get("no_slots", ()))
    assert [piece.start_char for piece in note.cover] == [0, *(piece.end_char for piece in note.cover[:-1])]
    assert note.cover[-1].end_char == len(case["said"])
    for kind in ("context", "unread", "instruction", "command"):
        pieces = [case["said"][p.start_char : p.end_char] for p in note.cover if p.kind == kind]
        assert all(any(words in piece for piece in pieces) for words in case.get(kind, ())), f"{kind} is {pieces}"
        assert case.get(kind) != [] or not any(char.isalnum() for piece in pieces for char in piece), (
            f"{kind}: {pieces}"
        )
    if "texts" in case:
        assert [finding.text for finding in note.findings] == case["texts"]
        assert [case["said"][f.start_char : f.end_char] for f in note.findings] == case["texts"]
    if "withdrawn" in case:
        assert len(note.withdrawn) == case["withdrawn"]


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.toml")), ids=lambda path: path.stem)
def test_a_file_of_cases_is_well_formed(path: Path) -> None:
    """No key that nothing reads; a numbered rule states itself and shows what it must not match."""
    data = load(path)
    assert set(data) <= {"rule", *KINDS}
    for kind in KINDS:
        for case in data.get(kind, ()):
            assert set(case) <= KEYS, case
    if NUMBERED.match(path.name):
        assert set(data) >= {"rule", "typed", "spoken", "must_not_match"}
    else:
        assert data["case"]
