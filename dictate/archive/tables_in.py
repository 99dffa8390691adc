"""Notes out of JSONL, CSV and Parquet files, row by row; a bad row is a note with a fault, never a stop."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, BinaryIO

from dictate.archive.inputs import Fault, InputNote, InputOptions, clean_id, text_fault
from dictate.errors import InputError

MAX_LINE_BYTES = 64 * 1024 * 1024
MAX_FIELD_CHARS = 64 * 1024 * 1024
PARQUET_BATCH_ROWS = 256


def _string(value: object) -> str | None:
    """A column's value as text; null and blank become None."""
    if value is None:
        return None
    text = clean_id(str(value)).strip()
    return text or None


def _complaint(value: object) -> tuple[str, ...]:
    """Add-on ids from a list or from text with `;` or `,` between them."""
    if isinstance(value, list | tuple):
        return tuple(found for one in value if (found := _string(one)))
    text = _string(value) or ""
    return tuple(piece.strip() for piece in text.replace(",", ";").split(";") if piece.strip())


def note_of(record: Mapping[str, Any], position: int, where: str, units: int, options: InputOptions) -> InputNote:
    """A row as a note. A row without an id keeps its place in the file as its id and is rejected."""
    name = _string(record.get(options.id_column))
    common: dict[str, Any] = {
        "position": position,
        "note_id": name or where,
        "date": _string(record.get(options.date_column)),
        "clinician": _string(record.get(options.clinician_column)),
        "complaint": _complaint(record.get(options.complaint_column)),
        "units": units,
    }
    if name is None:
        return InputNote(fault=Fault("bad_record", f"The record has no {options.id_column!r}."), **common)
    if options.text_column not in record:
        return InputNote(fault=Fault("no_text", f"The record has no {options.text_column!r}."), **common)
    text = record[options.text_column]
    fault = text_fault(text, options.max_chars)
    return InputNote(text=None if fault else text, fault=fault, **common)


def _lines(file: BinaryIO) -> Iterator[tuple[int, bytes, int]]:
    """(line number, line, its size); of a line over the limit only the beginning is kept."""
    number = 0
    while line := file.readline(MAX_LINE_BYTES):
        number += 1
        size = len(line)
        if not line.endswith(b"\n"):
            while rest := file.readline(1024 * 1024):
                size += len(rest)
                if rest.endswith(b"\n"):
                    break
        yield number, line, size


def read_jsonl(path: Path, options: InputOptions) -> Iterator[InputNote]:
    """One note a line; blank lines are no records."""
    position = 0
    with path.open("rb") as file:
        for number, line, size in _lines(file):
            if not line.strip():
                continue
            yield _jsonl_note(line, size, position, f"line {number}", options)
            position += 1


def _jsonl_note(line: bytes, size: int, position: int, where: str, options: InputOptions) -> InputNote:
    fault = None
    record: object = None
    if size > len(line):
        fault = Fault("too_long", f"The line has {size} bytes; the limit is {MAX_LINE_BYTES}.")
    else:
        try:
            record = json.loads(line.decode(options.table_encoding))
        except UnicodeDecodeError as error:
            fault = Fault("not_utf8", f"The line is not valid text at byte {error.start} (try --encoding).")
        except (ValueError, RecursionError) as error:
            place = f" at character {error.pos}" if isinstance(error, json.JSONDecodeError) else ""
            fault = Fault("bad_record", f"The line is not valid JSON{place}.")
    if fault is None and not isinstance(record, dict):
        fault = Fault("bad_record", "The line is valid JSON but not an object with named fields.")
    if fault is not None or not isinstance(record, dict):
        return InputNote(position=position, note_id=where, fault=fault, stamp=str(size), units=size)
    return note_of(record, position, where, size, options)


class _Counted(io.RawIOBase):
    """A raw file that knows how many bytes were taken from it (for the progress bar)."""

    def __init__(self, file: BinaryIO) -> None:
        self.file = file
        self.taken = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        count = self.file.readinto(buffer)  # type: ignore[attr-defined]
        self.taken += count
        return int(count)


def _delimiter(heading: str, path: Path) -> str:
    """The separator of a table: a tab in .tsv files, else the commonest of , ; and tab in the heading."""
    return "\t" if path.suffix.lower() == ".tsv" else max(",;\t", key=heading.count)


def read_csv(path: Path, options: InputOptions) -> Iterator[InputNote]:
    """One note a row of a table with a heading.

    Errors: InputError when the heading lacks the columns, or when a quote is never closed (the rest of the
    file would become one field, and the notes in it would be lost).
    """
    csv.field_size_limit(MAX_FIELD_CHARS)
    with path.open("rb", buffering=0) as file:
        counted = _Counted(file)
        stream = io.TextIOWrapper(
            io.BufferedReader(counted, 1 << 16),
            encoding=options.table_encoding,
            errors="surrogateescape",
            newline="",
        )
        heading = stream.readline()
        delimiter = _delimiter(heading, path)
        names = next(csv.reader([heading], delimiter=delimiter), [])
        for needed in (options.id_column, options.text_column):
            if needed not in names:
                raise InputError(
                    f"{path} has no column {needed!r}; it has {', '.join(names) or 'none'}. "
                    "Name the right one with --id-column or --text-column."
                )
        yield from _csv_notes(csv.reader(stream, delimiter=delimiter, strict=True), names, path, counted, options)


def _csv_notes(
    reader: Any, names: list[str], path: Path, counted: _Counted, options: InputOptions
) -> Iterator[InputNote]:
    position, seen = 0, 0
    while True:
        where = f"row at line {reader.line_num + 2}"
        units, seen = counted.taken - seen, counted.taken
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise InputError(
                f"{path}, {where}: {error}. Probably a quote is opened and not closed there; mend that row, "
                "then run the same command again."
            ) from error
        if not row:
            continue
        if len(row) > len(names):
            fault = Fault("bad_record", f"The row has {len(row)} fields, the heading {len(names)}.")
            name = _string(dict(zip(names, row, strict=False)).get(options.id_column))
            stamp = str(sum(len(field) for field in row))
            yield InputNote(position=position, note_id=name or where, fault=fault, stamp=stamp, units=units)
        else:
            yield note_of(dict(zip(names, row, strict=False)), position, where, units, options)
        position += 1


def parquet_rows(path: Path) -> int:
    """The number of rows of a Parquet file, from its footer."""
    return int(_parquet(path).metadata.num_rows)


def _parquet(path: Path) -> Any:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return pq.ParquetFile(path)
    except (pa.ArrowInvalid, OSError) as error:
        raise InputError(f"{path} is not a readable Parquet file ({error}). Write it again.") from error


def read_parquet(path: Path, options: InputOptions) -> Iterator[InputNote]:
    """One note a row; only the needed columns are read, a few hundred rows at a time."""
    file = _parquet(path)
    names = file.schema_arrow.names
    for needed in (options.id_column, options.text_column):
        if needed not in names:
            raise InputError(
                f"{path} has no column {needed!r}; it has {', '.join(names)}. "
                "Name the right one with --id-column or --text-column."
            )
    wanted = (
        options.id_column,
        options.text_column,
        options.date_column,
        options.clinician_column,
        options.complaint_column,
    )
    columns = [name for name in dict.fromkeys(wanted) if name in names]
    position = 0
    for batch in file.iter_batches(batch_size=PARQUET_BATCH_ROWS, columns=columns):
        for record in batch.to_pylist():
            yield note_of(record, position, f"row {position + 1}", 1, options)
            position += 1
