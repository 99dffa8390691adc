"""Names that the FHIR writer and reader share: systems, extensions, codes of state and of unit."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import quote, unquote

from grammar.models import Code

# Code systems and extensions of our own live under a name that no one can own (RFC 2606).
BASE = "http://spoken-exam.example/fhir"
HL7 = "http://terminology.hl7.org/CodeSystem"
SYSTEMS = {
    "HPO": "http://human-phenotype-ontology.org",
    "ICD-10-CM": "http://hl7.org/fhir/sid/icd-10-cm",
    "LOINC": "http://loinc.org",
}
OWN_CODES = f"{BASE}/CodeSystem/codes-"
SIDE = f"{BASE}/StructureDefinition/side"
WORDS = f"{BASE}/StructureDefinition/spoken-words"
FINGERPRINT = f"{BASE}/StructureDefinition/fingerprint-sha256"
OBSERVATION_STATUS = {"draft": "preliminary", "signed": "final", "amended": "amended"}
INTERPRETATION = {
    "normal": ("N", "Normal"),
    "abnormal": ("A", "Abnormal"),
    "equivocal": ("IND", "Indeterminate"),
}
# Scales that are numbers: unit in words and in UCUM.
UNITS = {"degrees": ("degrees", "deg"), "millimetres": ("mm", "mm"), "beats": ("beats", "{beats}")}
Resource = dict[str, Any]
# What `clean` may have to change: blanks other than space, tab, line ends; controls; noncharacters.
_UNUSUAL = re.compile(r"[^\S \t\r\n]|[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufeff\ufffe\uffff]")


def clean(text: str) -> str:
    """Text that FHIR allows: other blanks than space, tab and line ends become spaces, controls a mark.

    The pattern of the FHIR data type string is `[ \\r\\n\\t\\S]+`, whose \\S leaves out every Unicode blank.
    """
    return "".join(map(_allowed, text)) if _UNUSUAL.search(text) else text


def _allowed(char: str) -> str:
    if char in " \t\r\n":
        return char
    if (char.isspace() and ord(char) > 127) or char == "\N{ZERO WIDTH NO-BREAK SPACE}":
        return " "
    return "\N{REPLACEMENT CHARACTER}" if ord(char) < 32 or char in "\x7f\ufffe\uffff" else char


def system_uri(system: str) -> str:
    """The URI of a code system: the official one, else one of ours made from its name."""
    return SYSTEMS.get(system, OWN_CODES + quote(system, safe=""))


def system_name(uri: str) -> str:
    """The name of a code system from its URI, the inverse of `system_uri`."""
    known = {value: key for key, value in SYSTEMS.items()}
    return known.get(uri) or unquote(uri.removeprefix(OWN_CODES))


def own(kind: str, code: str, display: str) -> Resource:
    """A coding of one of our own systems."""
    return {"system": f"{BASE}/CodeSystem/{kind}", "code": code, "display": display}


def coding(code: Code) -> Resource:
    """A coding of a finding's code."""
    return {
        "system": system_uri(code.system),
        "code": code.code,
        **({"display": clean(code.display)} if code.display.strip() else {}),
    }


def hl7(kind: str, code: str, display: str | None = None) -> Resource:
    """A coding of one of HL7's systems."""
    return {"system": f"{HL7}/{kind}", "code": code, **({"display": display} if display else {})}
