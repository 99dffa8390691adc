"""The output folder of an archive run: what is in it is always complete, whenever the run was killed.

    FOLDER/
      run.json                      what is read with which grammar, and the totals once all is done
      parts/part-000000.json        marker of a complete part: its fingerprint, counts and file sizes
      findings/part-000000.parquet  (and slots, queries, unread, notes, rejects)
      rejects.csv                   every rejected note with its reason, written at the end

Files are written under a temporary name, flushed to the disk and renamed. A part's marker goes last, and goes
away first when the part is read again. So a part counts only when all of its tables are in place.
"""

from __future__ import annotations

import csv
import errno
import json
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any

from dictate.archive.parts import Part
from dictate.archive.reader import PartResult
from dictate.archive.rows import COLUMNS
from dictate.errors import StoreError

FORMAT = 1
TABLES = tuple(COLUMNS)
TEMPORARY = ".tmp"

try:
    import fcntl
except ImportError:  # Windows: two runs on one folder are then not prevented
    fcntl = None  # type: ignore[assignment]


@dataclass(frozen=True, slots=True)
class Marker:
    """What is known of a complete part."""

    number: int
    fingerprint: str
    grammar_version: str
    rows: dict[str, int]
    sizes: dict[str, int]
    retryable: int = 0


def cannot_write(path: Path, error: OSError) -> StoreError:
    """The sentence for a disk that is full or a folder that cannot be written."""
    problem = "The disk is full" if error.errno in (errno.ENOSPC, errno.EDQUOT) else error.strerror
    return StoreError(
        f"{problem}: cannot write {path}. Make room or mend the permissions, then run the same command "
        "again; it continues after the last complete part."
    )


def write_file(path: Path, data: bytes) -> None:
    """Put a whole file in place, or leave what was there.

    Errors: StoreError when the disk is full or the folder cannot be written.
    """
    temporary = path.with_name(path.name + TEMPORARY)
    try:
        with temporary.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise cannot_write(path, error) from error


def sync_folder(folder: Path) -> None:
    """Make renames in a folder last through a loss of power (where the system can)."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        raise cannot_write(folder, error) from error


def _plain(value: object) -> object:
    """A cell that no spreadsheet takes for a formula (OWASP, CSV Injection)."""
    return f"'{value}" if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")) else value


class ArchiveFolder:
    """An archive on disk. One run at a time may write it (`lock`)."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock: IO[str] | None = None

    def prepare(self) -> None:
        """Make the folders, take the lock and remove what a killed run left half written."""
        try:
            for name in ("parts", *TABLES):
                (self.path / name).mkdir(parents=True, exist_ok=True)
            self._lock = (self.path / ".lock").open("w")
            if fcntl is not None:
                fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise StoreError(f"Another run is writing {self.path}. Wait for it or choose another --out.") from error
        except OSError as error:
            raise StoreError(f"Cannot write in {self.path}: {error.strerror}. Choose another --out.") from error
        for name in ("parts", *TABLES):
            for left in (self.path / name).glob(f"*{TEMPORARY}"):
                left.unlink(missing_ok=True)

    def release(self) -> None:
        """Give the lock back."""
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def record(self) -> dict[str, Any] | None:
        """What run.json says; None when there is none yet."""
        path = self.path / "run.json"
        try:
            found = json.loads(path.read_text("utf-8"))
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            raise StoreError(f"{path} cannot be read. Put it back from a copy or choose another --out.") from error
        if not isinstance(found, dict) or found.get("format") != FORMAT:
            raise StoreError(f"{path} is not of format {FORMAT}. Choose another --out.")
        return found

    def write_record(self, record: dict[str, Any]) -> None:
        """Replace run.json."""
        text = json.dumps({"format": FORMAT, **record}, indent=2, ensure_ascii=False)
        write_file(self.path / "run.json", text.encode())
        sync_folder(self.path)

    def table_file(self, table: str, number: int) -> Path:
        """The file of a table for a part."""
        return self.path / table / f"part-{number:06d}.parquet"

    def marker_file(self, number: int) -> Path:
        """The file that says that a part is complete."""
        return self.path / "parts" / f"part-{number:06d}.json"

    def marker(self, number: int) -> Marker | None:
        """The marker of a part; None when the part is not complete or its files are not whole."""
        try:
            found = Marker(**json.loads(self.marker_file(number).read_text("utf-8")))
            whole = all(self.table_file(t, number).stat().st_size == found.sizes[t] for t in TABLES)
        except (OSError, ValueError, TypeError, KeyError):
            return None
        return found if whole and found.number == number else None

    def holds(self, part: Part, grammar_version: str, *, retry: bool) -> bool:
        """Whether a part is already read, from the same notes and with this grammar."""
        found = self.marker(part.number)
        if found is None or (retry and found.retryable):
            return False
        return (found.fingerprint, found.grammar_version) == (part.fingerprint, grammar_version)

    def save(self, result: PartResult, grammar_version: str) -> None:
        """Put a part's tables in place, then its marker."""
        self.marker_file(result.number).unlink(missing_ok=True)
        for table, data in result.files.items():
            write_file(self.table_file(table, result.number), data)
            sync_folder(self.path / table)
        marker = Marker(
            number=result.number,
            fingerprint=result.fingerprint,
            grammar_version=grammar_version,
            rows=result.rows,
            sizes={table: len(data) for table, data in result.files.items()},
            retryable=result.retryable,
        )
        write_file(self.marker_file(result.number), json.dumps(asdict(marker), sort_keys=True).encode())
        sync_folder(self.path / "parts")

    def drop_after(self, count: int) -> int:
        """Remove parts that the input no longer has; returns how many there were."""
        dropped = 0
        for path in (self.path / "parts").glob("part-*.json"):
            if (number := int(path.stem.removeprefix("part-"))) >= count:
                path.unlink()
                dropped += 1
                for table in TABLES:
                    self.table_file(table, number).unlink(missing_ok=True)
        return dropped

    def markers(self) -> Iterator[Marker]:
        """The complete parts in order, one at a time."""
        for path in sorted((self.path / "parts").glob("part-*.json")):
            found = self.marker(int(path.stem.removeprefix("part-")))
            if found is not None:
                yield found

    def totals(self) -> dict[str, int]:
        """Rows of every table and the number of complete parts."""
        counts = dict.fromkeys((*TABLES, "parts"), 0)
        for marker in self.markers():
            counts["parts"] += 1
            for table in TABLES:
                counts[table] += marker.rows[table]
        return counts

    def write_rejects(self) -> None:
        """All rejected notes with their reasons as one CSV file, part by part."""
        import pyarrow.parquet as pq

        target = self.path / "rejects.csv"
        temporary = target.with_name(target.name + TEMPORARY)
        columns = ("note_id", "position", *COLUMNS["rejects"])
        try:
            with temporary.open("w", encoding="utf-8", newline="") as file:
                writer = csv.writer(file)
                writer.writerow(columns)
                for marker in self.markers():
                    if marker.rows["rejects"]:
                        table = pq.read_table(self.table_file("rejects", marker.number), columns=list(columns))
                        writer.writerows([_plain(value) for value in row.values()] for row in table.to_pylist())
            temporary.replace(target)
        except OSError as error:
            temporary.unlink(missing_ok=True)
            raise cannot_write(target, error) from error
