"""What the archive's tests share: invented notes, runs in their own process, and digests of an archive."""

from __future__ import annotations

import contextlib
import hashlib
import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psutil

from dictate.archive.run import ArchiveOptions, Summary, run_archive
from tests.dictate.archive.driver import Silent
from tests.dictate.archive.stand_in import PARSER

ROOT = Path(__file__).resolve().parents[3]
PATIENCE_S = 180


def records(count: int, *, slow: bool = False) -> list[dict[str, Any]]:
    """Invented notes, every one different; slow ones take 50 ms each."""
    sides, results = ("right", "left", "both"), ("brisk", "normal", "absent")
    return [
        {
            "id": f"note-{number:04d}",
            "text": f"{'SLOW' if slow else 'now'} note {number}, "
            f"{sides[number % 3]} knee {results[number % 2]}, ankle {results[number % 3]}",
            "date": f"2023-{number % 12 + 1:02d}-15",
            "clinician": f"Dr {'ABC'[number % 3]}",
        }
        for number in range(count)
    ]


def write_jsonl(path: Path, notes: list[dict[str, Any]]) -> Path:
    """Notes as a JSONL file."""
    path.write_text("".join(json.dumps(note) + "\n" for note in notes), encoding="utf-8")
    return path


def options(**changes: Any) -> ArchiveOptions:
    """Options of a small run with the stand-in parser."""
    return ArchiveOptions.model_validate({"parser": PARSER, "workers": 1, "part_notes": 10, **changes})


SHARED: dict[str, str] = {}


def shared_cluster(folder: Path) -> Iterator[None]:
    """For a fixture: one worker for all runs of a module, so that each need not start its own."""
    with cluster(folder, workers=1) as (address, _):
        SHARED["cluster"] = address
        yield
        SHARED.clear()


def run(source: Path, out: Path, *, own_workers: bool = False, **changes: Any) -> Summary:
    """An archive run inside the test's process, on the module's shared cluster or on workers of its own."""
    chosen = changes if own_workers else {**SHARED, **changes}
    return run_archive(source, out, options(**chosen), Silent())


def start(source: Path, out: Path, **changes: Any) -> subprocess.Popen[str]:
    """An archive run in a process of its own."""
    chosen = json.dumps({"workers": 2, "part_notes": 10, **changes})
    command = [sys.executable, "-m", "tests.dictate.archive.driver", str(source), str(out), chosen]
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def result(process: subprocess.Popen[str]) -> tuple[int, str]:
    """Exit code and standard error of a run that is left to end."""
    _, errors = process.communicate(timeout=PATIENCE_S)
    return process.returncode, errors


def until(condition: Callable[[], Any]) -> Any:
    """Wait for a condition and return its value."""
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        if found := condition():
            return found
        time.sleep(0.05)
    raise AssertionError("the condition did not come true")


def parts_done(out: Path) -> int:
    """How many parts of an archive are complete."""
    return len(list((out / "parts").glob("part-*.json"))) if out.exists() else 0


def digests(out: Path) -> dict[str, str]:
    """A digest of every table file and of the rejects, by relative path."""
    files = [*sorted(out.glob("*/part-*.parquet")), out / "rejects.csv"]
    return {str(path.relative_to(out)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def rows(out: Path, table: str) -> list[dict[str, Any]]:
    """All rows of a table in the order of parts."""
    import pyarrow.parquet as pq

    paths = sorted((out / table).glob("part-*.parquet"))
    return [row for path in paths for row in pq.ParquetFile(path).read().to_pylist()]


def reading_processes(root: psutil.Process) -> list[psutil.Process]:
    """The processes below `root` that parse notes."""
    found = []
    for process in root.children(recursive=True):
        with contextlib.suppress(psutil.Error):
            if "dictate.archive.child" in process.cmdline():
                found.append(process)
    return found


@contextlib.contextmanager
def cluster(folder: Path, workers: int = 2) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A Dask scheduler with workers as their own processes: its address and [scheduler, worker, ...]."""
    folder.mkdir(exist_ok=True)
    address_file = folder / "scheduler.json"
    common = ["--no-dashboard", "--host", "127.0.0.1", "--scheduler-file", str(address_file)]
    quiet: dict[str, Any] = {"cwd": ROOT, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    scheduler = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--port", "0", *common]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--nthreads", "1", *common]
    processes = [subprocess.Popen(scheduler, **quiet)]
    try:
        until(address_file.exists)
        for number in range(workers):
            place = ["--local-directory", str(folder / f"worker{number}")]
            processes.append(subprocess.Popen([*worker, *place], **quiet))
        yield json.loads(until(lambda: address_file.read_text()))["address"], processes
    finally:
        for process in processes:
            process.terminate()
        for process in processes:
            process.wait(timeout=PATIENCE_S)
