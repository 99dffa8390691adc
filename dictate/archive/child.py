"""The process that parses: one note in, its rows out, until its input closes or somebody kills it.

Started by reader.py as `python -m dictate.archive.child PARSER MEMORY_MB ENGINE MODEL`; what is said
between the two is in frames.py. The grammar and the recogniser are loaded once. It keeps its own guard as
well: a processor-time limit set anew for each note, an address-space limit, and an end when its parent is
gone.
"""

from __future__ import annotations

import importlib
import os
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from dictate.archive.frames import Answer, Hello, Request, peak_mb, receive, send
from dictate.archive.inputs import Fault
from dictate.archive.rows import NoteRows, rows_of
from dictate.errors import DictateError

try:
    import resource
except ImportError:  # not on Windows: there only the parent's watch remains
    resource = None  # type: ignore[assignment]


def place_of(error: BaseException) -> str:
    """Where an error was raised, as file:line; its message is left out because it may quote the note."""
    trace = error.__traceback__
    if trace is None:
        return "an unknown place"
    while trace.tb_next is not None:
        trace = trace.tb_next
    path = Path(trace.tb_frame.f_code.co_filename)
    return f"{path.parent.name}/{path.name}:{trace.tb_lineno}"


def load_parser(dotted: str) -> tuple[Callable[..., Any], str]:
    """The parse function named `module:function`, and the GRAMMAR_VERSION of that module."""
    module_name, function = dotted.split(":")
    module = importlib.import_module(module_name)
    return getattr(module, function), str(module.GRAMMAR_VERSION)


def watch_parent() -> None:
    """End this process within a second of its parent's end, whatever the main thread is doing."""
    parent = os.getppid()

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(1)
        os._exit(3)

    threading.Thread(target=watch, daemon=True).start()


def limit_memory(memory_mb: int) -> None:
    """Let an allocation beyond the limit fail (MemoryError) instead of filling the machine."""
    if resource is not None and memory_mb > 0:
        size = memory_mb * 1024 * 1024
        resource.setrlimit(resource.RLIMIT_AS, (size, size))


def limit_processor(seconds: float) -> None:
    """Have the kernel end this process when the current note takes more than `seconds` of processor time."""
    if resource is not None:
        soft = int(time.process_time() + seconds) + 5
        resource.setrlimit(resource.RLIMIT_CPU, (soft, resource.getrlimit(resource.RLIMIT_CPU)[1]))


class Desk:
    """Everything loaded once: the parser and, at the first recording, the recogniser."""

    def __init__(self, parser: str, engine: str, model: str) -> None:
        self.parse, self.version = load_parser(parser)
        self.engine_name, self.model = engine or None, model or None
        self.engine: Any = None
        self.parse("")

    def read(self, request: Request) -> NoteRows:
        """The rows of a transcript or of a recording."""
        if request.path is None:
            result = self.parse(request.text or "", complaint=request.complaint)
            return rows_of(result.note)
        return self.hear(Path(request.path), request.complaint)

    def hear(self, path: Path, complaint: tuple[str, ...]) -> NoteRows:
        """Recognise a recording and read what was said.

        Errors: NoRecogniser when none can be opened here.
        """
        from dictate.engines.choose import choose_engine
        from dictate.hearing import hear_file

        if self.engine is None:
            try:
                self.engine = choose_engine(self.engine_name, self.model)
            except DictateError as error:
                raise NoRecogniser(str(error)) from error
        heard = hear_file(path, engine=self.engine, complaint=complaint)
        return rows_of(heard.note, seconds=heard.duration_s, engine=str(self.engine.name))


class NoRecogniser(Exception):
    """No recording can be read in this process."""


def answer(desk: Desk, request: Request) -> Answer:
    """One note read; any error of the parser or the recogniser becomes the reason of its rejection."""
    try:
        return Answer(desk.read(request), None, peak_mb())
    except MemoryError:
        return Answer(None, Fault("memory", "Reading it needs more memory than allowed (--memory-mb)."), peak_mb())
    except NoRecogniser as error:
        return Answer(None, None, peak_mb(), stop=str(error))
    except Exception as error:
        name = type(error).__name__
        if isinstance(error, DictateError):
            fault = Fault("recording_fault", str(error))
        elif request.path is not None:
            fault = Fault("recording_fault", f"The recording cannot be read: {name} at {place_of(error)}.")
        else:
            fault = Fault("parser_fault", f"The parser failed: {name} at {place_of(error)}.")
        return Answer(None, fault, peak_mb())


def main(arguments: list[str]) -> None:
    """Answer requests from standard input until it closes; stray prints go to standard error."""
    parser, memory_mb, engine, model = arguments
    source = sys.stdin.buffer
    sink = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    watch_parent()
    limit_memory(int(memory_mb))
    try:
        desk = Desk(parser, engine, model)
    except Exception as error:
        send(sink, Hello("", fault=f"{type(error).__name__}: {error}"))
        return
    send(sink, Hello(desk.version, time.process_time()))
    while (request := receive(source)) is not None:
        limit_processor(request.cpu_s)
        send(sink, replace(answer(desk, request), cpu_s=time.process_time()))


if __name__ == "__main__":
    main(sys.argv[1:])
