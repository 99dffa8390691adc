"""An archive run from beginning to end: read what is not read yet, keep what is, count everything."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from pydantic import BaseModel, ConfigDict, Field

from dictate.archive.child import load_parser
from dictate.archive.folder import ArchiveFolder
from dictate.archive.frames import peak_mb
from dictate.archive.inputs import InputOptions, open_input
from dictate.archive.parts import Part, cut
from dictate.archive.pool import Pool, cores
from dictate.archive.reader import ReadOptions
from dictate.errors import InputError, SettingsError, StoreError
from grammar.models import CAUTION


class ArchiveOptions(BaseModel):
    """Everything the user can choose about a run."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    inputs: InputOptions = InputOptions()
    cluster: str | None = None
    workers: int = Field(default=0, ge=0)  # 0: one a core
    part_notes: int = Field(default=250, ge=1)
    seconds_per_note: float = Field(default=10.0, gt=0)
    memory_mb: int = Field(default=4096, ge=0)
    engine: str = ""
    model: str = ""
    reread: bool = False
    retry_rejects: bool = False
    parser: str = "dictate.clinic:parse"


class Watcher(Protocol):
    """Who is told how far a run is (progress.py shows it)."""

    def kept(self, part: Part) -> None: ...
    def read(self, part_units: int, notes: int, rejects: int) -> None: ...
    def tick(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Summary:
    """What a run did and what the archive holds now. Times in seconds.

    Peak memory in MB: of a reading process, of a Dask worker above it, and of the client;
    then the processor time of all workers with their reading processes, and of the client.
    """

    out: str
    state: str
    grammar_version: str
    notes_in: int
    notes: int
    rejects: int
    findings: int
    slots: int
    queries: int
    unread: int
    parts: int
    parts_read: int
    parts_kept: int
    duplicate_ids: int
    workers: int
    seconds: float
    notes_per_second: float
    peak_mb: float
    worker_mb: float
    client_mb: float
    workers_cpu_s: float
    client_cpu_s: float
    remark: str | None = None
    caution: str = CAUTION


@dataclass(slots=True)
class _Tally:
    """Counts of one pass over the input."""

    notes_in: int = 0
    parts: int = 0
    kept: int = 0
    read: int = 0
    notes_read: int = 0
    peak_mb: float = 0.0
    worker_mb: float = 0.0
    cpu_s: float = 0.0
    workers: int = 0


def _check_place(source: Path, out: Path) -> None:
    """The output must not become part of the input."""
    inside = out.resolve()
    if source.is_dir() and (inside == source.resolve() or source.resolve() in inside.parents):
        raise SettingsError(f"--out {out} lies inside the input {source}. Choose a folder outside of it.")


def _settled(folder: ArchiveFolder, source: Path, options: ArchiveOptions, version: str) -> dict[str, Any] | None:
    """The record of a finished run that has nothing left to do with this grammar, else None.

    Errors: SettingsError when going on would mix two grammars, inputs or recognisers.
    """
    record = folder.record()
    if record is None or options.reread:
        return None
    if record["input"] != str(source.resolve()):
        raise SettingsError(
            f"{folder.path} holds the archive of {record['input']}, not of {source}. Choose another --out, "
            "or give "
            "--reread to replace it."
        )
    if (record["engine"], record["model"]) != (options.engine, options.model):
        raise SettingsError(
            f"{folder.path} was read with recogniser {record['engine'] or 'default'}. Give the same "
            "--engine and "
            "--model, or --reread to read everything again."
        )
    if record["grammar_version"] == version:
        return None
    if record["state"] == "complete":
        return record
    raise SettingsError(
        f"{folder.path} was begun with grammar {record['grammar_version']}; this one is {version}. Give "
        "--reread to "
        "read everything with this one, or continue with the program that began it."
    )


def run_archive(source: Path, out: Path, options: ArchiveOptions, watcher: Watcher) -> Summary:
    """Bring the archive in `out` up to date with the notes of `source`.

    Errors: InputError, SettingsError, StoreError, ClusterError; after any of them the same command continues.
    """
    started = time.monotonic()
    notes = open_input(source, options.inputs)
    _check_place(source, out)
    version = load_parser(options.parser)[1]
    folder = ArchiveFolder(out)
    folder.prepare()
    try:
        settled = _settled(folder, source, options, version)
        if settled is not None:
            return _summary(
                folder,
                _Tally(notes_in=settled["totals"]["notes_in"]),
                settled["grammar_version"],
                started,
                settled["totals"]["duplicate_ids"],
                remark=_older_remark(settled, version),
            )
        tally = _Tally()
        extra = f"{options.engine}|{options.model}"
        parts = cut(notes, part_notes=options.part_notes, extra=extra)
        _read_missing(
            folder,
            _missing(folder, parts, options, version, tally, watcher),
            source,
            options,
            version,
            tally,
            watcher,
        )
        return _finish(folder, source, options, version, tally, started)
    finally:
        folder.release()


def _older_remark(record: dict[str, Any], version: str) -> str:
    return (
        f"Complete with grammar {record['grammar_version']}; the installed one is {version}. Nothing was "
        "done; "
        "--reread reads everything again."
    )


def _missing(
    folder: ArchiveFolder,
    parts: Iterator[Part],
    options: ArchiveOptions,
    version: str,
    tally: _Tally,
    watcher: Watcher,
) -> Iterator[Part]:
    """The parts that are not in the archive yet; counts all of them."""
    for part in parts:
        tally.parts += 1
        tally.notes_in += len(part.notes)
        if folder.holds(part, version, retry=options.retry_rejects):
            tally.kept += 1
            watcher.kept(part)
        else:
            yield part


def _record(source: Path, options: ArchiveOptions, version: str, state: str) -> dict[str, Any]:
    return {
        "input": str(source.resolve()),
        "grammar_version": version,
        "engine": options.engine,
        "model": options.model,
        "state": state,
        "caution": CAUTION,
    }


def _read_missing(
    folder: ArchiveFolder,
    missing: Iterator[Part],
    source: Path,
    options: ArchiveOptions,
    version: str,
    tally: _Tally,
    watcher: Watcher,
) -> None:
    """Have every missing part read; without any, no worker is started and nothing is written."""
    first = next(missing, None)
    if first is None:
        return
    folder.write_record(_record(source, options, version, "running"))
    read_options = ReadOptions(
        grammar_version=version,
        parser=options.parser,
        seconds_per_note=options.seconds_per_note,
        memory_mb=options.memory_mb,
        engine=options.engine,
        model=options.model,
    )
    units: dict[int, int] = {}

    def todo() -> Iterator[Part]:
        part: Part | None = first
        while part is not None:
            units[part.number] = part.units
            yield part
            part = next(missing, None)

    with Pool(options.cluster, options.workers or cores(), read_options) as pool:
        for result in pool.results(todo(), watcher.tick):
            folder.save(result, version)
            tally.read += 1
            tally.notes_read += result.rows["notes"] + result.rows["rejects"]
            tally.peak_mb = max(tally.peak_mb, result.peak_mb)
            tally.cpu_s += result.cpu_s
            tally.worker_mb = max(tally.worker_mb, result.worker_mb)
            tally.workers = max(tally.workers, pool.workers())
            watcher.read(units.pop(result.number), result.rows["notes"], result.rows["rejects"])


def _finish(
    folder: ArchiveFolder, source: Path, options: ArchiveOptions, version: str, tally: _Tally, started: float
) -> Summary:
    """Check that nothing was lost, write the rejects and the totals, unless they are there already."""
    if tally.notes_in == 0:
        raise InputError(f"{source} holds no notes. Check the path.")
    dropped = folder.drop_after(tally.parts)
    record = folder.record()
    if tally.read == 0 and dropped == 0 and record is not None and record["state"] == "complete":
        return _summary(folder, tally, version, started, record["totals"]["duplicate_ids"])
    counts = folder.totals()
    if counts["parts"] != tally.parts or counts["notes"] + counts["rejects"] != tally.notes_in:
        raise StoreError(
            f"The counts of {folder.path} do not add up: {tally.notes_in} notes in, {counts['notes']} read "
            "and "
            f"{counts['rejects']} rejected. Run the same command again; what is missing is read again."
        )
    duplicates = _duplicate_ids(folder)
    folder.write_rejects()
    totals = {"notes_in": tally.notes_in, **counts, "duplicate_ids": duplicates}
    folder.write_record({**_record(source, options, version, "complete"), "totals": totals})
    return _summary(folder, tally, version, started, duplicates)


def _duplicate_ids(folder: ArchiveFolder) -> int:
    """How many ids are used by more than one record; counted by DuckDB, on disk when there are many."""
    from dictate.archive.tables_sql import ask_number, connect

    with connect() as database:
        return ask_number(
            database,
            "SELECT count(*) FROM (SELECT note_id FROM (SELECT note_id FROM read_parquet(?) UNION ALL "
            "SELECT note_id FROM read_parquet(?)) GROUP BY note_id HAVING count(*) > 1)",
            [str(folder.path / "notes" / "*.parquet"), str(folder.path / "rejects" / "*.parquet")],
        )


def _summary(
    folder: ArchiveFolder,
    tally: _Tally,
    version: str,
    started: float,
    duplicates: int,
    remark: str | None = None,
) -> Summary:
    counts = folder.totals()
    seconds = time.monotonic() - started
    return Summary(
        out=str(folder.path),
        state="complete",
        grammar_version=version,
        notes_in=tally.notes_in,
        notes=counts["notes"],
        rejects=counts["rejects"],
        findings=counts["findings"],
        slots=counts["slots"],
        queries=counts["queries"],
        unread=counts["unread"],
        parts=counts["parts"],
        parts_read=tally.read,
        parts_kept=tally.kept,
        duplicate_ids=duplicates,
        workers=tally.workers,
        seconds=round(seconds, 3),
        notes_per_second=round(tally.notes_read / seconds, 2) if tally.notes_read else 0.0,
        peak_mb=round(tally.peak_mb, 1),
        worker_mb=round(tally.worker_mb, 1),
        client_mb=round(peak_mb(), 1),
        workers_cpu_s=round(tally.cpu_s, 2),
        client_cpu_s=round(time.process_time(), 2),
        remark=remark,
    )
