"""The commands of store and desk as a person types them: exit codes, sentences, plain and JSON output."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dictate.cli import build
from dictate.errors import DictateError
from dictate.storage import Store, StoreSettings, open_store
from tests.dictate.desk.conftest import PASSWORD, keep


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Runs `dictate ...` in this process with a home folder of its own."""
    monkeypatch.setenv("SPOKEN_EXAM_HOME", str(tmp_path))

    def typed(*words: str, text: str = "", fails: bool = False) -> str:
        done = CliRunner().invoke(build(), list(words), input=text)
        if isinstance(done.exception, DictateError):
            assert fails, done.exception
            return str(done.exception)
        assert (done.exit_code != 0) == fails, done.output
        return done.output

    return typed


def store_in(home: Path) -> Store:
    settings = StoreSettings(url=f"sqlite:///{home / 'data' / 'drafts.sqlite3'}", key_file=home / "store.key")
    return open_store(settings, say=lambda text: None)


def test_from_an_empty_home_to_a_restored_store(run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "make one with `dictate store init`" in run("drafts", fails=True)
    assert "(encrypted)" in run("store", "init")
    with store_in(tmp_path) as store:
        for patient in ("P-1", "P-2"):
            keep(store, patient=patient)
    listed = run("drafts").splitlines()
    assert listed[0].split("\t")[:3] == ["No.", "Patient", "Complaint"]
    assert [line.split("\t")[1] for line in listed[1:]] == ["P-2", "P-1"]
    (one,) = [json.loads(line) for line in run("drafts", "P-1", "--json").splitlines()]
    assert (one["patient_ref"], one["state"], one["unread"]) == ("P-1", "draft", 1)
    assert "There is no state 'lost'" in run("drafts", "--state", "lost", fails=True)
    assert "all whole" in run("store", "check")
    assert "The audit log is whole" in run("audit", "verify")
    noted = run("audit", "head").strip()
    assert "2 examinations" in run("store", "backup", str(tmp_path / "b"))
    assert "is there already" in run("store", "backup", str(tmp_path / "b"), fails=True)
    assert run("audit", "verify", "--expect", noted)
    assert "add --yes" in run("forget", "P-1", fails=True)
    assert "Removed 1 examination(s)" in run("forget", "P-1", "--yes")
    assert "nothing was removed" in run("forget", "P-1", "--yes", fails=True)
    assert [json.loads(line)["action"] for line in run("audit", "show", "--json").splitlines()][-1] == "forget"
    assert "is not empty" in run("store", "restore", str(tmp_path / "b"), fails=True)
    monkeypatch.setenv("SPOKEN_EXAM_STORE_URL", f"sqlite:///{tmp_path / 'new.sqlite3'}")
    assert "2 examinations were restored" in run("store", "restore", str(tmp_path / "b"))
    assert json.loads(run("store", "check", "--json"))["examinations"] == 2


def test_a_passphrase_comes_from_a_file_and_can_change(run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    phrase = tmp_path / "phrase"
    phrase.write_text("correct horse battery\n")
    assert "no terminal to ask at" in run("store", "init", "--key", "passphrase", fails=True)
    monkeypatch.setenv("SPOKEN_EXAM_STORE_PASSPHRASE_FILE", str(phrase))
    assert "(encrypted)" in run("store", "init", "--key", "passphrase")
    assert run("store", "check")
    phrase.write_text("another phrase\n")
    assert run("store", "check", fails=True).startswith("Wrong key: the passphrase does not open the store")
    phrase.write_text("correct horse battery\n")
    assert "was changed" in run("store", "change-key", "--key", "file")
    phrase.unlink()
    assert run("store", "check"), "the key file is enough now"


def test_a_plain_store_says_so_on_every_start(run, capfd: pytest.CaptureFixture[str]) -> None:
    assert "(not encrypted)" in run("store", "init", "--key", "plain")
    for _start in range(2):
        assert "NOT encrypted" in run("drafts")


def test_accounts_are_kept_by_command(run) -> None:
    add = ("users", "add", "ada", "--name", "Ada Lind", "--role")
    assert "There is no role 'boss'" in run(*add, "boss", text=PASSWORD + "\n", fails=True)
    assert "12 to 1000 characters" in run(*add, "administrator", text="short\n", fails=True)
    assert "was added" in run(*add, "administrator", text=PASSWORD + "\n")
    assert json.loads(run("users", "list", "--json").splitlines()[-1]) == {
        "username": "ada", "name": "Ada Lind", "role": "administrator", "active": True,
    }  # fmt: skip
    assert "last administrator" in run("users", "close", "ada", fails=True)
    assert "last administrator" in run("users", "role", "ada", "secretary", fails=True)
    assert "was set" in run("users", "password", "ada", text="another long phrase\n")
    assert "There is no account bob" in run("users", "close", "bob", fails=True)


def test_the_desk_does_not_start_unprotected(run, tmp_path: Path) -> None:
    assert "make the first account" in run("desk", fails=True)
    assert "add --network" in run("desk", "--host", "0.0.0.0", fails=True)
    assert "needs TLS" in run("desk", "--host", "0.0.0.0", "--network", fails=True)
