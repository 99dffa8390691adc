"""The samples end to end: text and recording give the stored notes, and no side is ever wrong."""

from pathlib import Path

import pytest

from dictate.engines.pocketsphinx_engine import PocketsphinxEngine
from dictate.hearing import hear_file
from grammar import parse
from tests.tools.expected_notes import NAMES, SAMPLES, essence, expected
from tests.tools.scoring import score_findings, spoken_lines, word_errors


@pytest.fixture(scope="module")
def engine(tmp_path_factory):
    engine = PocketsphinxEngine.for_examination(tmp_path_factory.mktemp("cache"))
    yield engine
    engine.close()


def text_of(name: str) -> str:
    return (SAMPLES / f"{name}.txt").read_text(encoding="utf-8")


def test_there_are_at_least_four_samples_each_with_sound_and_note() -> None:
    assert len(NAMES) >= 4
    for name in NAMES:
        assert (SAMPLES / f"{name}.ogg").stat().st_size < 400_000
        assert (SAMPLES / "expected" / f"{name}.json").is_file()


@pytest.mark.parametrize("name", NAMES)
def test_the_text_gives_the_stored_note(name: str) -> None:
    assert essence(parse(text_of(name)).note) == expected(name)


@pytest.mark.parametrize("name", NAMES)
def test_the_recording_gives_the_note_of_its_text(name: str, engine) -> None:
    heard = hear_file(SAMPLES / f"{name}.ogg", engine=engine)
    truth = parse(spoken_lines(text_of(name))).note
    score = score_findings(truth, heard.note)
    assert 2 * score["hits"] / (score["said"] + score["found"]) >= 0.9
    assert score["wrong"] == 0
    errors, words = word_errors(text_of(name), heard.note.transcript)
    assert errors <= 0.05 * words
    for finding in heard.note.findings:
        assert finding.start_s is not None
        assert finding.end_s is not None
        assert 0 <= finding.start_s < finding.end_s <= heard.duration_s
        assert finding.confidence is not None


def test_the_quick_screen_leaves_nothing_out() -> None:
    assert expected("quick_screen")["missing"] == []


def test_a_foot_drop_visit_asks_for_its_added_pieces() -> None:
    stored = expected("foot_drop")
    assert stored["complaint"] == ["foot_drop"]
    assert "pinprick:foot_dorsum left" in stored["missing"]


def test_the_repaired_side_is_the_last_one_said() -> None:
    knees = [
        (finding["side"], finding["grade"])
        for finding in expected("repair_and_reasons")["findings"]
        if (finding["item"], finding["site"]) == ("reflex", "knee")
    ]
    assert knees == [("left", "3+"), ("right", "2+")]
    assert {finding["reason"] for finding in expected("repair_and_reasons")["findings"]} >= {
        "pain",
        "the plaster",
    }


def test_samples_hold_no_stray_files() -> None:
    kinds = {path.suffix for path in Path(SAMPLES).iterdir() if path.is_file()}
    assert kinds <= {".txt", ".ogg", ".md", ".svg", ".png"}
