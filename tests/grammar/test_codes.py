"""What codes a finding gets, and what a faulty code table is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from grammar.codes import (
    CodeTable,
    codes_for,
    headings,
    load_table,
    loinc,
    modifiers,
    shipped_tables,
    with_codes,
)
from grammar.errors import DataError
from grammar.models import Finding, Note

# (item, site, side, status, descriptors, qualifiers, grade) -> codes; "-" excluded, "+" modifier
SAID = [
    (("plantar", None, "left", "abnormal", ("extensor",), (), None), "HP:0003487 +HP:0012835 R29.2"),
    (("plantar", None, "right", "normal", ("flexor",), (), None), "-HP:0003487 +HP:0012834"),
    (("plantar", None, "left", "equivocal", ("mute",), (), None), ""),
    (("plantar", None, "left", "not_examined", (), (), None), ""),
    (("fundi", None, "both", "abnormal", ("papilloedema",), ("mild",), None),
     "HP:0001085 +HP:0012832 +HP:0012825 H47.10"),
    (("gait", None, "none", "abnormal", ("ataxic", "broad_based"), ("marked",), None),
     "HP:0002066 HP:0002136 +HP:0012828 R26.0"),
    (("gait", None, "none", "abnormal", (), (), None), "HP:0001288 R26.89"),
    (("reflex", "knee", "right", "abnormal", ("brisk",), (), "3+"), "HP:0007083 +HP:0012834 R29.2"),
    (("reflex", "knee", "right", "abnormal", (), (), "4+"), "HP:0007083 +HP:0012834 R29.2"),
    (("reflex", "ankle", "left", "abnormal", (), (), "0"), "HP:0003438 +HP:0012835 R29.2"),
    (("reflex", "ankle", "left", "abnormal", (), (), None), "HP:0031826 +HP:0012835 R29.2"),
    (("reflex", "finger", "left", "normal", (), (), None), ""),
    (("pupils", None, "both", "normal", ("equal",), (), None), "-HP:0009916 +HP:0012832"),
    (("pupils", None, "both", "normal", ("equal", "reactive"), (), None),
     "-HP:0009916 -HP:0030211 +HP:0012832"),
    (("ptosis", None, "right", "abnormal", (), (), None), "HP:0000508 +HP:0012834 H02.401"),
    (("ptosis", None, "left", "abnormal", (), (), None), "HP:0000508 +HP:0012835 H02.402"),
    (("ptosis", None, "both", "abnormal", (), (), None), "HP:0000508 +HP:0012832 H02.403"),
    (("ptosis", None, "unstated", "abnormal", (), (), None), "HP:0000508 H02.409"),
    (("muscle_bulk", "thenar", "both", "abnormal", (), (), None), "HP:0003393 +HP:0012832 M62.541 M62.542"),
    (("visual_fields", None, "left", "abnormal", ("homonymous_hemianopia",), (), None),
     "HP:0030516 +HP:0012835 H53.462"),
    (("visual_fields", None, "left", "abnormal", ("inattention",), (), None), "R41.4"),
    (("power", "ankle_dorsiflexion", "right", "abnormal", (), ("slight",), "4"),
     "HP:0009027 +HP:0012834 +HP:0012825 R29.898"),
    (("power", "knee_flexion", "right", "normal", (), (), "5"), ""),
    (("pinprick", "L5", "right", "normal", (), (), None), ""),
    (("arm_drift", None, "right", "abnormal", ("pronator",), (), None), "R29.818"),
    (("consciousness", None, "none", "abnormal", (), (), "13"), "HP:0004372 R40.2410"),
    (("consciousness", None, "none", "abnormal", (), (), "7"), "HP:0004372 R40.2430"),
    (("general_statement", None, "none", "normal", (), (), None), ""),
    (("no_such_item", None, "none", "abnormal", (), (), None), ""),
]  # fmt: skip


@pytest.mark.parametrize(("finding", "expected"), SAID, ids=lambda value: str(value)[:60])
def test_codes_of_a_finding(finding: tuple, expected: str) -> None:
    *said, grade = finding
    codes = codes_for(*said, grade=grade)
    marks = [("-" if c.excluded else "+" if c.modifier else "") + c.code for c in codes]
    assert " ".join(marks) == expected


def test_no_normal_finding_gives_a_term_as_present_and_no_other_status_gives_any() -> None:
    for table in shipped_tables():
        for row in table.rows:
            for side in ("right", "left", "both", "none", "unstated"):
                words = (row.descriptor,) if row.descriptor else ()
                normal = codes_for(row.item, row.site or None, side, "normal", words)
                assert all(code.excluded or code.modifier for code in normal)
                for status in ("equivocal", "not_examined"):
                    assert codes_for(row.item, row.site or None, side, status, words) == ()


def test_side_in_the_codes_is_the_side_of_the_finding() -> None:
    other = {"right": ("left", "HP:0012835"), "left": ("right", "HP:0012834")}
    for table in shipped_tables():
        for row in table.rows:
            for side, (word, modifier) in other.items():
                words = (row.descriptor,) if row.descriptor else ()
                codes = codes_for(row.item, row.site or None, side, "abnormal", words)
                assert all(f" {word} " not in f" {c.display} ".lower().replace(",", " ") for c in codes)
                assert modifier not in {c.code for c in codes}


def test_loinc_and_modifiers() -> None:
    assert loinc("document").code == "29545-1"
    assert loinc("section").code == "10202-0"
    assert all("memory" in row.checked or "http" in row.checked for row in headings().values())
    assert {m.word for m in modifiers() if m.kind == "side"} == {"right", "left", "both"}


CLINIC = """# source: our clinic's list
# version: 3
# date: 2026-01-05
# licence: our own
# system: CLINIC
item,descriptor,side,code,name
plantar,extensor,left,X-1,"Upgoing toe, left"
"""


def test_a_clinic_adds_its_own_table(tmp_path: Path) -> None:
    path = tmp_path / "ours.csv"
    path.write_text(CLINIC, encoding="utf-8")
    table = load_table(path)
    assert isinstance(table, CodeTable)
    said = dict(item="plantar", status="abnormal", descriptors=("extensor",), text="x", start_char=0, end_char=1)
    note = Note(findings=(Finding(side="left", **said), Finding(side="right", **said)))
    left, right = with_codes(note, [table]).findings
    assert [c.code for c in left.codes] == ["X-1"]
    assert right.codes == ()


def test_every_fault_of_a_table_is_listed_at_once(tmp_path: Path) -> None:
    path = tmp_path / "ours.csv"
    path.write_text(
        "# source: us\n# date: 2026-01-05\n# system: CLINIC\n"
        "item,site,descriptor,status,side,code,name,colour\n"
        "knee_jerk,,,abnormal,any,X-1,Knee,\n"
        "reflex,elbow,,abnormal,any,X-2,Elbow,\n"
        "plantar,,sideways,abnormal,any,X-3,Sideways,\n"
        "plantar,,,odd,any,X-4,Odd,red\n"
        "plantar,,,abnormal,any,,No code,\n"
        "plantar,,,abnormal,any,X-5,Five,\n"
        "plantar,,,abnormal,any,X-5,Five,\n",
        encoding="utf-8",
    )
    with pytest.raises(DataError) as caught:
        load_table(path)
    assert [(fault.file, fault.entry) for fault in caught.value.faults] == [
        ("ours.csv", "version"),
        ("ours.csv", "licence"),
        ("ours.csv", "line 8, status"),
        ("ours.csv", "line 8, colour"),
        ("ours.csv", "line 9, code"),
        ("ours.csv", "line 5, item"),
        ("ours.csv", "line 6, site"),
        ("ours.csv", "line 7, descriptor"),
        ("ours.csv", "line 11"),
    ]
    assert all(fault.mend for fault in caught.value.faults)


@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00binary", b"# system: X\n"])
def test_a_file_that_is_no_table_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "ours.csv"
    path.write_bytes(content)
    with pytest.raises(DataError):
        load_table(path)


def test_a_missing_table_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"gone\.csv \[file\]: cannot be read"):
        load_table(tmp_path / "gone.csv")
