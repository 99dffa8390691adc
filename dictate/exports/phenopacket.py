"""GA4GH Phenopacket v2 (ISO 4454): HPO terms of a note, normal signs excluded, with side and severity.

Only findings with an HPO term appear; a doubtful finding and one that was not examined have none, so they are
neither present nor excluded. What was not examined is listed in the meta data. A draft says so in its id, in
every feature and in the meta data. Schema: Jacobsen JOB et al., Nat Biotechnol 2022;40:817.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from dictate.exports.subject import STATUS_WORDS, ExportInput
from dictate.exports.wording import open_slots, place_words, result_words, slot_words
from grammar.codes import modifiers, shipped_tables
from grammar.models import Finding

# Evidence and Conclusion Ontology (from memory): the clinician's own statement, entered by a person.
EVIDENCE = {"id": "ECO:0000302", "label": "author statement used in manual assertion"}


def write_phenopacket(subject: ExportInput) -> str:
    """One examination as the JSON form of a Phenopacket."""
    return json.dumps(phenopacket(subject), ensure_ascii=False, indent=1) + "\n"


def phenopacket(subject: ExportInput) -> dict[str, Any]:
    """The Phenopacket message as a dictionary."""
    person: dict[str, Any] = {
        "id": subject.patient_ref,
        "timeAtLastEncounter": {"timestamp": _stamp(subject.started_at)},
    }
    if subject.birth_date:
        person["dateOfBirth"] = f"{subject.birth_date.isoformat()}T00:00:00Z"
    return {
        "id": f"DRAFT {subject.examination_id}" if subject.is_draft else subject.examination_id,
        "subject": person,
        "phenotypicFeatures": [f for finding in subject.note.findings for f in _features(subject, finding)],
        "metaData": _meta(subject),
    }


def _features(subject: ExportInput, finding: Finding) -> Iterable[dict[str, Any]]:
    """One feature for each HPO term of the finding."""
    hpo = [code for code in finding.codes if code.system == "HPO"]
    graded = [_term(c.code, c.display) for c in hpo if c.modifier and c.code in _severities()]
    others = [_term(c.code, c.display) for c in hpo if c.modifier and c.code not in _severities()]
    mark = "DRAFT. " if subject.is_draft else ""
    words = f"{mark}{place_words(finding.item, finding.site, finding.side)}: {result_words(finding)}. "
    for code in hpo:
        if code.modifier:
            continue
        feature: dict[str, Any] = {
            "description": f'{words}Words: "{finding.text}"',
            "type": _term(code.code, code.display),
            "excluded": code.excluded,
        }
        if graded:
            # The schema holds one severity; a second one ("mild to moderate") stands with the modifiers.
            feature["severity"] = graded[0]
        if others or graded[1:]:
            feature["modifiers"] = others + graded[1:]
        feature["evidence"] = [
            {
                "evidenceCode": EVIDENCE,
                "reference": {
                    "id": subject.examination_id,
                    "description": f"spoken examination, {STATUS_WORDS[subject.status]}",
                },
            }
        ]
        yield feature


@lru_cache(maxsize=1)
def _severities() -> frozenset[str]:
    return frozenset(row.code for row in modifiers() if row.kind == "severity")


def _term(code: str, label: str) -> dict[str, str]:
    return {"id": code, "label": label}


def _meta(subject: ExportInput) -> dict[str, Any]:
    signature = subject.signature
    made = signature.signed_at if signature else subject.ended_at or subject.started_at
    about = f"{STATUS_WORDS[subject.status]}. {subject.note.caution}"
    if signature:
        about += f" Signed by {signature.signed_by}, SHA-256 {signature.fingerprint}."
    missing = "; ".join(slot_words(slot) for slot in open_slots(subject.note)) or "nothing that was required"
    without = sum(1 for f in subject.note.findings if not any(c.system == "HPO" for c in f.codes))
    return {
        "created": _stamp(made),
        "createdBy": (signature.signed_by if signature else subject.clinician) or "not stated",
        "resources": [
            {
                "id": "hp",
                "name": "Human Phenotype Ontology",
                "url": "http://purl.obolibrary.org/obo/hp.owl",
                "version": _hpo_version(),
                "namespacePrefix": "HP",
                "iriPrefix": "http://purl.obolibrary.org/obo/HP_",
            },
            {
                "id": "eco",
                "name": "Evidence and Conclusion Ontology",
                "url": "http://purl.obolibrary.org/obo/eco.owl",
                "version": "not recorded",
                "namespacePrefix": "ECO",
                "iriPrefix": "http://purl.obolibrary.org/obo/ECO_",
            },
        ],
        "phenopacketSchemaVersion": "2.0",
        "externalReferences": [
            {"id": subject.examination_id, "description": about},
            {
                "id": f"{subject.examination_id} not examined",
                "description": f"Not examined or not recorded: {missing}. "
                f"Findings without an HPO term, not in this packet: {without}.",
            },
        ],
    }


@lru_cache(maxsize=1)
def _hpo_version() -> str:
    """The release, "2025-01-16", from the passport of the shipped table."""
    table = next(table for table in shipped_tables() if table.system == "HPO")
    return table.passport["version"].rpartition("/")[2]


def _stamp(time: datetime) -> str:
    return time.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
