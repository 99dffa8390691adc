"""`dictate export` and `dictate import` as a user types them."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from dictate.cli import build
from dictate.errors import DictateError
from dictate.exports.formats import FORMATS, NAMES
from dictate.exports.json_note import write_json
from dictate.exports.sources import read_examinations
from dictate.exports.subject import ExportInput, Signature, fingerprint
from dictate.settings import load_settings
from dictate.storage import open_store
from grammar import parse
from grammar.models import Note

RUNNER = CliRunner()
AT = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
SPOKEN = "plantar flexor on the right, extensor on the left. fundi not seen"


def run(*words: object, **more: object) -> Result:
    """The command's result; a known fault is raised, as `main` prints it."""
    result = RUNNER.invoke(build(), [str(word) for word in words], **more)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@pytest.fixture
def note_file(tmp_path: Path) -> Path:
    path = tmp_path / "visit.json"
    path.write_text(parse(SPOKEN).note.model_dump_json(by_alias=True) + "\n", encoding="utf-8")
    return path


def test_every_format_is_written_and_import_reads_json_and_fhir_back(note_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    words = [word for name in NAMES for word in ("--format", name)]
    said = json.loads(run("export", note_file, "--draft", "--out", out, "--json", *words).stdout)
    assert {Path(path).name for path in said["files"]} == {
        *(f"visit{entry.suffix}" for entry in FORMATS.values()),
        "findings.csv", "findings.parquet", "slots.csv", "slots.parquet", "data_dictionary.csv",
    }  # fmt: skip
    assert all(Path(path).stat().st_size for path in said["files"])
    back = run("import", out / "visit.json", out / "visit.fhir.json", "--json").stdout.splitlines()
    assert [Note.model_validate_json(line) for line in back] == [parse(SPOKEN).note] * 2


def test_several_notes_in_one_file_become_several_files(tmp_path: Path) -> None:
    path = tmp_path / "day.jsonl"
    lines = [parse(text).note.model_dump_json(by_alias=True) for text in (SPOKEN, "romberg negative")]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    run("export", path, "--draft", "--format", "hl7", "--out", tmp_path / "out")
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["day-1.hl7", "day-2.hl7"]


@pytest.mark.parametrize("mark", ["\u2028", "\u2029", "\x85"])
def test_a_mark_within_a_transcript_does_not_cut_its_line(tmp_path: Path, mark: str) -> None:
    notes = [parse(f"right knee jerk two plus{mark}romberg negative").note, parse(SPOKEN).note]
    (tmp_path / "day.jsonl").write_text(
        "\r\n".join(note.model_dump_json(by_alias=True) for note in notes), encoding="utf-8", newline=""
    )
    read = read_examinations(str(tmp_path / "day.jsonl"))
    assert [one.note for one in read] == notes
    assert mark in read[0].note.transcript


def test_standard_input_to_standard_output(tmp_path: Path) -> None:
    note = parse(SPOKEN).note.model_dump_json(by_alias=True)
    result = run("export", "-", "--draft", "--format", "letter-text", "--out", "-", input=note)
    assert "The plantar response was flexor on the right and extensor on the left." in result.stdout


def test_facts_of_a_bare_note_and_a_clinics_codes(note_file: Path, tmp_path: Path) -> None:
    table = tmp_path / "ours.csv"
    table.write_text(
        "# source: us\n# version: 1\n# date: 2026-01-01\n# licence: ours\n# system: OURS\n"
        "item,descriptor,code,name\nplantar,extensor,X1,Upgoing toe\n",
        encoding="utf-8",
    )
    page = run("export", note_file, "--draft", "--format", "hl7", "--out", "-", "--codes", table,
               "--patient-ref", "P-17", "--clinician", "Dr Quill").stdout  # fmt: skip
    assert "P-17^^^^MR" in page
    assert "Dr Quill" in page
    assert "code: OURS X1 Upgoing toe" in page


def test_deidentified_export_reports_what_was_removed(note_file: Path, tmp_path: Path) -> None:
    key = tmp_path / "research.key"
    key.write_bytes(b"k" * 32)
    out = tmp_path / "out"
    run("export", note_file, "--draft", "--format", "json", "--out", out, "--deidentify", "--key-file", key,
        "--patient-ref", "P-17")  # fmt: skip
    report = json.loads((out / "deidentification_report.json").read_text(encoding="utf-8"))
    assert report["examinations"] == 1
    assert report["left_out"]["transcript"] == 1
    pages = [path.read_text(encoding="utf-8") for path in out.iterdir()]
    assert not any("P-17" in page or "extensor on the left" in page for page in pages)


def test_lists_and_schemas() -> None:
    assert list(json.loads(run("export", "--formats", "--json").stdout)) == list(NAMES)
    assert "HL7 v2.5.1" in run("export", "--formats").stdout
    assert json.loads(run("export", "--schema", "note").stdout)["title"] == "Note"
    assert json.loads(run("export", "--schema", "examination").stdout)["title"] == "ExaminationFile"


FAULTS = [
    (["FILE", "--format", "json"], "is a draft: sign it first, or add --draft"),
    (["FILE", "--draft"], "Name a format with --format"),
    (["FILE", "--draft", "--format", "xml"], "There is no format 'xml'; known are json, fhir"),
    (["--format", "json"], "Nothing to export"),
    (["gone.json", "--format", "json"], "gone.json cannot be opened"),
    (["FILE", "--draft", "--format", "json", "--deidentify"], "needs --key-file"),
    (["FILE", "--draft", "--format", "json", "--key-file", "k"], "--key-file is for --deidentify"),
    (["FILE", "--draft", "--format", "json", "--deidentify", "--key-file", "gone.key"], "cannot be read"),
    (["FILE", "--draft", "--format", "json", "--format", "hl7", "--out", "-"], "prints exactly one format"),
    (
        ["FILE", "--draft", "--format", "letter-text", "--template", "gone.txt", "--out", "-"],
        "cannot be read",
    ),
    (["FILE", "--draft", "--format", "json", "--codes", "gone.csv"], "gone.csv"),
    (["--schema", "letter"], "There is no schema 'letter'"),
]


@pytest.mark.parametrize(("words", "message"), FAULTS)
def test_faults_are_one_sentence(note_file: Path, words: list[str], message: str) -> None:
    with pytest.raises(DictateError) as caught:
        run("export", *[note_file if word == "FILE" else word for word in words])
    assert message in str(caught.value)


def test_nothing_is_overwritten_unless_asked(note_file: Path, tmp_path: Path) -> None:
    words = [
        "export",
        note_file,
        "--draft",
        "--format",
        "json",
        "--format",
        "tables",
        "--out",
        tmp_path / "out",
    ]
    run(*words)
    with pytest.raises(DictateError, match=r"is there already.*--replace"):
        run(*words)
    run(*words, "--replace")


NO_NOTE = [
    ("{}x", "not JSON"),
    ("[1]", "holds no note"),
    ('{"resourceType": "Bundle"}', "not a FHIR document"),
]


@pytest.mark.parametrize(("text", "message"), NO_NOTE)
def test_import_refuses_what_is_no_export(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "odd.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DictateError, match=message):
        run("import", path)


def test_import_refuses_a_signed_export_that_was_changed(tmp_path: Path) -> None:
    note = parse(SPOKEN).note
    signature = Signature(signed_by="Dr Quill", signed_at=AT, fingerprint=fingerprint(note))
    subject = ExportInput(examination_id="e", started_at=AT, status="signed", signature=signature, note=note)
    path = tmp_path / "e.json"
    path.write_text(write_json(subject).replace('"side": "left"', '"side": "right"'), encoding="utf-8")
    with pytest.raises(DictateError, match="is not what was signed"):
        run("import", path)


def test_imported_examinations_are_kept_once_as_drafts_whoever_signed_them(home: Path, tmp_path: Path) -> None:
    run("export", "1", "--out", tmp_path / "out", "--format", "json", "--format", "fhir")
    files = [*(tmp_path / "out").glob("*.json")]
    assert len(files) == 2
    note = parse(SPOKEN).note
    for _time in range(2):
        run("import", *files, "--keep", "--clinician", "noor")
    with open_store(load_settings(), say=lambda text: None) as store:
        heads = [head for head in store.listing().drafts if head.clinician == "noor"]
        assert [(head.patient_ref, head.state, head.started_at) for head in heads] == [("P-0", "draft", AT)]
        assert store.note(heads[0].number) == note


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A settings folder of its own with a store of three examinations, the first two signed."""
    monkeypatch.setenv("SPOKEN_EXAM_HOME", str(tmp_path / "home"))
    with open_store(load_settings(), say=lambda text: None) as store:
        for number, text in enumerate((SPOKEN, "romberg negative", "no nystagmus")):
            kept = store.keep_examination(parse(text).note, patient_ref=f"P-{number}", clinician="mary", started_at=AT)
            if number < 2:
                draft = store.draft(kept)
                with store.writing() as writer:
                    writer.sign(kept, draft.head.revision, draft.document, "mary", "Dr Mary Vale")
    return tmp_path / "home"


def test_signed_examinations_of_the_store(home: Path, tmp_path: Path) -> None:
    run("export", "--all-signed", "--format", "json", "--format", "tables", "--out", tmp_path / "all")
    assert sorted(path.name for path in (tmp_path / "all").glob("*.json")) == [
        "examination-1.json",
        "examination-2.json",
    ]
    kept = json.loads((tmp_path / "all" / "examination-1.json").read_text(encoding="utf-8"))
    assert kept["marking"] == "Signed"
    assert kept["examination"]["signature"]["signed_by"] == "Dr Mary Vale"
    page = run("export", 2, "--format", "letter-text", "--out", "-").stdout
    assert "Signed by Dr Mary Vale" in page
    assert "DRAFT" not in page


def test_a_draft_of_the_store_needs_asking_for(home: Path) -> None:
    with pytest.raises(DictateError, match="is not signed"):
        run("export", 3, "--format", "json", "--out", "-")
    page = run("export", 3, "--draft", "--format", "letter-text", "--out", "-").stdout
    assert "*** DRAFT, not signed ***" in page
    with pytest.raises(DictateError, match="There is no draft 9"):
        run("export", 9, "--format", "json", "--out", "-")


def test_a_fact_that_cannot_be_exported_is_one_sentence(note_file: Path) -> None:
    with pytest.raises(DictateError, match="patient_ref holds a line break or control character"):
        run("export", note_file, "--draft", "--format", "json", "--out", "-", "--patient-ref", "two\nlines")
