"""Tables: one row a finding and one a slot, as CSV and Parquet, with a data dictionary beside them.

CSV is UTF-8 with a byte order mark, comma separated and fully quoted, lines end with CR LF (RFC 4180), so
that spreadsheet programs open it right. A cell that a spreadsheet would run as a formula gets an apostrophe
before it (OWASP, "CSV injection"); Parquet holds the value itself. An empty cell means "not said", never
"normal".
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from dictate.exports.extras import need
from dictate.exports.subject import STATUS_WORDS, ExportInput
from dictate.exports.wording import item_label, station_of
from grammar.models import Code, Finding, Slot

# Column -> (type, meaning). The order is the order in the files.
COMMON = {
    "examination_id": ("text", "the examination, as its store numbers it"),
    "patient_ref": ("text", "the clinic's own reference of the patient"),
    "started_at": ("text", "start of the examination, ISO 8601 with zone"),
    "note_status": ("text", "draft, signed or amended"),
    "marking": ("text", "the same in words; DRAFT means that nobody has signed"),
}
FINDING_COLUMNS = {
    **COMMON,
    "finding": ("integer", "number of the finding in its note, from 0; queries point to it"),
    "station": ("text", "standing, arms, face, couch or addon"),
    "item": ("text", "identifier of the catalogue"),
    "site": ("text", "site of the item; empty when it has none"),
    "side": ("text", "right, left, both, none (midline) or unstated (never guessed)"),
    "status": ("text", "normal, abnormal, equivocal or not_examined"),
    "grade": ("text", "grade on the item's scale; empty when none was said"),
    "descriptors": ("text", "what was described, separated by spaces"),
    "qualifiers": ("text", "severity and other qualifying words, separated by semicolons"),
    "reason": ("text", "why it was not examined, when a reason was said"),
    "label": ("text", "item and site in words"),
    "words": ("text", "the words of the clinician"),
    "start_char": ("integer", "start of the words in the transcript, characters from 0"),
    "end_char": ("integer", "end of the words, exclusive"),
    "start_s": ("number", "start of the words in the recording, seconds"),
    "end_s": ("number", "end of the words in the recording, seconds"),
    "confidence": ("number", "lowest word confidence of the recogniser, 0 to 1"),
    "hpo": ("text", "HPO terms of an abnormal finding, separated by spaces"),
    "hpo_excluded": ("text", "HPO terms that a normal finding rules out"),
    "hpo_modifiers": ("text", "HPO modifiers of those terms (side, severity)"),
    "icd10cm": ("text", "ICD-10-CM sign codes"),
    "other_codes": ("text", "codes of further systems, SYSTEM:CODE"),
}
SLOT_COLUMNS = {
    **COMMON,
    "station": ("text", "standing, arms, face, couch or addon"),
    "item": ("text", "identifier of the catalogue"),
    "site": ("text", "site of the item; empty when it has none"),
    "side": ("text", "right, left or none (midline)"),
    "state": (
        "text",
        "recorded, recorded_by_summary, not_examined, side_unstated, asked_no_result or missing",
    ),
    "required_by": ("text", "core_screen or the add-on that asks for it"),
    "reason": ("text", "why it was not examined, when a reason was said"),
    "label": ("text", "item and site in words"),
}
TABLES = {"findings": FINDING_COLUMNS, "slots": SLOT_COLUMNS}
Row = dict[str, Any]
BATCH = 5000
# The full-width forms too: spreadsheets of some locales read them like the plain ones.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
FILES = ("findings.csv", "findings.parquet", "slots.csv", "slots.parquet", "data_dictionary.csv")


def write_tables(subjects: Iterable[ExportInput], folder: Path) -> list[Path]:
    """Write findings and slots as CSV and Parquet, and the data dictionary, into a folder.

    Examinations are read one by one and rows leave memory in batches, however many there are.
    """
    makers = {"findings": finding_rows, "slots": slot_rows}
    with ExitStack() as open_files:
        tables = {name: open_files.enter_context(_Table(name, folder)) for name in makers}
        for subject in subjects:
            for name, maker in makers.items():
                for row in maker(subject):
                    tables[name].add(row)
    dictionary = folder / "data_dictionary.csv"
    dictionary.write_bytes(csv_bytes(["table", "column", "type", "meaning"], dictionary_rows()))
    return [*(path for table in tables.values() for path in table.paths), dictionary]


class _Table:
    """One table being written in both forms."""

    def __init__(self, name: str, folder: Path) -> None:
        self.columns = TABLES[name]
        self.paths = (folder / f"{name}.csv", folder / f"{name}.parquet")
        self._rows: list[Row] = []
        self._arrow = need("pyarrow", "tables as Parquet")
        self._parquet = need("pyarrow.parquet", "tables as Parquet")

    def __enter__(self) -> _Table:
        types = {
            "text": self._arrow.string(),
            "integer": self._arrow.int64(),
            "number": self._arrow.float64(),
        }
        self._schema = self._arrow.schema([(name, types[kind]) for name, (kind, _) in self.columns.items()])
        self._csv = self.paths[0].open("wb")
        self._csv.write(csv_bytes(list(self.columns), []))
        self._writer = self._parquet.ParquetWriter(self.paths[1], self._schema)
        return self

    def add(self, row: Row) -> None:
        self._rows.append(row)
        if len(self._rows) >= BATCH:
            self._flush()

    def _flush(self) -> None:
        lines = csv_bytes(list(self.columns), self._rows)
        self._csv.write(lines[lines.index(b"\r\n") + 2 :])
        self._writer.write_table(self._arrow.Table.from_pylist(self._rows, schema=self._schema))
        self._rows.clear()

    def __exit__(self, *exception: object) -> None:
        if self._rows:
            self._flush()
        self._writer.close()
        self._csv.close()


def finding_rows(subject: ExportInput) -> Iterable[Row]:
    """One row for each finding, keys as in FINDING_COLUMNS."""
    for number, finding in enumerate(subject.note.findings):
        yield {**_common(subject), "finding": number, **_finding(finding)}


def slot_rows(subject: ExportInput) -> Iterable[Row]:
    """One row for each required slot, keys as in SLOT_COLUMNS."""
    for slot in subject.note.slots:
        yield {**_common(subject), **_slot(slot)}


def dictionary_rows() -> list[Row]:
    """What every column of every table means."""
    return [
        {"table": table, "column": column, "type": kind, "meaning": meaning}
        for table, columns in TABLES.items()
        for column, (kind, meaning) in columns.items()
    ]


def csv_bytes(columns: Sequence[str], rows: Iterable[Row]) -> bytes:
    """Rows as CSV that spreadsheet programs open right and never run."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row[column]) for column in columns])
    return b"\xef\xbb\xbf" + out.getvalue().encode("utf-8")


def _cell(value: object) -> str:
    """The value as text; an apostrophe keeps what starts like a formula from being one."""
    if value is None:
        return ""
    text = str(value).replace("\x00", "\N{REPLACEMENT CHARACTER}")
    if isinstance(value, str) and text.lstrip(" ")[:1] in FORMULA_STARTS:
        return "'" + text
    return text


def _common(subject: ExportInput) -> Row:
    return {
        "examination_id": subject.examination_id,
        "patient_ref": subject.patient_ref,
        "started_at": subject.started_at.isoformat(),
        "note_status": subject.status,
        "marking": STATUS_WORDS[subject.status],
    }


def _finding(finding: Finding) -> Row:
    return {
        "station": station_of(finding.item),
        "item": finding.item,
        "site": finding.site,
        "side": finding.side,
        "status": finding.status,
        "grade": finding.grade,
        "descriptors": " ".join(finding.descriptors),
        "qualifiers": "; ".join(finding.qualifiers),
        "reason": finding.reason,
        "label": item_label(finding.item, finding.site),
        "words": finding.text,
        "start_char": finding.start_char,
        "end_char": finding.end_char,
        "start_s": finding.start_s,
        "end_s": finding.end_s,
        "confidence": finding.confidence,
        **_codes(finding.codes),
    }


def _codes(codes: tuple[Code, ...]) -> Row:
    hpo = [code for code in codes if code.system == "HPO"]
    icd = [code.code for code in codes if code.system == "ICD-10-CM"]
    other = [
        f"{code.system}:{code.code}" + (" (excluded)" if code.excluded else "")
        for code in codes
        if code.system not in ("HPO", "ICD-10-CM")
    ]
    return {
        "hpo": " ".join(code.code for code in hpo if not (code.excluded or code.modifier)),
        "hpo_excluded": " ".join(code.code for code in hpo if code.excluded),
        "hpo_modifiers": " ".join(code.code for code in hpo if code.modifier),
        "icd10cm": " ".join(icd),
        "other_codes": " ".join(other),
    }


def _slot(slot: Slot) -> Row:
    return {
        "station": station_of(slot.item),
        "item": slot.item,
        "site": slot.site,
        "side": slot.side,
        "state": slot.state,
        "required_by": slot.required_by,
        "reason": slot.reason,
        "label": item_label(slot.item, slot.site),
    }
