"""What an archive holds, as one HTML page with tables and plots (and each as CSV and PNG beside it).

All counting is done by DuckDB over the Parquet files with a bounded memory, so an archive may be larger
than it. Only complete parts are counted.
"""

from __future__ import annotations

import base64
import csv
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import jinja2

from dictate import clinic
from dictate.archive.folder import TABLES, ArchiveFolder
from dictate.archive.plots import PLOTS, draw
from dictate.archive.questions import QUESTIONS, Question
from dictate.archive.tables_sql import ask, connect, make_views
from dictate.errors import InputError, StoreError
from grammar.models import CAUTION

ROWS_ON_PAGE = 200


@dataclass(frozen=True, slots=True)
class Report:
    """Where the page is, and the tables' rows by name."""

    page: Path
    tables: dict[str, list[dict[str, Any]]]


def write_report(folder: Path, out: Path) -> Report:
    """Write index.html, a CSV a table and a PNG a plot into `out`.

    Errors: InputError when `folder` is no archive, StoreError when `out` cannot be written.
    """
    archive = ArchiveFolder(folder)
    record = archive.record() if folder.is_dir() else None
    if record is None:
        raise InputError(f"{folder} is not an archive. Make one with: dictate archive INPUT --out {folder}")
    numbers = [marker.number for marker in archive.markers()]
    if not numbers:
        raise InputError(f"{folder} has no complete part yet. Run `dictate archive` again to continue it.")
    try:
        out.mkdir(parents=True, exist_ok=True)
        with connect() as database:
            files = {table: [str(archive.table_file(table, number)) for number in numbers] for table in TABLES}
            make_views(database, files)
            tables = {question.name: ask(database, question.sql) for question in QUESTIONS}
        sections = [_section(question, tables[question.name], out) for question in QUESTIONS]
        page = out / "index.html"
        page.write_text(_page(record, archive.totals(), sections), encoding="utf-8")
    except OSError as error:
        raise StoreError(f"Cannot write the report in {out}: {error.strerror}. Choose another --out.") from error
    return Report(page, tables)


def named(row: dict[str, Any]) -> dict[str, Any]:
    """A row for people: item, site and side in the catalogue's words (ids that it lacks stay as they are)."""
    if "item" not in row:
        return row
    catalogue = clinic.catalogue()
    item, site, side = row["item"], row["site"], row.get("side")
    label = catalogue.item_label(item, site) if item in catalogue.items else ":".join(filter(None, (item, site)))
    if side and side != "none":
        label = f"{label}, {side}"
    rest = {name: value for name, value in row.items() if name not in ("item", "site", "side")}
    return {"item": label, **rest}


def _cell(column: str, value: Any) -> str:
    """A value as it is shown: rates as per cent, whole numbers with thin spaces between thousands."""
    if value is None:
        return ""
    if isinstance(value, float):
        rate = column.endswith("rate") or column in ("low", "high")
        return f"{100 * value:.1f} %" if rate else f"{value:.1f}"
    if isinstance(value, int):
        return f"{value:,}".replace(",", "\u202f")
    return str(value)


def _section(question: Question, rows: list[dict[str, Any]], out: Path) -> dict[str, Any]:
    """A table with its CSV and its plot, ready for the page."""
    with (out / f"{question.name}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(rows[0] if rows else ())
        writer.writerows(row.values() for row in rows)
    rows = [named(row) for row in rows]
    columns = list(rows[0]) if rows else []
    png = draw(question.name, rows, out)
    shown = rows[:ROWS_ON_PAGE]
    return {
        "name": question.name,
        "title": question.title,
        "about": question.about,
        "png": base64.b64encode(png.read_bytes()).decode() if png else "",
        "alt": PLOTS[question.name][1] if question.name in PLOTS else "",
        "columns": [column.replace("_", " ") for column in columns],
        "numeric": [n for n, column in enumerate(columns) if shown and not isinstance(shown[0][column], str)],
        "rows": [[_cell(column, row[column]) for column in columns] for row in shown],
        "cut": len(rows) if len(rows) > len(shown) else 0,
    }


def _page(record: dict[str, Any], totals: dict[str, int], sections: list[dict[str, Any]]) -> str:
    """The page; everything that comes from notes is escaped."""
    template = resources.files("dictate.archive").joinpath("report.html.j2").read_text("utf-8")
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    head = [(name, _cell(name, totals[name])) for name in TABLES]
    return environment.from_string(template).render(
        source=Path(record["input"]).name,
        grammar_version=record["grammar_version"],
        state=record["state"],
        parts=totals["parts"],
        caution=CAUTION,
        head=head,
        sections=sections,
    )
