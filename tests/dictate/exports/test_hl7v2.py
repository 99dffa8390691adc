"""HL7 v2: accepted by a strict parser, read back right by a second one, honest about the unexamined."""

from __future__ import annotations

import hl7
import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.exceptions import HL7apyException
from hl7apy.parser import parse_message
from hypothesis import given, settings

from dictate.exports.hl7v2 import escaped, write_hl7
from dictate.exports.subject import ExportInput, from_note
from grammar.models import CAUTION, Finding, Note, Slot
from tests.strategies import subjects

FLAGS = {"N": "normal", "A": "abnormal", "": "equivocal"}


def strictly(message: str) -> None:
    """Parse with hl7apy at its strict level, which knows structure, types and lengths of v2.5.1."""
    parsed = parse_message(message, validation_level=VALIDATION_LEVEL.STRICT, find_groups=True)
    parsed.validate()
    # Its re-encoding of escapes is not exact, so segments and identifiers are compared, not bytes.
    assert _outline(parsed.to_er7()) == _outline(message)


def _outline(message: str) -> list[tuple[str, ...]]:
    lines = [line.split("|") for line in message.rstrip("\r").split("\r")]
    return [(*line[:2], *line[3:4]) if line[0] == "OBX" else (line[0],) for line in lines]


def findings_in(message: str) -> list[tuple[str, str | None, str, str]]:
    """(item, site, side, status) of every OBX, read by the second parser."""
    parsed = hl7.parse(message)
    out = []
    if not any(str(segment[0]) == "OBX" for segment in parsed):
        return out
    for obx in parsed.segments("OBX"):
        item, site, side = str(obx[3][0][0]).split(":")
        flag = str(obx[8]) if len(obx) > 8 else ""
        status = "not_examined" if str(obx[11]) == "X" else FLAGS[flag]
        out.append((item, site or None, side, status))
    return out


@settings(max_examples=25, deadline=None)
@given(subjects())
def test_strict_parser_accepts_and_second_parser_reads_sides_and_states_back(subject: ExportInput) -> None:
    message = write_hl7(subject)
    strictly(message)
    assert findings_in(message) == [(f.item, f.site, f.side, f.status) for f in subject.note.findings]


@settings(max_examples=25, deadline=None)
@given(subjects())
def test_words_come_back_through_the_second_parser(subject: ExportInput) -> None:
    parsed = hl7.parse(write_hl7(subject))
    notes = [parsed.unescape(str(nte[3]).replace("\\.br\\", "\n")) for nte in parsed.segments("NTE")]
    for finding in subject.note.findings:
        words = "\n".join(finding.text.splitlines()).replace("\t", " ")
        assert f"words: {words}".strip() in notes


def _note(*findings: Finding, slots: tuple[Slot, ...] = ()) -> ExportInput:
    return from_note(Note(findings=findings, slots=slots), examination_id="e-1", patient_ref="P-17")


def test_a_finding_reads_like_this() -> None:
    message = write_hl7(
        _note(
            Finding(item="straight_leg_raise", side="left", status="abnormal", grade="40",
                    descriptors=("positive",), text="slr positive at 40 left", start_char=0, end_char=23),
            Finding(item="reflex", site="ankle", side="right", status="not_examined", reason="in plaster",
                    text="right ankle jerk not tested, in plaster", start_char=24, end_char=63),
            slots=(Slot(item="fundi", side="left", state="missing", required_by="core_screen"),),
        )
    )  # fmt: skip
    lines = message.split("\r")
    assert lines[3:7] == [
        "NTE|1|L|DRAFT, not signed",
        f"NTE|2|L|{CAUTION}",
        "NTE|3|L|NOT EXAMINED OR NOT RECORDED: Fundi, left: nothing said",
        "OBX|1|NM|straight_leg_raise::left^Straight leg raise, left^99SPEX|1|40|deg^deg^UCUM||A|||P|||"
        "19700101000000+0000",
    ]
    assert "NTE|2|L|described: positive" in lines
    reflex = next(line for line in lines if line.startswith("OBX|2|"))
    assert reflex == "OBX|2||reflex:ankle:right^Tendon reflex: ankle, right^99SPEX|2|||||||X|||19700101000000+0000"
    assert "NTE|2|L|reason: in plaster" in lines


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("ORU^R01^ORU_R01", "ORU^R01^ADT_A01"),
        ("PID|1", "PIX|1"),
        ("19700101000000+0000", "yesterday"),
    ],
)
def test_the_strict_parser_is_strict(right: str, wrong: str) -> None:
    findings = [
        Finding(item="straight_leg_raise", side="left", status="abnormal", grade="40", text="x", start_char=0,
                end_char=1),
        Finding(item="fundi", side="left", status="not_examined", text="x", start_char=0, end_char=1),
    ]  # fmt: skip
    message = write_hl7(_note(*findings))
    assert right in message
    with pytest.raises((HL7apyException, ValueError, AssertionError)):
        strictly(message.replace(right, wrong))


def test_not_examined_carries_no_value_and_no_flag() -> None:
    finding = Finding(item="fundi", side="both", status="not_examined", text="x", start_char=0, end_char=1)
    (obx,) = hl7.parse(write_hl7(_note(finding))).segments("OBX")
    assert str(obx[5]) == ""
    assert str(obx[8]) == ""
    assert str(obx[11]) == "X"


ESCAPES = [
    ("a|b^c&d~e\\f", "a\\F\\b\\S\\c\\T\\d\\R\\e\\E\\f"),
    ("two\r\nlines\vthree", "two\\.br\\lines\\.br\\three"),
    ("\x00bell\x07", "bell"),
    ("<b>é مرحبا</b>", "<b>é مرحبا</b>"),
    ("\\F\\", "\\E\\F\\E\\"),
]


@pytest.mark.parametrize(("text", "expected"), ESCAPES)
def test_escapes(text: str, expected: str) -> None:
    assert escaped(text) == expected


def test_long_text_and_many_findings_pass_the_strict_parser() -> None:
    long = Finding(item="plantar", side="left", status="abnormal", text="w" * 10_000, start_char=0, end_char=9)
    subject = _note(*[long.model_copy(update={"item": "reflex", "site": "knee", "text": "x"})] * 499, long)
    subject = subject.model_copy(update={"patient_name": "N" * 190, "patient_ref": "R" * 190})
    message = write_hl7(subject)
    strictly(message)
    assert len(findings_in(message)) == 500
