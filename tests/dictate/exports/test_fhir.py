"""FHIR: valid for three independent validators, read back equal, refused when it was changed on the way."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from fhir.resources.R4B.bundle import Bundle
from hypothesis import given, settings
from pydantic import ValidationError

from dictate.errors import InputError
from dictate.exports.fhir import fhir_bundle, write_fhir
from dictate.exports.fhir_reader import read_fhir
from dictate.exports.fhir_terms import clean, system_name, system_uri
from dictate.exports.subject import ExportInput, from_note
from grammar.codes import codes_for
from grammar.models import Finding, Note, Slot
from tests.dictate.exports.fhir_validators import node_faults
from tests.strategies import subjects


def _finding(**said: Any) -> Finding:
    facts = {"site": None, "descriptors": (), "qualifiers": (), "grade": None, **said}
    codes = codes_for(
        *(facts[k] for k in ("item", "site", "side", "status", "descriptors", "qualifiers")),
        grade=facts["grade"],
    )
    return Finding(**{"text": "x", "start_char": 0, "end_char": 1, "codes": codes, **facts})


def _subject(*findings: Finding, slots: tuple[Slot, ...] = ()) -> ExportInput:
    return from_note(Note(findings=findings, slots=slots), examination_id="e1", patient_ref="P-17")


def _observation(finding: Finding) -> dict[str, Any]:
    (found,) = [
        entry["resource"]
        for entry in fhir_bundle(_subject(finding))["entry"]
        if entry["resource"]["resourceType"] == "Observation"
    ]
    return found


@settings(max_examples=25, deadline=None)
@given(subjects())
def test_it_comes_back_equal(subject: ExportInput) -> None:
    Bundle.model_validate(fhir_bundle(subject))
    assert read_fhir(json.loads(write_fhir(subject)), name="x") == subject


def test_texts_that_fhir_does_not_allow_still_come_back_equal() -> None:
    finding = _finding(item="plantar", side="left", status="abnormal", text="a\x00b\N{NO-BREAK SPACE}c\ufeff")
    subject = _subject(finding)
    bundle = fhir_bundle(subject)
    assert read_fhir(bundle, name="x") == subject
    assert node_faults([bundle]) == [{"schema": [], "profile": []}]


OBSERVED = [
    (
        _finding(item="plantar", side="left", status="abnormal", descriptors=("extensor",)),
        {
            "interpretation": "A",
            "value": "abnormal",
            "site": "left",
            "codes": ["plantar", "HP:0003487", "R29.2"],
        },
    ),
    (
        _finding(item="plantar", side="right", status="normal", descriptors=("flexor",)),
        {"interpretation": "N", "value": "normal", "site": "right", "codes": ["plantar"]},
    ),
    (
        _finding(item="plantar", side="right", status="equivocal"),
        {"interpretation": "IND", "value": "equivocal", "site": "right", "codes": ["plantar"]},
    ),
    (
        _finding(item="power", site="ankle_dorsiflexion", side="right", status="abnormal", grade="4-"),
        {
            "interpretation": "A",
            "value": "4-",
            "site": "right ankle dorsiflexion",
            "codes": ["power", "HP:0009027", "R29.898"],
        },
    ),
    (
        _finding(item="straight_leg_raise", side="left", status="abnormal", grade="40"),
        {"interpretation": "A", "value": "40 deg", "site": "left", "codes": ["straight_leg_raise"]},
    ),
    (
        _finding(item="romberg", side="none", status="normal"),
        {"interpretation": "N", "value": "normal", "site": None, "codes": ["romberg"]},
    ),
    (
        _finding(item="reflex", site="knee", side="unstated", status="normal", grade="2+"),
        {"interpretation": "N", "value": "2+", "site": "side not stated knee", "codes": ["reflex"]},
    ),
]


@pytest.mark.parametrize(("finding", "expected"), OBSERVED)
def test_a_finding_as_an_observation(finding: Finding, expected: dict[str, Any]) -> None:
    observation = _observation(finding)
    if "valueQuantity" in observation:
        value = f"{observation['valueQuantity']['value']} {observation['valueQuantity']['code']}"
    else:
        value = observation["valueCodeableConcept"]["coding"][0]["code"]
    assert {
        "interpretation": observation["interpretation"][0]["coding"][0]["code"],
        "value": value,
        "site": observation.get("bodySite", {}).get("text"),
        "codes": [coding["code"] for coding in observation["code"]["coding"]],
    } == expected


def test_not_examined_has_no_value_but_its_reason() -> None:
    observation = _observation(_finding(item="fundi", side="both", status="not_examined", reason="small pupils"))
    assert not [key for key in observation if key.startswith("value")]
    assert "interpretation" not in observation
    assert observation["dataAbsentReason"]["coding"][0]["code"] == "not-performed"
    assert observation["dataAbsentReason"]["text"] == "small pupils"


def test_an_excluded_term_is_no_code_of_the_observation() -> None:
    observation = _observation(_finding(item="plantar", side="right", status="normal"))
    assert "HP:0003487" not in json.dumps(observation["code"])
    (part,) = [c for c in observation["component"] if c["code"]["coding"][0]["code"] == "excluded-sign"]
    assert part["valueCodeableConcept"]["coding"][0]["code"] == "HP:0003487"
    assert part["interpretation"][0]["coding"][0]["code"] == "NEG"


def test_omissions_stand_in_the_composition() -> None:
    slot = Slot(item="fundi", side="left", state="missing", required_by="core_screen")
    composition = fhir_bundle(_subject(slots=(slot,)))["entry"][0]["resource"]
    (section,) = [s for s in composition["section"] if s["title"] == "Not examined or not recorded"]
    assert "Fundi, left: nothing said" in section["text"]["div"]
    assert "Fundi, left: nothing said" in composition["text"]["div"]


@settings(max_examples=20, deadline=None)
@given(subjects())
def test_a_draft_is_preliminary_everywhere(subject: ExportInput) -> None:
    resources = [entry["resource"] for entry in fhir_bundle(subject)["entry"]]
    states = {r["status"] for r in resources if r["resourceType"] in ("Composition", "Observation")}
    assert states == {{"draft": "preliminary", "signed": "final", "amended": "amended"}[subject.status]}
    assert resources[0]["title"].startswith("DRAFT") == subject.is_draft


def _drop(bundle: dict[str, Any]) -> None:
    bundle["entry"] = [e for e in bundle["entry"] if e["resource"].get("identifier") != _number("1")]


def _number(value: str) -> list[dict[str, str]]:
    return [{"system": "http://spoken-exam.example/fhir/finding", "value": value}]


def _finalise(bundle: dict[str, Any]) -> None:
    bundle["entry"][0]["resource"]["status"] = "final"


def _swap_patient(bundle: dict[str, Any]) -> None:
    bundle["entry"][1]["resource"]["identifier"][0]["value"] = "P-18"


def _no_binary(bundle: dict[str, Any]) -> None:
    bundle["entry"] = [e for e in bundle["entry"] if e["resource"]["resourceType"] != "Binary"]


def _reword(bundle: dict[str, Any]) -> None:
    for entry in bundle["entry"]:
        if entry["resource"].get("identifier") == _number("1"):
            words = entry["resource"]["extension"][0]["extension"][0]
            words["valueString"] = "quite different"


def _other_side(bundle: dict[str, Any]) -> None:
    for entry in bundle["entry"]:
        if entry["resource"].get("identifier") == _number("1"):
            entry["resource"]["bodySite"]["extension"][0]["valueCode"] = "left"


def _now_normal(bundle: dict[str, Any]) -> None:
    for entry in bundle["entry"]:
        if entry["resource"].get("identifier") == _number("0"):
            entry["resource"]["interpretation"][0]["coding"][0]["code"] = "N"


CHANGED: list[tuple[Callable[[dict[str, Any]], None], str]] = [
    (_drop, "written with 2 findings and now holds 1"),
    (_finalise, "its status final, preliminary is not the recorded preliminary"),
    (_swap_patient, "its patient is not the recorded one"),
    (_no_binary, "a part of it is missing"),
    (_other_side, r"a finding \(side, result, words or codes\) is not the recorded one"),
    (_now_normal, r"a finding \(side, result, words or codes\) is not the recorded one"),
    (_reword, "was changed after writing"),
    (lambda bundle: bundle.clear(), "not a FHIR document that this tool wrote"),
]


@pytest.mark.parametrize(("change", "message"), CHANGED)
def test_a_changed_bundle_is_refused(change: Callable[[dict[str, Any]], None], message: str) -> None:
    subject = _subject(
        _finding(item="plantar", side="left", status="abnormal"),
        _finding(item="plantar", side="right", status="normal", text="pl\N{NO-BREAK SPACE}antar"),
    )
    bundle = fhir_bundle(subject)
    change(bundle)
    with pytest.raises(InputError, match=message):
        read_fhir(bundle, name="x")


def test_the_validators_find_faults() -> None:
    good = fhir_bundle(_subject(_finding(item="plantar", side="left", status="abnormal")))
    spoilt = json.loads(json.dumps(good))
    observation = next(e["resource"] for e in spoilt["entry"] if e["resource"]["resourceType"] == "Observation")
    observation["status"] = "finished"
    observation["colour"] = "red"
    with pytest.raises(ValidationError):
        Bundle.model_validate(spoilt)
    faults = node_faults([good, spoilt])
    assert faults[0] == {"schema": [], "profile": []}
    assert faults[1]["schema"]
    assert faults[1]["profile"]


@pytest.mark.parametrize("system", ["HPO", "ICD-10-CM", "LOINC", "OUR CLINIC/2 é"])
def test_systems_have_a_uri_each(system: str) -> None:
    assert system_name(system_uri(system)) == system
    assert " " not in system_uri(system)


CLEANED = [
    ("a\tb\r\nc d", "a\tb\r\nc d"),
    ("a\N{NO-BREAK SPACE}b\u2028c", "a b c"),
    ("a\x00b\x7f", "a\ufffdb\ufffd"),
    ("é مرحبا 🙂", "é مرحبا 🙂"),
]


@pytest.mark.parametrize(("text", "expected"), CLEANED)
def test_clean(text: str, expected: str) -> None:
    assert clean(text) == expected
