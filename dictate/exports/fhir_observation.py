"""One finding as a FHIR Observation (see fhir.py for the plan of the Bundle)."""

from __future__ import annotations

import json
import re
from typing import Any

from dictate.exports.fhir_terms import (
    BASE,
    INTERPRETATION,
    OBSERVATION_STATUS,
    SIDE,
    UNITS,
    WORDS,
    Resource,
    clean,
    coding,
    hl7,
    own,
)
from dictate.exports.subject import ExportInput
from dictate.exports.wording import item_label, result_words, scale_of, spaced
from grammar.models import Finding

_CODE = re.compile(r"[^\s]+(\s[^\s]+)*")


def observation(subject: ExportInput, number: int, finding: Finding, links: Resource) -> Resource:
    """The Observation of the finding with this number in the note.

    `links` holds id, subject, encounter, performer and device as the Bundle knows them.
    """
    present = [c for c in finding.codes if not (c.excluded or c.modifier)]
    label = item_label(finding.item, finding.site)
    resource: Resource = {
        "resourceType": "Observation",
        "extension": [_words(finding)],
        "identifier": [{"system": f"{BASE}/finding", "value": str(number)}],
        "status": OBSERVATION_STATUS[subject.status],
        "category": [{"coding": [hl7("observation-category", "exam", "Exam")]}],
        "code": {"coding": [own("item", finding.item, item_label(finding.item)), *map(coding, present)], "text": label},
        "effectiveDateTime": subject.started_at.isoformat(),
        **links,
        **_outcome(finding),
        "bodySite": _body_site(finding),
        "component": _components(finding),
    }
    return {key: value for key, value in resource.items() if value}


def _outcome(finding: Finding) -> Resource:
    """Value and interpretation, or why there is none."""
    if finding.status == "not_examined":
        absent = {"coding": [hl7("data-absent-reason", "not-performed")]}
        return {"dataAbsentReason": {**absent, **({"text": clean(finding.reason)} if finding.reason else {})}}
    code, display = INTERPRETATION[finding.status]
    outcome: Resource = {
        "interpretation": [
            {"coding": [hl7("v3-ObservationInterpretation", code, display)]},
        ],
        **({"note": [{"text": clean(finding.reason)}]} if finding.reason else {}),
    }
    scale = scale_of(finding.item)
    if finding.grade is None:
        value = own("result", finding.status, spaced(finding.status))
    elif scale in UNITS and re.fullmatch(r"0|[1-9]\d*", finding.grade):
        unit, ucum = UNITS[scale]
        system = "http://unitsofmeasure.org"
        return {
            **outcome,
            "valueQuantity": {"value": int(finding.grade), "unit": unit, "system": system, "code": ucum},
        }
    elif _CODE.fullmatch(finding.grade):
        value = own(f"grade-{scale or 'value'}", finding.grade, finding.grade)
    else:
        return {**outcome, "valueString": clean(finding.grade)}
    return {**outcome, "valueCodeableConcept": {"coding": [value], "text": clean(result_words(finding))}}


def _body_site(finding: Finding) -> Resource | None:
    if finding.site is None and finding.side == "none":
        return None
    side = {"both": "both", "unstated": "side not stated", "none": ""}.get(finding.side, finding.side)
    words = " ".join(filter(None, [side, spaced(finding.site or "")]))
    return {
        "extension": [{"url": SIDE, "valueCode": finding.side}],
        **({"coding": [own("site", finding.site, spaced(finding.site))]} if finding.site else {}),
        "text": words,
    }


def _components(finding: Finding) -> list[Resource]:
    parts = [
        _component("descriptor", valueCodeableConcept={"coding": [own("descriptor", word, spaced(word))]})
        for word in finding.descriptors
    ]
    parts += [_component("qualifier", valueString=clean(word)) for word in finding.qualifiers]
    for code in finding.codes:
        kind = "excluded-sign" if code.excluded else "modifier" if code.modifier else "sign"
        part = _component(kind, valueCodeableConcept={"coding": [coding(code)]})
        if code.excluded:
            negative = hl7("v3-ObservationInterpretation", "NEG", "Negative")
            part["interpretation"] = [{"coding": [negative]}]
        parts.append(part)
    return parts


def _component(kind: str, **value: Any) -> Resource:
    return {"code": {"coding": [own("part", kind, kind.replace("-", " "))]}, **value}


def _words(finding: Finding) -> Resource:
    """The clinician's words, where they are, and how they were read.

    `trace` is JSON in ASCII, so it can hold what FHIR strings cannot: originals of cleaned texts.
    """
    trace = finding.model_dump(mode="json", include={"spans", "repaired", "steps"})
    exact = finding.model_dump(mode="json", include={"text", "reason", "qualifiers", "codes", "grade"})
    trace["exact"] = {name: value for name, value in exact.items() if cleaned(value) != value}
    values = (
        ("text", "valueString", clean(finding.text) or None),
        ("startChar", "valueInteger", finding.start_char),
        ("endChar", "valueInteger", finding.end_char),
        ("startSeconds", "valueDecimal", finding.start_s),
        ("endSeconds", "valueDecimal", finding.end_s),
        ("confidence", "valueDecimal", finding.confidence),
        ("trace", "valueString", json.dumps(trace, separators=(",", ":"))),
    )
    return {
        "url": WORDS,
        "extension": [{"url": name, kind: value} for name, kind, value in values if value is not None],
    }


def cleaned(value: Any) -> Any:
    """`clean` for text anywhere inside lists and dictionaries."""
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, dict):
        return {key: cleaned(part) for key, part in value.items()}
    return [cleaned(part) for part in value] if isinstance(value, list) else value
