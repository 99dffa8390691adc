"""The built language model: cached by fingerprint, with a clinic's own words, never half done."""

import os

import pytest

from dictate.engines import model_build
from dictate.engines.guess import guess, to_arpabet
from dictate.engines.lexicon import PHONES


@pytest.fixture(autouse=True)
def _few_sentences(monkeypatch) -> None:
    drawn = model_build.corpus.training_sentences
    monkeypatch.setattr(model_build.corpus, "training_sentences", lambda clinic=(): drawn(300, clinic))


def test_built_once_then_taken_from_the_cache(tmp_path) -> None:
    first = model_build.ensure_model(tmp_path)
    stamp = first.language_model.stat().st_mtime_ns
    assert model_build.ensure_model(tmp_path) == first
    assert first.language_model.stat().st_mtime_ns == stamp
    assert [path.name for path in tmp_path.iterdir()] == [first.folder.name]
    assert first.unpronounced() == ()


def test_rebuild_gives_the_same_bytes(tmp_path) -> None:
    first = model_build.ensure_model(tmp_path).language_model.read_bytes()
    assert model_build.ensure_model(tmp_path, rebuild=True).language_model.read_bytes() == first


def test_a_clinics_words_change_the_fingerprint_and_get_guessed(tmp_path) -> None:
    pytest.importorskip("hibari")
    plain, ours = model_build.ensure_model(tmp_path), model_build.ensure_model(tmp_path, ("zorbolino sign",))
    assert plain.folder != ours.folder
    assert ours.guessed() == ("zorbolino",)
    assert "zorbolino " in ours.dictionary.read_text()
    assert " zorbolino sign\n" in ours.language_model.read_text()


def test_words_without_a_sound_are_left_out_with_their_sentences(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(model_build, "guess", lambda word: ())
    built = model_build.ensure_model(tmp_path, ("zorbolino sign",))
    assert built.unpronounced() == ("zorbolino",)
    assert "zorbolino" not in built.language_model.read_text()


def test_old_builds_are_forgotten(tmp_path) -> None:
    for number in range(model_build.KEPT_BUILDS + 2):
        model_build.ensure_model(tmp_path, (f"knee {'jerk ' * number}",))
    assert len(list(tmp_path.iterdir())) == model_build.KEPT_BUILDS


def test_a_cache_that_cannot_be_written_is_replaced(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(model_build.tempfile, "gettempdir", lambda: str(tmp_path / "elsewhere"))
    (tmp_path / "file").write_text("in the way")
    built = model_build.ensure_model(tmp_path / "file" / "cache")
    assert built.folder.is_relative_to(tmp_path / "elsewhere")


@pytest.mark.parametrize("trap", ["writable by all", "a link", "of another user"])
def test_a_model_that_somebody_else_may_have_left_is_never_used(tmp_path, monkeypatch, trap) -> None:
    temporary, theirs = tmp_path / "tmp", tmp_path / "theirs"
    monkeypatch.setattr(model_build.tempfile, "tempdir", str(temporary))
    user = os.getuid()
    planted = theirs / f"language-{model_build.fingerprint()}"
    planted.mkdir(parents=True)
    (planted / model_build.DICTIONARY_FILE).write_text("left R AY T\n")
    temporary.mkdir()
    known = temporary / f"spoken-exam-{user}"
    if trap == "a link":
        known.symlink_to(theirs)
    else:
        theirs.rename(known)
        known.chmod(0o777 if trap == "writable by all" else 0o755)
    if trap == "of another user":
        monkeypatch.setattr(model_build.os, "getuid", lambda: user + 1)
        known.rename(temporary / f"spoken-exam-{user + 1}")
    (tmp_path / "file").write_text("in the way")
    built = model_build.ensure_model(tmp_path / "file" / "cache")
    assert "left L EH F T\n" in built.dictionary.read_text()
    assert built.folder.parent.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    ("signs", "phones"),
    [
        ("nɪstæɡməs", "N IH S T AE G M AH S"),
        ("ʧAnʤ", "CH EY N JH"),
        ("tʃeɪndʒ", "CH EY N JH"),
        ("wɜːd", "W ER D"),
        ("θiːnɚ", "TH IY N ER"),
    ],
)
def test_signs_to_arpabet(signs: str, phones: str) -> None:
    assert " ".join(to_arpabet(signs)) == phones


@pytest.mark.parametrize(
    ("word", "near"),
    [("nystagmus", "N IH S T AE G M AH S"), ("plantar", "P L AE N T ER"), ("clonus", "K L OW N AH S")],
)
def test_guesses_come_near(word: str, near: str) -> None:
    pytest.importorskip("hibari")
    ways = guess(word)
    assert all(set(way) <= PHONES for way in ways)
    assert min(_distance(way, near.split()) for way in ways) <= 1


def _distance(one, other) -> int:
    row = list(range(len(other) + 1))
    for i, a in enumerate(one, 1):
        row, before = [i, *row[1:]], row
        for j, b in enumerate(other, 1):
            row[j] = min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (a != b))
    return row[-1]
