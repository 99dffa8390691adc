"""A killed worker, client or scheduler, a full disk and poisonous notes change nothing in the archive."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
from pathlib import Path

import psutil
import pytest

from dictate.archive import folder as folder_module
from dictate.errors import StoreError
from tests.dictate.archive.helpers import (
    cluster,
    digests,
    parts_done,
    reading_processes,
    records,
    result,
    rows,
    run,
    start,
    until,
    write_jsonl,
)

NOTES = 100


@pytest.fixture(scope="module")
def slow_notes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Notes that take 50 ms each, so that there is time to kill something."""
    return write_jsonl(tmp_path_factory.mktemp("notes") / "notes.jsonl", records(NOTES, slow=True))


@pytest.fixture(scope="module")
def undisturbed(slow_notes: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What a run leaves that nobody disturbs."""
    out = tmp_path_factory.mktemp("undisturbed") / "archive"
    code, errors = result(start(slow_notes, out))
    assert code == 0, errors
    assert len(rows(out, "notes")) == NOTES
    return digests(out)


def test_killed_workers_and_reading_processes_change_nothing(
    slow_notes: Path, undisturbed: dict[str, str], tmp_path: Path
) -> None:
    out = tmp_path / "archive"
    process = start(slow_notes, out)
    client = psutil.Process(process.pid)
    until(lambda: parts_done(out) >= 2)
    until(lambda: reading_processes(client))[0].kill()
    until(lambda: parts_done(out) >= 4)
    worker = until(lambda: reading_processes(client))[0].parent()
    assert worker is not None
    assert worker.pid != process.pid
    worker.kill()
    code, errors = result(process)
    assert code == 0, errors
    assert digests(out) == undisturbed


def test_killed_client_leaves_no_process_and_the_same_command_continues(
    slow_notes: Path, undisturbed: dict[str, str], tmp_path: Path
) -> None:
    out = tmp_path / "archive"
    process = start(slow_notes, out)
    until(lambda: parts_done(out) >= 3)
    family = psutil.Process(process.pid).children(recursive=True)
    process.kill()
    process.communicate()
    until(lambda: not [child for child in family if child.is_running() and child.status() != psutil.STATUS_ZOMBIE])
    done = parts_done(out)
    assert 0 < done < NOTES / 10
    code, errors = result(start(slow_notes, out))
    assert code == 0, errors
    assert digests(out) == undisturbed


def test_killed_scheduler_stops_with_a_sentence_and_the_same_command_continues(
    slow_notes: Path, undisturbed: dict[str, str], tmp_path: Path
) -> None:
    out = tmp_path / "archive"
    with cluster(tmp_path / "first") as (address, processes):
        process = start(slow_notes, out, cluster=address)
        until(lambda: parts_done(out) >= 2)
        processes[0].send_signal(signal.SIGKILL)
        code, errors = result(process)
    assert code == 1
    assert errors.strip() == (
        f"The scheduler at {address} is gone. Start it again; nothing that is complete is lost: "
        "run the same command again to continue."
    )
    assert parts_done(out) < NOTES / 10
    with cluster(tmp_path / "second") as (address, processes):
        process = start(slow_notes, out, cluster=address)
        until(lambda: parts_done(out) >= 6)
        psutil.Process(processes[1].pid).children()[0].kill()  # the worker itself; its nanny starts another
        code, errors = result(process)
    assert code == 0, errors
    assert digests(out) == undisturbed


def test_full_disk_stops_with_a_sentence_and_the_same_command_continues(
    slow_notes: Path, undisturbed: dict[str, str], tmp_path: Path
) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    if os.getuid() != 0 or subprocess.run(["mount", "-t", "tmpfs", "-o", "size=120k", "tmpfs", disk]).returncode:
        pytest.skip("needs the right to mount a small disk; the next test fills it without")
    try:
        out = disk / "archive"
        code, errors = result(start(slow_notes, out))
        assert code == 1
        assert errors.startswith(f"The disk is full: cannot write {out}")
        assert "run the same command again" in errors
        assert not list(out.rglob("*.tmp"))
        assert parts_done(out) < NOTES / 10
        subprocess.run(["mount", "-o", "remount,size=64m", disk], check=True)
        code, errors = result(start(slow_notes, out))
        assert code == 0, errors
        assert digests(out) == undisturbed
    finally:
        subprocess.run(["umount", disk], check=True)


def test_a_write_that_fails_leaves_no_half_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = write_jsonl(tmp_path / "notes.jsonl", records(40))
    run(source, tmp_path / "whole")
    calls = 0

    def full(handle: int) -> None:
        nonlocal calls
        calls += 1
        if calls == 20:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(folder_module.os, "fsync", full)
    with pytest.raises(StoreError, match="The disk is full: cannot write"):
        run(source, tmp_path / "out")
    assert not list((tmp_path / "out").rglob("*.tmp"))
    assert parts_done(tmp_path / "out") < 4
    run(source, tmp_path / "out")
    assert digests(tmp_path / "out") == digests(tmp_path / "whole")


POISON = (
    ("loops", "right knee brisk POISON-LOOP", "time_limit"),
    ("holds the interpreter's lock", "POISON-REGEX", "time_limit"),
    ("sleeps", "POISON-SLEEP", "time_limit"),
    ("crashes", "POISON-CRASH", "crashed"),
    ("raises", "POISON-RAISE John Smith", "parser_fault"),
    ("takes memory", "POISON-MEMORY", "memory"),
    ("ten megabytes", "knee " * 2_000_000, "too_long"),
    ("binary", "\x00\x01\x02knee", "binary"),
    ("blank", " \n ", "empty"),
)


def test_poisonous_notes_are_rejected_and_their_neighbours_read(tmp_path: Path) -> None:
    good = records(30)
    poisoned = list(good)
    for number, (name, text, _) in enumerate(POISON):
        poisoned.insert(3 * number, {"id": name, "text": text})
    source = write_jsonl(tmp_path / "notes.jsonl", poisoned)
    summary = run(source, tmp_path / "out", seconds_per_note=0.5, workers=2, memory_mb=1500)
    assert (summary.notes_in, summary.notes, summary.rejects) == (
        len(good) + len(POISON),
        len(good),
        len(POISON),
    )
    rejects = {row["note_id"]: row for row in rows(tmp_path / "out", "rejects")}
    assert {name: row["reason"] for name, row in rejects.items()} == {name: reason for name, _, reason in POISON}
    assert "John" not in rejects["raises"]["detail"]
    assert "stand_in.py" in rejects["raises"]["detail"]
    run(write_jsonl(tmp_path / "good.jsonl", good), tmp_path / "good")
    dropped = ("position",)
    for table in ("findings", "slots", "queries", "unread", "notes"):
        with_poison, without = (
            [{name: value for name, value in row.items() if name not in dropped} for row in rows(out, table)]
            for out in (tmp_path / "out", tmp_path / "good")
        )
        assert with_poison == without
