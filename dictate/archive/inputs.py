"""The input of an archive run as a stream of notes: a folder of files, a JSONL, CSV or Parquet file.

Only one note (or one small batch) is in memory at a time. Whatever cannot be a note is not skipped: it comes
out with a `fault`, so that every record that went in is counted at the end. The order is fixed by the input
(folders by name), which is what makes a run restartable.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from dictate.errors import InputError
from dictate.reading import decode

TEXT_SUFFIXES = (".txt",)
RECORDING_SUFFIXES = (".wav", ".flac")
TABLE_SUFFIXES = (".jsonl", ".ndjson", ".csv", ".tsv", ".parquet")

# A date written into a file name: 2024-03-05, 2024_03_05 or 20240305.
_DATE_IN_NAME = re.compile(r"(?<!\d)((?:19|20)\d\d)([-_]?)(0[1-9]|1[0-2])\2(0[1-9]|[12]\d|3[01])(?!\d)")

_SURROGATE = re.compile("[\ud800-\udfff]")
_CONTROL = re.compile(r"[\x01-\x08\x0e-\x1f\x7f-\x84\x86-\x9f]")

FaultReason = Literal[
    "empty",
    "no_text",
    "too_long",
    "binary",
    "not_utf8",
    "bad_record",
    "unknown_kind",
    "unreadable_file",
    "time_limit",
    "memory",
    "crashed",
    "parser_fault",
    "recording_fault",
]


@dataclass(frozen=True, slots=True)
class Fault:
    """Why a note cannot be read: a short code to count by, and a sentence that never quotes the note."""

    reason: FaultReason
    detail: str


@dataclass(frozen=True, slots=True)
class InputNote:
    """One record of the input. `units` is its share of the input's size, for the progress bar."""

    position: int
    note_id: str
    kind: Literal["text", "recording"] = "text"
    text: str | None = None
    path: str | None = None
    stamp: str = ""
    date: str | None = None
    clinician: str | None = None
    complaint: tuple[str, ...] = ()
    fault: Fault | None = None
    units: int = 1


@dataclass(frozen=True, slots=True)
class InputOptions:
    """How to find the id, the text and the optional columns, and what is too long to be a note.

    Without an encoding, tables are UTF-8 and text files are read as `dictate read` reads them.
    """

    id_column: str = "id"
    text_column: str = "text"
    date_column: str = "date"
    clinician_column: str = "clinician"
    complaint_column: str = "complaint"
    clinician_folder: bool = False
    encoding: str = ""
    max_chars: int = 1_000_000

    @property
    def table_encoding(self) -> str:
        """The encoding of JSONL and CSV files."""
        return self.encoding or "utf-8-sig"


def clean_id(value: str) -> str:
    """The id as storable text: bytes of a file name that are not UTF-8 become visible escapes."""
    return value.encode("utf-8", "backslashreplace").decode("utf-8")


def text_fault(text: object, max_chars: int) -> Fault | None:
    """What keeps `text` from being read as a note, or None when nothing does."""
    if text is None:
        return Fault("no_text", "The record has no text.")
    if not isinstance(text, str):
        return Fault("no_text", f"The text is not a string but {type(text).__name__}.")
    if not text.strip():
        return Fault("empty", "The text is empty.")
    if len(text) > max_chars:
        return Fault("too_long", f"The text has {len(text)} characters; the limit is {max_chars} (--max-chars).")
    if _SURROGATE.search(text):
        return Fault("not_utf8", "The text holds bytes that are not valid text (try --encoding).")
    if "\0" in text or len(_CONTROL.findall(text)) * 10 > len(text):
        return Fault("binary", "The text looks like binary data.")
    return None


def date_in(name: str) -> str | None:
    """The first date written in a file name, as YYYY-MM-DD."""
    found = _DATE_IN_NAME.search(name)
    return f"{found[1]}-{found[3]}-{found[4]}" if found else None


def walk(folder: Path) -> Iterator[Path]:
    """Every file below a folder, in the order of names; one folder's names are in memory at a time."""
    try:
        with os.scandir(folder) as found:
            entries = sorted((e.name, e.is_dir(follow_symlinks=False)) for e in found)
    except OSError as error:
        raise InputError(f"Cannot list the folder {folder}: {error.strerror}. Mend its permissions.") from error
    for name, is_folder in entries:
        path = folder / name
        if is_folder:
            yield from walk(path)
        else:
            yield path


def read_folder(folder: Path, options: InputOptions) -> Iterator[InputNote]:
    """One note for every file below the folder; files of an unknown kind come out with a fault."""
    for position, path in enumerate(walk(folder)):
        inside = path.relative_to(folder)
        suffix = path.suffix.lower()
        common: dict[str, Any] = {
            "position": position,
            "note_id": clean_id(inside.as_posix()),
            "date": date_in(path.name),
            "clinician": clean_id(inside.parts[0]) if options.clinician_folder and len(inside.parts) > 1 else None,
        }
        try:
            facts = path.stat()
            if not stat.S_ISREG(facts.st_mode):
                yield InputNote(fault=Fault("unreadable_file", "It is no regular file (links to folders "
                                                               "are not followed)."), **common)  # fmt: skip
            elif suffix in TEXT_SUFFIXES:
                yield _text_file(path, options, common)
            elif suffix not in RECORDING_SUFFIXES:
                yield InputNote(fault=Fault("unknown_kind", "The file is neither .txt nor .wav nor .flac."), **common)
            elif not os.access(path, os.R_OK):
                yield InputNote(fault=Fault("unreadable_file", "The file cannot be read: no permission."), **common)
            else:
                stamp = f"{facts.st_size}:{facts.st_mtime_ns}"
                yield InputNote(kind="recording", path=str(path.resolve()), stamp=stamp, **common)
        except OSError as error:
            yield InputNote(fault=Fault("unreadable_file", f"The file cannot be read: {error.strerror}."), **common)


def _text_file(path: Path, options: InputOptions, common: dict[str, Any]) -> InputNote:
    """A text file as a note; never more than the longest possible note is loaded."""
    limit = options.max_chars * 4 + 4
    with path.open("rb") as file:
        data = file.read(limit)
        size = os.fstat(file.fileno()).st_size
    if size >= limit:
        too_long = Fault("too_long", f"The file has {size} bytes; the limit is {options.max_chars} characters.")
        return InputNote(fault=too_long, stamp=str(size), **common)
    text = data.decode(options.encoding, "surrogateescape") if options.encoding else decode(data)
    fault = text_fault(text, options.max_chars)
    return InputNote(text=None if fault else text, fault=fault, stamp=str(size) if fault else "", **common)


def input_size(path: Path) -> int:
    """The size of the input in the units that notes carry: files, bytes or rows."""
    if path.is_dir():
        return sum(1 for _ in walk(path))
    if path.suffix.lower() == ".parquet":
        from dictate.archive.tables_in import parquet_rows

        return parquet_rows(path)
    return path.stat().st_size


def open_input(path: Path, options: InputOptions) -> Iterator[InputNote]:
    """The notes of any supported input.

    Errors: InputError when the path does not exist, is of another kind or lacks the columns.
    """
    if path.is_dir():
        return read_folder(path, options)
    if not path.is_file():
        raise InputError(f"Input {path} does not exist. Give a folder or a {', '.join(TABLE_SUFFIXES)} file.")
    from dictate.archive import tables_in

    suffix = path.suffix.lower()
    if suffix in (".jsonl", ".ndjson"):
        return tables_in.read_jsonl(path, options)
    if suffix in (".csv", ".tsv"):
        return tables_in.read_csv(path, options)
    if suffix == ".parquet":
        return tables_in.read_parquet(path, options)
    raise InputError(
        f"Input {path} is of an unknown kind. Give a folder of .txt, .wav and .flac files or a "
        f"{', '.join(TABLE_SUFFIXES)} file."
    )
