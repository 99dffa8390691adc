"""The `archive` command: its default sub-command, its exit codes and its JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner, Result

from dictate.cli import archive
from dictate.errors import DictateError
from tests.dictate.archive.helpers import records, run, write_jsonl


def invoke(*arguments: str) -> Result:
    """The command as the user types it, without the other commands."""
    app = typer.Typer(pretty_exceptions_enable=False)
    app.callback()(lambda: None)
    archive.register(app)
    return CliRunner().invoke(app, ["archive", *arguments])


def sentence(found: Result) -> str:
    """The error that the entry point would print."""
    assert isinstance(found.exception, DictateError)
    return str(found.exception)


def test_an_input_needs_no_subcommand_and_options_may_come_first(tmp_path: Path) -> None:
    for arguments in (
        (str(tmp_path / "absent"), "--out", str(tmp_path / "out")),
        ("--out", str(tmp_path / "out"), str(tmp_path / "absent")),
        ("read", str(tmp_path / "absent"), "--out", str(tmp_path / "out")),
    ):
        assert "absent does not exist. Give a folder" in sentence(invoke(*arguments))


def test_report_prints_the_page_or_the_tables(tmp_path: Path) -> None:
    run(write_jsonl(tmp_path / "notes.jsonl", records(12)), tmp_path / "out")
    assert invoke("report", str(tmp_path / "out")).stdout == f"{tmp_path / 'out' / 'report' / 'index.html'}\n"
    found = invoke("report", str(tmp_path / "out"), "--json", "--out", str(tmp_path / "pages"))
    assert json.loads(found.stdout)["notes_over_time"][0] == {
        "month": "2023-01", "notes": 1, "findings": 2, "findings_a_note": 2.0,
    }  # fmt: skip
    assert (tmp_path / "pages" / "index.html").is_file()


COMPARISONS = (
    (("--fail-on", "any"), 3),
    (("--fail-on", "side"), 3),
    (("--fail-on", "status,vanished"), 0),
    (("--fail-on", "none", "--json"), 0),
)


@pytest.mark.parametrize(("options", "code"), COMPARISONS)
def test_compare_is_a_gate(tmp_path: Path, options: tuple[str, ...], code: int) -> None:
    finding = {"item": "plantar", "site": None, "side": "right", "status": "normal"}
    before = write_jsonl(tmp_path / "a.jsonl", [{"id": "n", "findings": [finding]}])
    after = write_jsonl(tmp_path / "b.jsonl", [{"id": "n", "findings": [{**finding, "side": "left"}]}])
    found = invoke("compare", str(before), str(after), *options)
    assert found.exit_code == code
    if "--json" in options:
        assert json.loads(found.stdout)["counts"]["side"] == 1
    else:
        assert "plantar: right normal -> left normal" in found.stdout
    assert invoke("compare", str(before), str(before)).exit_code == 0


def test_a_missing_library_names_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archive, "NEEDED", ("pyarrow", "no_such_library"))
    expected = "`dictate archive` needs no_such_library. Install with: pip install 'spoken-exam[archive]'"
    assert sentence(invoke("report", str(tmp_path))) == expected


def test_an_unknown_encoding_is_named(tmp_path: Path) -> None:
    found = invoke(str(tmp_path), "--out", str(tmp_path / "out"), "--encoding", "klingon")
    assert sentence(found) == "--encoding klingon is not known. Try utf-8, cp1252 or latin-1."
