"""The archive with the real grammar and recogniser: the same findings as reading notes one by one."""

from __future__ import annotations

import json
from pathlib import Path

import soundfile
from typer.testing import CliRunner

import grammar
from dictate.archive.compare import compare_runs
from dictate.cli import build
from tests.dictate.archive.helpers import rows, write_jsonl
from tests.tools.voices import speak

GOLDEN = sorted((Path(__file__).resolve().parents[2] / "cases" / "golden").glob("*.jsonl"))


def test_an_archive_of_the_golden_dictations_equals_reading_each_of_them(tmp_path: Path) -> None:
    cases = [json.loads(line) for path in GOLDEN for line in path.open(encoding="utf-8")][::12]
    source = write_jsonl(tmp_path / "notes.jsonl", cases)
    read = []
    for case in cases:
        note = grammar.parse(case["text"], complaint=tuple(case["complaint"])).note
        read.append({"id": case["id"], **note.model_dump(mode="json", by_alias=True)})
    one_by_one = write_jsonl(tmp_path / "read.jsonl", read)
    found = CliRunner().invoke(build(), ["archive", str(source), "--out", str(tmp_path / "out"), "-j", "1", "--json"])
    assert found.exit_code == 0, found.output
    summary = json.loads(found.stdout)
    assert (summary["notes"], summary["rejects"], summary["grammar_version"]) == (
        len(cases),
        0,
        grammar.GRAMMAR_VERSION,
    )
    same = compare_runs(one_by_one, tmp_path / "out")
    assert not any(same.counts.values())
    assert same.same > 2 * len(cases)
    assert same.slots_compared
    unread = [span["text"] for case in read for span in case["unread"]]
    assert sorted(row["text"] for row in rows(tmp_path / "out", "unread")) == sorted(unread)


def test_recordings_are_heard_on_the_workers_with_times(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    sound = speak("The right knee jerk is absent. No tremor.", "flite-slt").samples
    soundfile.write(folder / "2024-02-03.wav", sound, 16_000)
    soundfile.write(folder / "2024-02-04.flac", sound, 16_000)
    (folder / "broken.wav").write_bytes(b"RIFF" + bytes(range(256)) * 40)
    (folder / "typed.txt").write_text("plantars flexor", encoding="utf-8")
    command = ["archive", str(folder), "--out", str(tmp_path / "out"), "-j", "1", "--engine", "pocketsphinx"]
    found = CliRunner().invoke(build(), command)
    assert found.exit_code == 0, found.output
    assert "4 in = 3 notes + 1 rejects" in found.stdout
    notes = rows(tmp_path / "out", "notes")
    assert [(n["note_id"], n["kind"], n["engine"], str(n["date"])) for n in notes] == [
        ("2024-02-03.wav", "recording", "pocketsphinx", "2024-02-03"),
        ("2024-02-04.flac", "recording", "pocketsphinx", "2024-02-04"),
        ("typed.txt", "text", None, "None"),
    ]
    assert abs(notes[0]["seconds"] - len(sound) / 16_000) < 0.01
    findings = rows(tmp_path / "out", "findings")
    for name in ("2024-02-03.wav", "2024-02-04.flac"):
        (knee,) = [f for f in findings if f["note_id"] == name and f["site"] == "knee"]
        assert (knee["item"], knee["side"], knee["status"]) == ("reflex", "right", "abnormal")
        assert 0.4 < knee["start_s"] < knee["end_s"] < notes[0]["seconds"]
        assert 0 <= knee["confidence"] <= 1
    (reject,) = rows(tmp_path / "out", "rejects")
    assert (reject["note_id"], reject["kind"], reject["reason"]) == (
        "broken.wav",
        "recording",
        "recording_fault",
    )
