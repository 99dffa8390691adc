"""`dictate archive`: re-read many notes into Parquet; `archive report` and `archive compare` look at the
result."""

from __future__ import annotations

import dataclasses
import importlib.util
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer
from typer.core import TyperGroup

from dictate.errors import SettingsError

if TYPE_CHECKING:
    from dictate.archive.run import ArchiveOptions

NEEDED = ("distributed", "pyarrow", "duckdb", "psutil", "matplotlib", "jinja2", "cryptography")
DIFFERENT = 3  # exit code of `compare` when the runs differ


class InputOrCommand(TyperGroup):
    """`archive INPUT ...` is `archive read INPUT ...`; a file named like a command is given as ./report."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Put the default command in front of anything that is not a command."""
        if args and args[0] not in self.commands and args[0] not in ctx.help_option_names:
            args = ["read", *args]
        return list(super().parse_args(ctx, args))


def need_extra() -> None:
    """Errors: SettingsError naming the extra when one of its libraries is missing."""
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise SettingsError(
            f"`dictate archive` needs {', '.join(missing)}. Install with: pip install 'spoken-exam[archive]'"
        )


def register(app: typer.Typer) -> None:
    """Add the `archive` group."""
    group = typer.Typer(
        name="archive",
        cls=InputOrCommand,
        no_args_is_help=True,
        rich_markup_mode=None,
        help="Re-read a folder or table of notes into Parquet: dictate archive INPUT --out FOLDER.",
    )
    group.command("read")(read)
    group.command("report")(report)
    group.command("compare")(compare)
    app.add_typer(group)


def read(
    source: Path = typer.Argument(..., metavar="INPUT", help="Folder of .txt/.wav/.flac, or .jsonl, .csv, .parquet."),
    out: Path = typer.Option(..., "--out", "-o", help="Folder of the archive; the same command continues in it."),
    cluster: str = typer.Option("", help="Address of a Dask scheduler, e.g. tls://host:8786; default: local cores."),
    workers: int = typer.Option(0, "--workers", "-j", min=0, help="Local processes; 0 is one a core."),
    reread: bool = typer.Option(False, "--reread", help="Read all again with the installed grammar."),
    retry_rejects: bool = typer.Option(False, "--retry-rejects", help="Try notes again that failed while being read."),
    id_column: str = typer.Option("id", help="Column with the note's id."),
    text_column: str = typer.Option("text", help="Column with the note's text."),
    date_column: str = typer.Option("date", help="Column with the date of the examination, if there is one."),
    clinician_column: str = typer.Option("clinician", help="Column with the clinician, if there is one."),
    complaint_column: str = typer.Option("complaint", help="Column with add-on ids, if there is one."),
    clinician_folder: bool = typer.Option(False, help="In a folder: the first folder's name is the clinician."),
    encoding: str = typer.Option("", help="Encoding, e.g. cp1252; default UTF-8, and guessed for .txt."),
    part_notes: int = typer.Option(250, min=1, help="Notes a part (what a kill can cost)."),
    seconds_per_note: float = typer.Option(10.0, min=0.1, help="Processor time after which a note is rejected."),
    max_chars: int = typer.Option(1_000_000, min=1, help="Longer notes are rejected."),
    memory_mb: int = typer.Option(4096, min=0, help="Memory of a reading process; 0 is no limit."),
    engine: str = typer.Option("", help="Recogniser for recordings."),
    model: str = typer.Option("", help="Model of that recogniser."),
    as_json: bool = typer.Option(False, "--json", help="Print the summary as one JSON object."),
) -> None:
    """Read every note of INPUT into Parquet; kill it at any time, the same command continues."""
    need_extra()
    from dictate.archive.inputs import InputOptions
    from dictate.archive.run import ArchiveOptions

    inputs = InputOptions(
        id_column,
        text_column,
        date_column,
        clinician_column,
        complaint_column,
        clinician_folder,
        encoding,
        max_chars,
    )
    options = ArchiveOptions(
        inputs=inputs,
        cluster=cluster or None,
        workers=workers,
        part_notes=part_notes,
        seconds_per_note=seconds_per_note,
        memory_mb=memory_mb,
        engine=engine,
        model=model,
        reread=reread,
        retry_rejects=retry_rejects,
    )
    _read(source, out, options, as_json)


def _read(source: Path, out: Path, options: ArchiveOptions, as_json: bool) -> None:
    """Run with a progress display, print the summary; exit code 1 when every note was rejected."""
    import codecs

    from rich.console import Console

    from dictate.archive.inputs import input_size
    from dictate.archive.progress import show
    from dictate.archive.run import run_archive

    try:
        codecs.lookup(options.inputs.encoding or "utf-8")
    except LookupError as error:
        raise SettingsError(
            f"--encoding {options.inputs.encoding} is not known. Try utf-8, cp1252 or latin-1."
        ) from error
    try:
        with show(input_size(source) if source.exists() else 0, Console(stderr=True)) as bar:
            summary = dataclasses.asdict(run_archive(source, out, options, bar))
    except KeyboardInterrupt:
        print("dictate: stopped; the same command continues after the last complete part.", file=sys.stderr)
        raise typer.Exit(130) from None
    if as_json:
        print(json.dumps(summary, ensure_ascii=False))
    else:
        _print_summary(summary)
    if summary["notes"] == 0:
        print(f"dictate: every note was rejected; the reasons are in {out / 'rejects.csv'}.", file=sys.stderr)
        raise typer.Exit(1)


def _print_summary(facts: dict[str, Any]) -> None:
    """The summary as lines for people."""
    print(f"{facts['out']}: {facts['notes_in']} in = {facts['notes']} notes + {facts['rejects']} rejects")
    print(
        f"  {facts['findings']} findings, {facts['slots']} slots, {facts['queries']} queries, "
        f"{facts['unread']} unread pieces; grammar {facts['grammar_version']}"
    )
    print(
        f"  {facts['parts']} parts: {facts['parts_read']} read now, {facts['parts_kept']} kept; "
        f"{facts['seconds']:.1f} s, {facts['notes_per_second']:.1f} notes a second, "
        f"{facts['peak_mb']:.0f} MB peak in a reading process"
    )
    if facts["duplicate_ids"]:
        print(f"  {facts['duplicate_ids']} ids are used by more than one note (told apart by `position`).")
    if facts["remark"]:
        print(f"  {facts['remark']}")
    print(f"  {facts['caution']}")


def report(
    folder: Path = typer.Argument(..., metavar="FOLDER", help="An archive made by `dictate archive`."),
    out: Path = typer.Option(None, "--out", "-o", help="Where the pages go; default FOLDER/report."),
    as_json: bool = typer.Option(False, "--json", help="Print the tables as one JSON object."),
) -> None:
    """Tables and plots of what an archive holds: notes over time, findings, omissions, unread text."""
    need_extra()
    from dictate.archive.report import write_report

    made = write_report(folder, out or folder / "report")
    print(json.dumps(made.tables, ensure_ascii=False, default=str) if as_json else f"{made.page}")


def compare(
    before: Path = typer.Argument(..., metavar="RUN1", help="An archive folder or a JSONL file of notes."),
    after: Path = typer.Argument(..., metavar="RUN2", help="Another one, of the same notes."),
    examples: int = typer.Option(5, min=0, help="Examples a kind of change."),
    fail_on: str = typer.Option("any", help="any, none, or a list: side,status,grade,vanished,appeared,slots,notes."),
    as_json: bool = typer.Option(False, "--json", help="Print the comparison as one JSON object."),
) -> None:
    """What changed between two runs; exit code 0 when nothing did, 3 when something in --fail-on did."""
    need_extra()
    from dictate.archive.compare import compare_runs, failing_kinds, to_text

    kinds = failing_kinds(fail_on)
    found = compare_runs(before, after, examples=examples)
    print(json.dumps(found.as_dict(), ensure_ascii=False) if as_json else to_text(found))
    if any(found.counts[kind] for kind in kinds):
        raise typer.Exit(DIFFERENT)
