"""The Parquet tables of an archive: their columns with types, and rows turned into the bytes of a file.

The bytes depend on the rows alone (no time, host or path is written), so a part read again is the same file.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from dictate.archive.rows import COLUMNS, Row
from grammar.models import CAUTION

_TEXTS = pa.list_(pa.string())
# `excluded` and `modifier` must travel with a code: a term that a normal finding rules out is no sign.
_CODE = [(name, pa.string()) for name in ("system", "code", "display")]
_CODES = pa.list_(pa.struct([*_CODE, ("excluded", pa.bool_()), ("modifier", pa.bool_())]))
_INTEGERS = {
    "row",
    "start_char",
    "end_char",
    "chars",
    "words",
    "slots",
    "unread",
    "unread_words",
    "withdrawn",
    "context",
}
_FLOATS = {"start_s", "end_s", "confidence", "seconds"}


def _type_of(table: str, column: str) -> pa.DataType:
    if column in _INTEGERS or (table == "notes" and column in ("findings", "queries")):
        return pa.int32()
    if column in _FLOATS:
        return pa.float64()
    if column in ("descriptors", "qualifiers", "complaint"):
        return _TEXTS
    if (table, column) == ("queries", "findings"):
        return pa.list_(pa.int32())
    if column == "codes":
        return _CODES
    return pa.date32() if column == "date" else pa.string()


def schema_of(table: str) -> pa.Schema:
    """The columns of a table, with the caution in the file's metadata."""
    fields = [pa.field("note_id", pa.string()), pa.field("position", pa.int64())]
    fields += [pa.field(column, _type_of(table, column)) for column in COLUMNS[table]]
    fields.append(pa.field("grammar_version", pa.string()))
    return pa.schema(fields, metadata={"caution": CAUTION})


SCHEMAS = {table: schema_of(table) for table in COLUMNS}


def parquet_bytes(table: str, rows: Sequence[Row]) -> bytes:
    """The rows as one Parquet file. Each row has a value for every column of the table's schema."""
    schema = SCHEMAS[table]
    columns: list[Sequence[Any]] = list(zip(*rows, strict=True)) if rows else [()] * len(schema)
    arrays = [pa.array(values, type=field.type) for values, field in zip(columns, schema, strict=True)]
    sink = pa.BufferOutputStream()
    pq.write_table(pa.Table.from_arrays(arrays, schema=schema), sink, compression="zstd")
    return bytes(sink.getvalue())
