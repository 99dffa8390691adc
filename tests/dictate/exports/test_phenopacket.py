"""Phenopackets: parsed by the reference package; sides, severities and exclusions are those of the note."""

from __future__ import annotations

import json

import pytest
from google.protobuf.json_format import MessageToDict, Parse, ParseError
from hypothesis import given, settings
from phenopackets import Phenopacket

from dictate.exports.phenopacket import phenopacket, write_phenopacket
from dictate.exports.subject import ExportInput, from_note
from grammar.codes import codes_for
from grammar.models import Finding, Note, Slot
from tests.strategies import subjects

SIDES = {"HP:0012834": "right", "HP:0012835": "left", "HP:0012832": "both"}


def parsed(text: str) -> Phenopacket:
    """Parse with the reference package, which refuses unknown fields and wrong types."""
    return Parse(text, Phenopacket())


def features_in(packet: Phenopacket) -> list[tuple[str, bool, str | None]]:
    """(term, excluded, side) of every feature, as the reference package reads them."""
    out = []
    for feature in packet.phenotypic_features:
        sides = [SIDES[m.id] for m in feature.modifiers if m.id in SIDES]
        out.append((feature.type.id, feature.excluded, sides[0] if sides else None))
    return out


def expected_features(subject: ExportInput) -> list[tuple[str, bool, str | None]]:
    """The same from the note itself."""
    return [
        (code.code, finding.status == "normal", finding.side if finding.side in SIDES.values() else None)
        for finding in subject.note.findings
        for code in finding.codes
        if code.system == "HPO" and not code.modifier
    ]


@settings(max_examples=25, deadline=None)
@given(subjects())
def test_the_reference_package_reads_sides_and_exclusions_back(subject: ExportInput) -> None:
    packet = parsed(write_phenopacket(subject))
    assert features_in(packet) == expected_features(subject)
    assert packet.subject.id == subject.patient_ref
    assert packet.id.startswith("DRAFT ") == (subject.is_draft or subject.examination_id.startswith("DRAFT "))


@settings(max_examples=20, deadline=None)
@given(subjects())
def test_nothing_is_lost_between_our_json_and_the_message(subject: ExportInput) -> None:
    again = MessageToDict(parsed(write_phenopacket(subject)))
    ours = phenopacket(subject)
    for feature in ours["phenotypicFeatures"]:
        if not feature["excluded"]:
            del feature["excluded"]
    if not ours["phenotypicFeatures"]:
        del ours["phenotypicFeatures"]
    assert again == ours


def _subject(**said: object) -> ExportInput:
    facts = {"site": None, "descriptors": (), "qualifiers": (), **said}
    codes = codes_for(*(facts[k] for k in ("item", "site", "side", "status", "descriptors", "qualifiers")))
    finding = Finding(text="x", start_char=0, end_char=1, codes=codes, **facts)
    slot = Slot(item="fundi", side="left", state="not_examined", reason="small pupils", required_by="core_screen")
    return from_note(Note(findings=(finding,), slots=(slot,)), examination_id="e1", patient_ref="P-17")


def test_a_present_sign_has_side_and_severity() -> None:
    subject = _subject(item="ptosis", side="left", status="abnormal", qualifiers=("marked",))
    (feature,) = phenopacket(subject)["phenotypicFeatures"]
    assert feature["type"] == {"id": "HP:0000508", "label": "Ptosis"}
    assert feature["excluded"] is False
    assert feature["severity"]["label"] == "Severe"
    assert [m["label"] for m in feature["modifiers"]] == ["Left"]
    assert feature["description"].startswith("DRAFT. Ptosis, left: abnormal, marked.")


@pytest.mark.parametrize("status", ["equivocal", "not_examined"])
def test_doubtful_and_unexamined_are_neither_present_nor_excluded(status: str) -> None:
    assert phenopacket(_subject(item="ptosis", side="left", status=status))["phenotypicFeatures"] == []


def test_what_was_not_examined_is_said() -> None:
    text = write_phenopacket(_subject(item="ptosis", side="left", status="normal"))
    assert "Fundi, left: not examined (small pupils)" in text
    assert json.loads(text)["phenotypicFeatures"][0]["excluded"] is True


def test_the_reference_package_is_strict() -> None:
    with pytest.raises(ParseError):
        parsed('{"id": "x", "colour": "red"}')
