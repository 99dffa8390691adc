"""HL7 v2.5.1 ORU^R01 for interface engines: one OBX a finding, NTE for words and what was not examined.

How a finding is told (ours is the local coding system 99SPEX, as HL7 table 0396 provides for):

    OBX-3   item:site:side as code, the same in words; the first HPO term of an abnormal finding
    OBX-5   grade and what was described, as repeating CE; degrees, millimetres and beats as NM with unit;
            without either the status in words; empty when it was not examined
    OBX-8   N normal, A abnormal, empty for equivocal and not examined
    OBX-11  P draft, F signed, C amended; X (no result can be had) for not examined, in any state
    NTE     status, qualifiers, reason, codes and the clinician's words, one line each

OBR-25 is P, F or C likewise. Line breaks in text become \\.br\\, separators their escapes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import datetime

from dictate.exports.subject import STATUS_WORDS, ExportInput
from dictate.exports.wording import open_slots, place_words, scale_of, slot_words, spaced
from grammar.codes import loinc
from grammar.models import Finding

LOCAL = "99SPEX"
RESULT_STATUS = {"draft": "P", "signed": "F", "amended": "C"}
FLAG = {"normal": "N", "abnormal": "A", "equivocal": "", "not_examined": ""}
# UCUM units of the scales that are numbers.
UNITS = {"degrees": "deg", "millimetres": "mm", "beats": "{beats}"}
_ESCAPES = str.maketrans(
    {"\\": "\\E\\", "|": "\\F\\", "^": "\\S\\", "&": "\\T\\", "~": "\\R\\", "\n": "\\.br\\", "\t": " "}
)


def write_hl7(subject: ExportInput) -> str:
    """One examination as an ORU^R01 message, segments ended by CR as the standard asks."""
    lines = [_msh(subject), _pid(subject), _obr(subject)]
    lines += _notes(_about(subject))
    for number, finding in enumerate(subject.note.findings, 1):
        lines.append(_obx(subject, number, finding))
        lines += _notes(_remarks(finding))
    return "".join(f"{line}\r" for line in lines)


def escaped(text: str) -> str:
    """Text with the separators escaped, without blanks at its ends and control characters.

    Whatever some reader takes for a line end becomes a line break (str.splitlines knows them all).
    """
    lines = "\n".join(text.splitlines())
    kept = "".join(char for char in lines if char in "\t\n" or (ord(char) >= 32 and ord(char) != 127))
    return kept.strip().translate(_ESCAPES)


def _stamp(time: datetime) -> str:
    return time.strftime("%Y%m%d%H%M%S%z")


def _segment(name: str, fields: dict[int, str]) -> str:
    """Fields by their number, already escaped; empty ones are filled in, and left out at the end."""
    last = max(number for number, value in fields.items() if value)
    return "|".join([name, *(fields.get(number, "") for number in range(1, last + 1))])


def _msh(subject: ExportInput) -> str:
    facts = f"{subject.examination_id}|{subject.status}|{_made_at(subject).isoformat()}"
    control = hashlib.sha256(facts.encode("utf-8")).hexdigest()[:20]
    # MSH-1 is the separator itself, so the list starts at MSH-2.
    return _segment(
        "MSH",
        {
            1: "^~\\&",
            2: "SPOKEN-EXAM",
            6: _stamp(_made_at(subject)),
            8: "ORU^R01^ORU_R01",
            9: control,
            10: "P",
            11: "2.5.1",
            17: "UNICODE UTF-8",
        },
    )


def _made_at(subject: ExportInput) -> datetime:
    """When this state of the note came about: signing, else the end, else the start of the examination."""
    if subject.signature is not None:
        return subject.signature.signed_at
    return subject.ended_at or subject.started_at


def _pid(subject: ExportInput) -> str:
    name = f"{escaped(subject.patient_name)}^^^^^^L" if subject.patient_name else "UNKNOWN^^^^^^U"
    born = subject.birth_date.strftime("%Y%m%d") if subject.birth_date else ""
    return _segment("PID", {1: "1", 3: f"{escaped(subject.patient_ref)}^^^^MR", 5: name, 7: born})


def _obr(subject: ExportInput) -> str:
    document = loinc("document")
    who = subject.signature.signed_by if subject.signature else subject.clinician
    return _segment(
        "OBR",
        {
            1: "1",
            3: f"{escaped(subject.examination_id)}^SPOKEN-EXAM",
            4: f"{document.code}^{escaped(document.display)}^LN",
            7: _stamp(subject.started_at),
            8: _stamp(subject.ended_at) if subject.ended_at else "",
            16: f"^{escaped(who)}" if who else "",
            22: _stamp(_made_at(subject)),
            25: RESULT_STATUS[subject.status],
        },
    )


def _about(subject: ExportInput) -> Iterable[str]:
    """Notes on the whole: what it is, what was not examined, open questions, words not understood."""
    yield STATUS_WORDS[subject.status]
    yield subject.note.caution
    if subject.signature is not None:
        yield f"Signed by {subject.signature.signed_by}, SHA-256 {subject.signature.fingerprint}"
        if subject.signature.reason:
            yield f"Reason for the amendment: {subject.signature.reason}"
    if subject.place:
        yield f"Place: {subject.place}"
    for slot in open_slots(subject.note):
        yield f"NOT EXAMINED OR NOT RECORDED: {slot_words(slot)}"
    for query in subject.note.queries:
        yield f"QUERY: {query.message}"
    for span in subject.note.unread:
        yield f"NOT UNDERSTOOD: {span.text}"


def _notes(texts: Iterable[str]) -> list[str]:
    return [_segment("NTE", {1: str(number), 2: "L", 3: escaped(text)}) for number, text in enumerate(texts, 1)]


def _obx(subject: ExportInput, number: int, finding: Finding) -> str:
    kind, value, unit = _value(finding)
    missing = finding.status == "not_examined"
    return _segment(
        "OBX",
        {
            1: str(number),
            2: kind,
            3: _identifier(finding),
            4: str(number),
            5: value,
            6: unit,
            8: FLAG[finding.status],
            11: "X" if missing else RESULT_STATUS[subject.status],
            14: _stamp(subject.started_at),
        },
    )


def _identifier(finding: Finding) -> str:
    code = ":".join([finding.item, finding.site or "", finding.side])
    words = place_words(finding.item, finding.site, finding.side)
    terms = [c for c in finding.codes if c.system == "HPO" and not (c.excluded or c.modifier)]
    beside = f"^{terms[0].code}^{escaped(terms[0].display)}^99HPO" if terms else ""
    return f"{escaped(code)}^{escaped(words)}^{LOCAL}{beside}"


def _value(finding: Finding) -> tuple[str, str, str]:
    """OBX-2, OBX-5 and OBX-6."""
    if finding.status == "not_examined":
        return "", "", ""
    scale = scale_of(finding.item)
    if finding.grade is not None and scale in UNITS and finding.grade.isdecimal():
        return "NM", finding.grade, f"{UNITS[scale]}^{UNITS[scale]}^UCUM"
    parts = [] if finding.grade is None else [(finding.grade, finding.grade, f"{LOCAL}-{scale or 'grade'}")]
    parts += [(word, spaced(word), f"{LOCAL}-described") for word in finding.descriptors]
    parts = parts or [(finding.status, spaced(finding.status), f"{LOCAL}-status")]
    return "CE", "~".join("^".join(map(escaped, part)) for part in parts), ""


def _remarks(finding: Finding) -> Iterable[str]:
    yield f"status: {spaced(finding.status)}"
    scale = scale_of(finding.item)
    if finding.descriptors and scale in UNITS and finding.grade is not None:
        yield f"described: {', '.join(map(spaced, finding.descriptors))}"
    if finding.qualifiers:
        yield f"qualifiers: {'; '.join(finding.qualifiers)}"
    if finding.reason:
        yield f"reason: {finding.reason}"
    for code in finding.codes:
        mark = " (excluded)" if code.excluded else " (modifier)" if code.modifier else ""
        yield f"code: {code.system} {code.code} {code.display}{mark}"
    yield f"words: {finding.text}"
