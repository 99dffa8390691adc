"""Our FHIR document read back to the examination it was made from.

Findings come from the Observations, the rest from the Binary. What both say must agree: an Observation that
was dropped, a status or a patient that was changed on the way is refused, not papered over.
"""

from __future__ import annotations

import base64
import json
from typing import Any

from pydantic import ValidationError

from dictate.errors import InputError
from dictate.exports.fhir_observation import cleaned
from dictate.exports.fhir_terms import (
    BASE,
    INTERPRETATION,
    OBSERVATION_STATUS,
    SIDE,
    WORDS,
    Resource,
    clean,
    system_name,
)
from dictate.exports.subject import ExportInput, fingerprint
from grammar.models import Code, Finding

_STATUS = {code: status for status, (code, _) in INTERPRETATION.items()}


def read_fhir(data: Resource, *, name: str) -> ExportInput:
    """The examination of a Bundle written by `write_fhir`.

    Args:
        data: the parsed JSON of the Bundle.
        name: what to call it in errors.

    Raises:
        InputError: the Bundle is not ours, is incomplete, or its parts disagree.
    """
    try:
        resources = [entry["resource"] for entry in data["entry"]]
        record = json.loads(base64.b64decode(_only(resources, "Binary")["data"]))
        observations = [r for r in resources if r["resourceType"] == "Observation"]
        findings = _in_order(observations, record["findings"], name)
        rest = dict(record["rest"])
        rest["note"] = {**rest["note"], "findings": findings}
        subject = ExportInput.model_validate_json(json.dumps(rest))
    except (KeyError, IndexError, TypeError, ValueError, AttributeError, ValidationError) as error:
        what = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputError(
            f"'{name}' is not a FHIR document that this tool wrote, or a part of it is missing ({what}). "
            "Export the examination again."
        ) from None
    _agree(subject, resources, record["fingerprint"], name)
    return subject


def _only(resources: list[Resource], kind: str) -> Resource:
    found = [r for r in resources if r["resourceType"] == kind]
    if len(found) != 1:
        raise ValueError(f"{len(found)} resources of type {kind}")
    return found[0]


def _in_order(observations: list[Resource], count: int, name: str) -> list[dict[str, Any]]:
    """Findings in the order of the note; every number from 0 must be there once."""
    by_number = {int(o["identifier"][0]["value"]): o for o in observations}
    if sorted(by_number) != list(range(count)) or len(observations) != count:
        raise InputError(
            f"'{name}' was written with {count} findings and now holds {len(observations)}: some were "
            "dropped or repeated on the way. Export the examination again."
        )
    return [_finding(by_number[number]).model_dump(mode="json") for number in range(count)]


def _agree(subject: ExportInput, resources: list[Resource], recorded: str, name: str) -> None:
    """Refuse a Bundle whose state, patient or findings differ from its record."""
    state = OBSERVATION_STATUS[subject.status]
    seen = {r["status"] for r in resources if r["resourceType"] in ("Composition", "Observation")}
    patient = _only(resources, "Patient")["identifier"][0]["value"]
    fault = ""
    if seen != {state}:
        fault = f"its status {', '.join(sorted(seen))} is not the recorded {state}"
    elif patient != clean(subject.patient_ref):
        fault = "its patient is not the recorded one"
    elif fingerprint(subject.note) != recorded:
        fault = "a finding (side, result, words or codes) is not the recorded one"
    if fault:
        raise InputError(f"'{name}' was changed after it was written: {fault}. Export the examination again.")


def _finding(resource: Resource) -> Finding:
    words = {part["url"]: part for part in _extension(resource, WORDS)["extension"]}
    trace = json.loads(words["trace"]["valueString"])
    site = resource.get("bodySite", {})
    absent = resource.get("dataAbsentReason")
    if absent is not None:
        status, reason = "not_examined", absent.get("text")
    else:
        status = _STATUS[resource["interpretation"][0]["coding"][0]["code"]]
        reason = resource["note"][0]["text"] if "note" in resource else None
    facts = {
        "item": resource["code"]["coding"][0]["code"],
        "site": site["coding"][0]["code"] if "coding" in site else None,
        "side": _extension(site, SIDE)["valueCode"] if site else "none",
        "status": status,
        "grade": _grade(resource),
        "reason": reason,
        "text": words["text"]["valueString"] if "text" in words else "",
        "start_char": words["startChar"]["valueInteger"],
        "end_char": words["endChar"]["valueInteger"],
        "start_s": words.get("startSeconds", {}).get("valueDecimal"),
        "end_s": words.get("endSeconds", {}).get("valueDecimal"),
        "confidence": words.get("confidence", {}).get("valueDecimal"),
        **_parts(resource.get("component", [])),
    }
    for field, value in trace.pop("exact").items():
        # The original may replace only what was cleaned from it, never a text that was changed since.
        if cleaned(value) != cleaned(facts[field]):
            raise ValueError(f"{field} of {facts['item']} was changed after writing")
        facts[field] = value
    facts |= trace
    return Finding.model_validate_json(json.dumps(facts))


def _extension(holder: Resource, url: str) -> Resource:
    found: list[Resource] = [part for part in holder["extension"] if part["url"] == url]
    return found[0]


def _grade(resource: Resource) -> str | None:
    if "valueQuantity" in resource:
        return str(resource["valueQuantity"]["value"])
    if "valueString" in resource:
        return str(resource["valueString"])
    if "valueCodeableConcept" in resource:
        value = resource["valueCodeableConcept"]["coding"][0]
        if value["system"].startswith(f"{BASE}/CodeSystem/grade-"):
            return str(value["code"])
    return None


def _parts(components: list[Resource]) -> dict[str, list[Any]]:
    """Descriptors, qualifiers and codes from the components, in their order."""
    parts: dict[str, list[Any]] = {"descriptors": [], "qualifiers": [], "codes": []}
    for component in components:
        kind = component["code"]["coding"][0]["code"]
        if kind == "qualifier":
            parts["qualifiers"].append(component["valueString"])
            continue
        value = component["valueCodeableConcept"]["coding"][0]
        if kind == "descriptor":
            parts["descriptors"].append(value["code"])
        else:
            code = Code(
                system=system_name(value["system"]),
                code=value["code"],
                display=value.get("display", ""),
                excluded=kind == "excluded-sign",
                modifier=kind == "modifier",
            )
            parts["codes"].append(code.model_dump())
    return parts
