"""HL7 FHIR R4: a document Bundle of one examination, one Observation a finding.

    Composition    LOINC document code; sections for stations, the unexamined, questions
    Observation    code: our item code; the HPO and ICD-10-CM codes of an abnormal finding beside it
                   value: grade (Quantity for degrees, millimetres, beats), else status; none if not examined
                   interpretation: N, A or IND; dataAbsentReason not-performed, with the reason, instead
                   bodySite: site and side; component: descriptors, qualifiers, codes (excluded ones marked)
                   extension: the words with their place in transcript and recording
    Provenance     who signed what (fingerprint) and when; for a draft only that the tool made it
    Binary         the rest of the note (slots, queries, cover, transcript), so that nothing is lost

Status is preliminary for a draft, final when signed, amended afterwards. `fhir_reader.py` reads it all back.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable
from uuid import NAMESPACE_URL, uuid5

from dictate.exports.fhir_observation import observation
from dictate.exports.fhir_terms import (
    BASE,
    FINGERPRINT,
    OBSERVATION_STATUS,
    Resource,
    clean,
    coding,
    hl7,
    own,
)
from dictate.exports.fhir_text import narrative, omission_lines, question_lines, section_texts
from dictate.exports.subject import STATUS_WORDS, ExportInput, fingerprint
from dictate.exports.wording import (
    by_station,
    place_words,
    result_words,
    stations,
)
from grammar.codes import loinc
from grammar.models import Finding


def write_fhir(subject: ExportInput) -> str:
    """One examination as a FHIR R4 document Bundle in JSON."""
    return json.dumps(fhir_bundle(subject), ensure_ascii=False) + "\n"


def fhir_bundle(subject: ExportInput) -> Resource:
    """The Bundle as a dictionary."""
    ids = _Ids(subject)
    observations = [
        observation(subject, number, finding, _links(subject, ids, number))
        for number, finding in enumerate(subject.note.findings)
    ]
    resources = [
        _composition(subject, ids),
        _patient(subject, ids),
        *_practitioners(subject, ids),
        *_encounters(subject, ids),
        _device(subject, ids),
        *observations,
        _provenance(subject, ids),
        _binary(subject, ids),
    ]
    return {
        "resourceType": "Bundle",
        "identifier": {"system": f"{BASE}/examination", "value": clean(subject.examination_id)},
        "type": "document",
        "timestamp": _made_at(subject),
        "entry": [{"fullUrl": f"urn:uuid:{r['id']}", "resource": r} for r in resources],
    }


class _Ids:
    """Stable ids: the same examination in the same state gives the same Bundle."""

    def __init__(self, subject: ExportInput) -> None:
        self._base = f"{BASE}/{subject.examination_id}/{subject.status}/{_made_at(subject)}"

    def of(self, name: str) -> str:
        return str(uuid5(NAMESPACE_URL, f"{self._base}/{name}"))

    def reference(self, name: str, display: str | None = None) -> Resource:
        return {"reference": f"urn:uuid:{self.of(name)}", **({"display": clean(display)} if display else {})}


def _made_at(subject: ExportInput) -> str:
    made = subject.signature.signed_at if subject.signature else subject.ended_at or subject.started_at
    return made.isoformat()


def _composition(subject: ExportInput, ids: _Ids) -> Resource:
    document = loinc("document")
    draft = "DRAFT: " if subject.is_draft else ""
    resource: Resource = {
        "resourceType": "Composition",
        "id": ids.of("composition"),
        "text": narrative(subject),
        "identifier": {"system": f"{BASE}/examination", "value": clean(subject.examination_id)},
        "status": OBSERVATION_STATUS[subject.status],
        "type": {"coding": [coding(document)]},
        "subject": ids.reference("patient"),
        **({"encounter": ids.reference("encounter")} if subject.encounter else {}),
        "date": _made_at(subject),
        "author": [ids.reference("practitioner") if subject.clinician else ids.reference("device")],
        "title": f"{draft}Neurological examination",
        "section": list(_sections(subject, ids)),
    }
    if subject.signature:
        resource["attester"] = [
            {
                "mode": "legal",
                "time": subject.signature.signed_at.isoformat(),
                "party": ids.reference("signer", subject.signature.signed_by),
            }
        ]
    return resource


def _sections(subject: ExportInput, ids: _Ids) -> Iterable[Resource]:
    numbers = {id(finding): number for number, finding in enumerate(subject.note.findings)}
    for station, found in by_station(subject.note.findings).items():
        label = stations()[station]
        yield {
            "title": label,
            "code": {"coding": [coding(loinc("section")), own("station", station, label)]},
            "text": section_texts(label, [f"{_head(f)}: {result_words(f)}" for f in found]),
            "entry": [ids.reference(f"finding-{numbers[id(f)]}") for f in found],
        }
    for code, title, lines in (
        ("not-examined", "Not examined or not recorded", omission_lines(subject.note)),
        ("questions", "Open questions and words not understood", question_lines(subject.note)),
    ):
        yield {
            "title": title,
            "code": {"coding": [own("section", code, title)]},
            "text": section_texts(title, lines or ["None."]),
        }
    yield {
        "title": "Record of the tool",
        "code": {"coding": [own("section", "record", "Record of the tool")]},
        "entry": [ids.reference("record"), ids.reference("provenance"), ids.reference("device")],
    }


def _head(finding: Finding) -> str:
    return place_words(finding.item, finding.site, finding.side)


def _patient(subject: ExportInput, ids: _Ids) -> Resource:
    return {
        "resourceType": "Patient",
        "id": ids.of("patient"),
        "identifier": [{"system": f"{BASE}/patient", "value": clean(subject.patient_ref)}],
        **({"name": [{"text": clean(subject.patient_name)}]} if subject.patient_name else {}),
        **({"birthDate": subject.birth_date.isoformat()} if subject.birth_date else {}),
    }


def _practitioners(subject: ExportInput, ids: _Ids) -> Iterable[Resource]:
    people = {"practitioner": subject.clinician, "signer": subject.signature and subject.signature.signed_by}
    for name, person in people.items():
        if person:
            yield {"resourceType": "Practitioner", "id": ids.of(name), "name": [{"text": clean(person)}]}


def _encounters(subject: ExportInput, ids: _Ids) -> Iterable[Resource]:
    if subject.encounter:
        yield {
            "resourceType": "Encounter",
            "id": ids.of("encounter"),
            "identifier": [{"system": f"{BASE}/encounter", "value": clean(subject.encounter)}],
            "status": "finished",
            "class": hl7("v3-ActCode", "AMB", "ambulatory"),
            "subject": ids.reference("patient"),
        }


def _device(subject: ExportInput, ids: _Ids) -> Resource:
    caution = subject.note.caution
    return {
        "resourceType": "Device",
        "id": ids.of("device"),
        "deviceName": [{"name": "Spoken Exam", "type": "model-name"}],
        "version": [{"value": subject.tool_version}],
        **({"note": [{"text": clean(caution)}]} if caution.strip() else {}),
    }


def _links(subject: ExportInput, ids: _Ids, number: int) -> Resource:
    """What ties an Observation to the rest of the Bundle."""
    return {
        "id": ids.of(f"finding-{number}"),
        "subject": ids.reference("patient"),
        "device": ids.reference("device"),
        **({"encounter": ids.reference("encounter")} if subject.encounter else {}),
        **({"performer": [ids.reference("practitioner")]} if subject.clinician else {}),
    }


def _provenance(subject: ExportInput, ids: _Ids) -> Resource:
    signature = subject.signature
    who = ids.reference("signer", signature.signed_by) if signature else ids.reference("device")
    role = "legal" if signature else "assembler"
    resource: Resource = {
        "resourceType": "Provenance",
        "id": ids.of("provenance"),
        "target": [ids.reference("composition")],
        "occurredDateTime": subject.started_at.isoformat(),
        "recorded": _made_at(subject),
        "agent": [{"type": {"coding": [hl7("provenance-participant-type", role)]}, "who": who}],
    }
    if signature:
        resource["extension"] = [{"url": FINGERPRINT, "valueString": signature.fingerprint}]
        resource["signature"] = [
            {
                "type": [
                    {
                        "system": "urn:iso-astm:E1762-95:2013",
                        "code": "1.2.840.10065.1.12.1.1",
                        "display": "Author's Signature",
                    }
                ],
                "when": signature.signed_at.isoformat(),
                "who": who,
            }
        ]
        if signature.reason and signature.reason.strip():
            resource["reason"] = [{"text": clean(signature.reason)}]
    return resource


def _binary(subject: ExportInput, ids: _Ids) -> Resource:
    """All of the examination that the other resources do not hold: everything but the findings."""
    rest = subject.model_copy(update={"note": subject.note.model_copy(update={"findings": ()})})
    record = {
        "findings": len(subject.note.findings),
        "fingerprint": fingerprint(subject.note),
        "marking": STATUS_WORDS[subject.status],
        "rest": rest.model_dump(mode="json", by_alias=True),
    }
    data = json.dumps(record, ensure_ascii=False).encode("utf-8")
    return {
        "resourceType": "Binary",
        "id": ids.of("record"),
        "contentType": "application/json",
        "data": base64.b64encode(data).decode("ascii"),
    }
