"""A DuckDB connection for tables larger than memory: a bounded share of it, the rest on disk."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

MEMORY_LIMIT = "1GB"


@contextmanager
def connect(memory_limit: str = MEMORY_LIMIT) -> Iterator[Any]:
    """An in-memory database that spills into a temporary folder; both are gone afterwards."""
    import duckdb

    with tempfile.TemporaryDirectory(prefix="archive-sql-") as spill:
        database = duckdb.connect(":memory:")
        try:
            ask(database, f"SET memory_limit='{memory_limit}'")
            ask(database, f"SET temp_directory='{spill}'")
            ask(database, "SET preserve_insertion_order=false")
            yield database
        finally:
            database.close()


def make_views(database: Any, files: Mapping[str, Sequence[str]], prefix: str = "") -> None:
    """A view a table over its Parquet files, e.g. `findings`."""
    for table, paths in files.items():
        listed = ", ".join("'" + path.replace("'", "''") + "'" for path in paths)
        ask(database, f"CREATE VIEW {prefix}{table} AS SELECT * FROM read_parquet([{listed}])")


def ask(database: Any, sql: str, values: Sequence[Any] = ()) -> list[dict[str, Any]]:
    """Run a statement to its end; its rows by column name (none for a statement without a result)."""
    found = database.execute(sql, list(values))
    names = [column[0] for column in found.description or ()]
    return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def ask_number(database: Any, sql: str, values: Sequence[Any] = ()) -> int:
    """The single number that a query gives."""
    (row,) = ask(database, sql, values)
    return int(next(iter(row.values())))
