"""What a worker does with a part: read each note in a child process that can be killed, return Parquet bytes.

The child (child.py) does all parsing. The worker watches it: a note that takes too much processor time, or
far too much time on the clock, costs the child its life and is rejected; a new child goes on with the next
note. A child that dies for any other reason (a crash, the kernel, a person) has its note tried again in a
new child before the note is blamed, so that a kill from outside changes nothing in the result.
"""

from __future__ import annotations

import contextlib
import os
import queue
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import psutil

from dictate.archive.frames import Answer, Hello, Request, peak_mb, receive, send
from dictate.archive.inputs import Fault, InputNote
from dictate.archive.parts import Part
from dictate.archive.rows import COLUMNS, Row
from dictate.archive.tables_out import parquet_bytes
from dictate.errors import ClusterError

START_LIMIT_S = 180.0
CLOCK_FACTOR = 10  # a busy machine may take this much longer on the clock than on the processor
RECORDING_BASE_S = 120.0  # the first recording also loads the recogniser
LEAST_BYTES_A_SECOND = 16_000  # of a compressed 16 kHz recording; the file itself is opened by the child only
RECORDING_FACTOR = 6.0  # seconds of processor time per second of sound (about 0.3 is usual)
ATTEMPTS = 3


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """How a worker reads. `parser` is `module:function` beside a GRAMMAR_VERSION; tests name another one."""

    grammar_version: str
    parser: str = "dictate.clinic:parse"
    seconds_per_note: float = 10.0
    memory_mb: int = 4096
    engine: str = ""
    model: str = ""


@dataclass(frozen=True, slots=True)
class PartResult:
    """A part as the bytes of one Parquet file a table, with its counts (rows of every table).

    `peak_mb` and `worker_mb` are the peak memory so far of the reading process and of the worker itself,
    `cpu_s` the processor seconds that both spent on this part.
    """

    number: int
    fingerprint: str
    files: dict[str, bytes]
    rows: dict[str, int]
    seconds: float
    peak_mb: float
    worker_mb: float = 0.0
    cpu_s: float = 0.0
    retryable: int = 0


class ChildDied(Exception):
    """The child's end of the pipe closed before it answered."""


@dataclass(slots=True)
class Child:
    """A running child process and the queue on which its frames arrive (None when it is gone)."""

    options: ReadOptions
    process: subprocess.Popen[bytes] = field(init=False)
    frames: queue.Queue[Any] = field(init=False)
    cpu_s: float = 0.0  # its processor time when it last answered

    def __post_init__(self) -> None:
        environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
        environment["PYTHONPATH"] = os.pathsep.join(path or os.getcwd() for path in sys.path)
        # One core a worker: numeric libraries must not start a thread for every core.
        environment.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1")
        options = self.options
        self.process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "dictate.archive.child",
                options.parser,
                str(options.memory_mb),
                options.engine,
                options.model,
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
        )
        self.frames = queue.Queue()
        threading.Thread(target=self._pump, daemon=True).start()
        self._greet()

    def _pump(self) -> None:
        assert self.process.stdout is not None
        with contextlib.suppress(OSError, EOFError, ValueError):
            while (frame := receive(self.process.stdout)) is not None:
                self.frames.put(frame)
        self.frames.put(None)

    def _greet(self) -> None:
        try:
            hello = self.frames.get(timeout=START_LIMIT_S)
        except queue.Empty:
            self.kill()
            raise ChildDied from None
        if hello is None:
            raise ChildDied
        assert isinstance(hello, Hello)
        self.cpu_s = hello.cpu_s
        if hello.fault is not None:
            raise ClusterError(f"A worker cannot load the grammar: {hello.fault}. Mend the installation there.")
        if hello.grammar_version != self.options.grammar_version:
            self.kill()
            raise ClusterError(
                f"A worker has grammar {hello.grammar_version}, this machine {self.options.grammar_version}. "
                "Install the same version of this program on every worker."
            )

    def kill(self) -> None:
        """End the process at once."""
        self.process.kill()
        self.process.wait()

    def cpu_now_s(self) -> float:
        """Processor time that the process has used, read while it is busy."""
        with contextlib.suppress(psutil.Error):
            times = psutil.Process(self.process.pid).cpu_times()
            return float(times.user + times.system)
        return self.cpu_s

    def ask(self, request: Request, limit_s: float) -> Answer:
        """The child's answer; its time is measured on the processor, with a generous limit on the clock.

        Errors: TimeoutError when the limit is passed, ChildDied when the child is gone.
        """
        assert self.process.stdin is not None
        started = time.monotonic()
        try:
            send(self.process.stdin, request)
        except OSError as error:
            raise ChildDied from error
        wait_s = limit_s
        while True:
            try:
                frame = self.frames.get(timeout=wait_s)
            except queue.Empty:
                if self.cpu_now_s() - self.cpu_s >= limit_s or time.monotonic() - started >= CLOCK_FACTOR * limit_s:
                    raise TimeoutError from None
                wait_s = max(0.05, min(1.0, limit_s / 4))
                continue
            if frame is None:
                raise ChildDied
            assert isinstance(frame, Answer)
            self.cpu_s = frame.cpu_s
            return frame


class Reader:
    """Reads notes one after another, with a child that is replaced whenever it had to be killed."""

    def __init__(self, options: ReadOptions) -> None:
        self.options = options
        self.child: Child | None = None
        self.peak_mb = 0.0
        self.gone_cpu_s = 0.0

    def start(self) -> Child:
        """A new child that has loaded the grammar.

        Errors: ClusterError when none comes up.
        """
        for _ in range(ATTEMPTS):
            with contextlib.suppress(ChildDied):
                return Child(self.options)
        raise ClusterError(
            "A worker's reading process ends before the grammar is loaded. Give it more memory (--memory-mb) "
            "or run `dictate doctor` there."
        )

    def limit_for(self, note: InputNote) -> float:
        """Processor seconds that a note may take; a recording's depend on its size."""
        if note.path is None:
            return self.options.seconds_per_note
        return RECORDING_BASE_S + RECORDING_FACTOR * os.stat(note.path).st_size / LEAST_BYTES_A_SECOND

    def read(self, note: InputNote) -> Answer:
        """A note's rows, or the reason why it is rejected."""
        if note.fault is not None:
            return Answer(None, note.fault, 0.0)
        if note.path is not None and not os.access(note.path, os.R_OK):
            raise ClusterError(
                f"A worker cannot read {note.path}. Mount the folder of recordings at the same path on "
                "every worker; if the file is gone, run the same command again."
            )
        limit = self.limit_for(note)
        request = Request(note.text, note.path, note.complaint, limit)
        for _ in range(ATTEMPTS):
            child = self.child = self.child or self.start()
            try:
                found = child.ask(request, limit)
            except TimeoutError:
                self.close()
                return Answer(
                    None,
                    Fault("time_limit", f"Reading it took more than {limit:g} s (--seconds-per-note)."),
                    0.0,
                )
            except ChildDied:
                self.close()
                continue
            self.peak_mb = max(self.peak_mb, found.peak_mb)
            if found.stop is not None:
                raise ClusterError(f"A worker cannot read recordings: {found.stop}")
            if found.fault is not None and found.fault.reason == "memory":
                self.close()  # what is left of its memory may be too little for the next note
            return found
        return Answer(None, Fault("crashed", f"The reading process died {ATTEMPTS} times on this note."), 0.0)

    def cpu_s(self) -> float:
        """Processor time of this thread and of all its children so far."""
        return time.thread_time() + self.gone_cpu_s + (self.child.cpu_s if self.child is not None else 0.0)

    def close(self) -> None:
        """Kill the child, if there is one."""
        if self.child is not None:
            self.gone_cpu_s += self.child.cpu_now_s()
            self.child.kill()
            self.child = None


_readers = threading.local()


def _reader_for(options: ReadOptions) -> Reader:
    """This thread's reader; kept between parts so that the grammar is loaded once a worker."""
    reader: Reader | None = getattr(_readers, "reader", None)
    if reader is None or reader.options != options:
        if reader is not None:
            reader.close()
        reader = _readers.reader = Reader(options)
    return reader


def _day(text: str | None) -> date | None:
    """The ISO date at the beginning of a text; None when there is none."""
    with contextlib.suppress(ValueError):
        return date.fromisoformat((text or "")[:10])
    return None


def _note_row(note: InputNote, found: Answer) -> Row:
    """A note's own row in `notes`: who and when, and how much of everything was read."""
    assert found.rows is not None
    facts: dict[str, Any] = {table: len(rows) for table, rows in found.rows.tables.items()}
    facts.update(found.rows.facts, kind=note.kind, date=_day(note.date), clinician=note.clinician)
    return tuple(facts[column] for column in COLUMNS["notes"])


def read_part(part: Part, options: ReadOptions) -> PartResult:
    """Read every note of a part. Runs on a worker; nothing but its return value leaves it."""
    started = time.monotonic()
    reader = _reader_for(options)
    used = reader.cpu_s()
    tables: dict[str, list[Row]] = {table: [] for table in COLUMNS}
    retryable = 0

    def keep(table: str, note: InputNote, row: Row) -> None:
        tables[table].append((note.note_id, note.position, *row, options.grammar_version))

    for note in part.notes:
        found = reader.read(note)
        if found.rows is None:
            assert found.fault is not None
            keep("rejects", note, (note.kind, found.fault.reason, found.fault.detail))
            retryable += note.fault is None
            continue
        for table, rows in found.rows.tables.items():
            for row in rows:
                keep(table, note, row)
        keep("notes", note, _note_row(note, found))
    files = {table: parquet_bytes(table, rows) for table, rows in tables.items()}
    return PartResult(
        number=part.number,
        fingerprint=part.fingerprint,
        files=files,
        rows={table: len(rows) for table, rows in tables.items()},
        seconds=time.monotonic() - started,
        peak_mb=reader.peak_mb,
        worker_mb=peak_mb(),
        cpu_s=reader.cpu_s() - used,
        retryable=retryable,
    )
