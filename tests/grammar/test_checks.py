"""The checks across the data files: silent on the shipped data, and each of them speaks of a planted fault."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

import grammar
from dictate.cli import build
from grammar import DataError
from grammar.checks import check_all

ITEM = """
[items.pinch_meter]
label = "Pinch strength by meter"
station = "arms"
sided = true

[addons]
hand_therapy = ["pinch_meter"]
"""
PHRASES = """
[[phrase]]
item = "pinch_meter"
one = ["pinch meter"]

[complaint.words]
hand_therapy = ["hand therapy"]
"""


def clinic(folder: Path, protocol: str = ITEM, phrases: str = PHRASES) -> Path:
    """A clinic's own folder with one file of each kind."""
    for name, text in (("protocols", protocol), ("phrases", phrases)):
        (folder / name).mkdir(parents=True, exist_ok=True)
        (folder / name / "own.toml").write_text(text, encoding="utf-8")
    return folder


def test_the_shipped_data_has_no_fault() -> None:
    """Every phrase is reached, nothing dangles, every item and descriptor can be said."""
    assert [str(found) for found in check_all()] == []


def test_a_clinic_adds_an_item_its_words_and_an_add_on(tmp_path: Path) -> None:
    """The new item is read, required by the new complaint, and the built-in data is as before."""
    folder = clinic(tmp_path)
    assert check_all((folder,)) == []
    said = "complaint hand therapy. pinch meter reduced on the right. right knee jerk two plus"
    note = grammar.parse(said, folders=(folder,)).note
    assert [(f.item, f.side, f.status) for f in note.findings] == [
        ("pinch_meter", "right", "abnormal"),
        ("reflex", "right", "normal"),
    ]
    states = {slot.side: slot.state for slot in note.slots if slot.required_by == "hand_therapy"}
    assert states == {"right": "recorded", "left": "missing"}
    assert "pinch_meter" not in grammar.catalogue().items
    assert all(f.item != "pinch_meter" for f in grammar.parse(said).note.findings)


@pytest.mark.parametrize(
    ("protocol", "phrases", "kind", "words"),
    [
        (ITEM, PHRASES.replace("[[phrase]]", "[[phrase]]\nofte = 1"), "files", "ofte"),
        (ITEM, PHRASES.replace('"pinch meter"', '"pinch meter", "(a|b"'), "pattern", "unequal ( and )"),
        (ITEM, PHRASES.replace('"pinch meter"', '"pinch meter", "[a]"'), "pattern", "stands for nothing"),
        (ITEM, "", "unsaid", "no phrase names this item"),
        (ITEM.replace('"arms"\nsided', '"arms"\ndescribe = ["limp"]\nsided'), PHRASES, "unsaid", "limp"),
        (ITEM, PHRASES + '[severity]\nmild = ["terribly"]\nsevere = ["terribly"]\n', "doubled", "terribly"),
        (ITEM, PHRASES.replace('"pinch meter"', '"knee jerk"'), "files", "already names"),
        (ITEM.replace("pinch_meter]", "reflex]", 1), PHRASES, "files", "exists already"),
        (ITEM.replace('"arms"', '"attic"'), PHRASES, "files", "unknown station 'attic'"),
        (ITEM.replace('["pinch_meter"]', '["pinch"]'), PHRASES, "files", "unknown item 'pinch'"),
        (ITEM.replace("sided", "sidd"), PHRASES, "files", "sidd"),
        ("[items", PHRASES, "files", "cannot be read as TOML"),
    ],
)  # fmt: skip
def test_a_planted_fault_is_named(tmp_path: Path, protocol: str, phrases: str, kind: str, words: str) -> None:
    """File, entry and mend of each fault; nothing of it is guessed away."""
    found = [str(one) for one in check_all((clinic(tmp_path, protocol, phrases),)) if one.kind == kind]
    assert any(words in line and "Mend: " in line for line in found), found


def test_all_faults_of_all_files_come_at_once(tmp_path: Path) -> None:
    """Two files, three faults, one error."""
    folder = clinic(tmp_path, ITEM, "[[phrase]]\nitm = 'x'\n[[result]]\nstatus = 'fine'\nsay = ['ok']\n")
    (folder / "phrases" / "more.toml").write_text("[sides]\nright = ['x']\n", encoding="utf-8")
    with pytest.raises(DataError) as raised:
        grammar.parse("no drift", folders=(folder,))
    places = {(Path(fault.file).name, fault.entry) for fault in raised.value.faults}
    assert {("own.toml", "file.phrase.0.itm"), ("own.toml", "file.result.0.status"),
            ("more.toml", "file.sides")} <= places  # fmt: skip


def test_the_command_says_what_it_found(tmp_path: Path) -> None:
    """No fault: exit 0. A fault: one line each and exit 1; --json gives the same. No folder: one sentence."""
    run = CliRunner()
    app = build()
    clean = run.invoke(app, ["check"])
    assert (clean.exit_code, clean.stdout) == (0, "0 faults in the grammar data.\n")
    folder = clinic(tmp_path, ITEM, "")
    bad = run.invoke(app, ["check", "--folder", str(folder)])
    assert bad.exit_code == 1
    assert "unsaid: phrases [pinch_meter]" in bad.stdout
    rows = json.loads(run.invoke(app, ["check", "--folder", str(folder), "--json"]).stdout)["faults"]
    assert {row["kind"] for row in rows} == {"unsaid"}
    missing = run.invoke(app, ["check", "--folder", str(tmp_path / "none")])
    assert missing.exit_code != 0
    assert "not found" in str(missing.exception)
