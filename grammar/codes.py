"""Finding -> codes: HPO terms with modifiers, ICD-10-CM sign codes, LOINC headings, a clinic's own table.

The tables are CSV files (format: data/codes/README.md), read once and kept as dictionaries. A normal
finding gives the terms it rules out, marked `excluded`; an equivocal finding and one that was not examined
give no code at all.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from grammar.errors import DataError, Fault
from grammar.models import Code, Note, Side, Status

Line = TypeVar("Line", bound=BaseModel)

FOLDER = Path(__file__).parent / "data" / "codes"
CATALOGUE = Path(__file__).parent / "data" / "protocols" / "catalogue.toml"
SHIPPED = ("hpo.csv", "icd10cm.csv")
PASSPORT = ("source", "version", "date", "licence", "system")
NO_CODE = "none"
# Descriptors that stand for a grade, see `_by_grade`.
GRADE_WORDS = ("gcs_13_15", "gcs_9_12", "gcs_3_8")
REFLEX_GRADES = {"4+": "brisk", "0": "absent", "trace": "reduced", "1+": "reduced"}


class Row(BaseModel):
    """One line of a code table."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    item: str = Field(min_length=1)
    site: str = ""
    descriptor: str = ""
    status: Literal["abnormal", "normal", "either"] = "abnormal"
    side: Literal["any", "right", "left", "both", "unstated"] = "any"
    code: str = Field(min_length=1)
    name: str = Field(min_length=1)
    match: Literal["exact", "broader"] = "exact"


class Modifier(BaseModel):
    """One line of the HPO modifier table: a side or a word of severity and its term."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    kind: Literal["side", "severity"]
    word: str = Field(min_length=1)
    code: str = Field(pattern=r"^HP:\d{7}$")
    name: str = Field(min_length=1)


class Heading(BaseModel):
    """One line of the LOINC table: a code for the document or a section, and how it was checked."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    use: str = Field(min_length=1)
    code: str = Field(pattern=r"^\d{1,7}-\d$")
    name: str = Field(min_length=1)
    checked: str = Field(min_length=1)


@dataclass(frozen=True, eq=False)
class CodeTable:
    """A code table ready for look-up: its passport and its rows by (item, site, descriptor)."""

    system: str
    passport: Mapping[str, str]
    rows: tuple[Row, ...]
    index: Mapping[tuple[str, str, str], tuple[Row, ...]]

    def present(self, item: str, site: str, side: Side, words: Sequence[str]) -> tuple[Row, ...]:
        """Rows for an abnormal finding: by descriptor, else without one; a site may fall back to none."""
        found = [row for word in words for row in self._pick(item, site, word, "normal")]
        if not found:
            found = list(self._pick(item, site, "", "normal"))
        return tuple(row for row in found if row.code != NO_CODE and row.side in ("any", side))

    def excluded(self, item: str, site: str, side: Side, words: Sequence[str]) -> tuple[Row, ...]:
        """Rows that a normal finding rules out: only those for exactly this item and site."""
        for chosen in (words, ("",)):
            rows = [row for word in chosen for row in self.index.get((item, site, word), ())]
            rows = [row for row in rows if row.status != "abnormal" and row.side in ("any", side)]
            if rows:
                return tuple(row for row in rows if row.code != NO_CODE)
        return ()

    def _pick(self, item: str, site: str, word: str, unwanted: str) -> tuple[Row, ...]:
        for place in dict.fromkeys((site, "")):
            rows = tuple(r for r in self.index.get((item, place, word), ()) if r.status != unwanted)
            if rows:
                return rows
        return ()


def load_table(path: Path, *, known: bool = True) -> CodeTable:
    """Read and check one code table.

    Args:
        path: a CSV file in the format of data/codes/README.md.
        known: also check that item, site and descriptor exist in the catalogue.

    Raises:
        DataError: the table cannot be used; every fault is listed with file, line and mend.
    """
    passport, lines, faults = _read(path)
    rows, bad = _validated(path, lines, Row)
    faults += bad
    if known:
        faults += [fault for number, row in rows for fault in _unknown(path, number, row)]
    faults += _repeated(path, rows)
    if faults:
        raise DataError(faults)
    index: dict[tuple[str, str, str], list[Row]] = {}
    for _, row in rows:
        index.setdefault((row.item, row.site, row.descriptor), []).append(row)
    return CodeTable(
        system=passport["system"],
        passport=passport,
        rows=tuple(row for _, row in rows),
        index={key: tuple(value) for key, value in index.items()},
    )


@lru_cache(maxsize=1)
def shipped_tables() -> tuple[CodeTable, ...]:
    """The tables of this package: HPO, then ICD-10-CM."""
    return tuple(load_table(FOLDER / name) for name in SHIPPED)


@lru_cache(maxsize=1)
def modifiers() -> tuple[Modifier, ...]:
    """The HPO modifiers for side and severity."""
    path = FOLDER / "hpo_modifiers.csv"
    _, lines, faults = _read(path)
    rows, bad = _validated(path, lines, Modifier)
    if faults or bad:
        raise DataError(faults + bad)
    return tuple(row for _, row in rows)


@lru_cache(maxsize=1)
def headings() -> Mapping[str, Heading]:
    """The LOINC codes by use: "document" and "section"."""
    path = FOLDER / "loinc.csv"
    _, lines, faults = _read(path)
    rows, bad = _validated(path, lines, Heading)
    if faults or bad:
        raise DataError(faults + bad)
    return {row.use: row for _, row in rows}


def loinc(use: str) -> Code:
    """The LOINC code for the document ("document") or its section ("section")."""
    row = headings()[use]
    return Code(system="LOINC", code=row.code, display=row.name)


@lru_cache(maxsize=20_000)
def codes_for(
    item: str,
    site: str | None,
    side: Side,
    status: Status,
    descriptors: tuple[str, ...] = (),
    qualifiers: tuple[str, ...] = (),
    *,
    grade: str | None = None,
    tables: tuple[CodeTable, ...] | None = None,
) -> tuple[Code, ...]:
    """The codes of one finding, in the order of the tables; HPO modifiers follow the HPO terms.

    A normal finding gives excluded terms; equivocal and not_examined give none. `tables` replaces the
    shipped ones. Arguments are those of `Finding`; results are cached.
    """
    if status not in ("abnormal", "normal"):
        return ()
    codes: list[Code] = []
    words = _by_grade(item, descriptors, grade) if status == "abnormal" else descriptors
    for table in shipped_tables() if tables is None else tables:
        look = table.present if status == "abnormal" else table.excluded
        rows = dict.fromkeys((row.code, row.name) for row in look(item, site or "", side, words))
        codes += [
            Code(system=table.system, code=code, display=name, excluded=status == "normal") for code, name in rows
        ]
        if rows and table.system == "HPO":
            codes += _modifiers(side, qualifiers if status == "abnormal" else ())
    return tuple(codes)


def with_codes(note: Note, tables: Iterable[CodeTable]) -> Note:
    """The note with the codes of further tables (a clinic's own) added after those it has."""
    extra = tuple(tables)
    findings = []
    for finding in note.findings:
        more = codes_for(
            finding.item,
            finding.site,
            finding.side,
            finding.status,
            finding.descriptors,
            finding.qualifiers,
            grade=finding.grade,
            tables=extra,
        )
        new = tuple(code for code in more if code not in finding.codes)
        findings.append(finding.model_copy(update={"codes": finding.codes + new}) if new else finding)
    return note.model_copy(update={"findings": tuple(findings)})


def _modifiers(side: Side, qualifiers: Sequence[str]) -> list[Code]:
    wanted = [("side", side), *(("severity", word) for word in qualifiers)]
    rows = [row for want in wanted for row in modifiers() if (row.kind, row.word) == want]
    unique = dict.fromkeys((row.code, row.name) for row in rows)
    return [Code(system="HPO", code=code, display=name, modifier=True) for code, name in unique]


def _by_grade(item: str, descriptors: tuple[str, ...], grade: str | None) -> tuple[str, ...]:
    """Descriptors, with the one that the grade stands for when none was said."""
    if grade is None:
        return descriptors
    if item == "reflex" and not set(descriptors) & set(REFLEX_GRADES.values()):
        return (*descriptors, *filter(None, [REFLEX_GRADES.get(grade)]))
    if item == "consciousness" and grade.isdecimal() and 3 <= int(grade) <= 15:
        # Bands of ICD-10-CM R40.24-: 13 to 15, 9 to 12, 3 to 8.
        total = int(grade)
        return (
            *descriptors,
            GRADE_WORDS[0] if total >= 13 else GRADE_WORDS[1] if total >= 9 else GRADE_WORDS[2],
        )
    return descriptors


def _read(path: Path) -> tuple[dict[str, str], list[tuple[int, dict[str, str]]], list[Fault]]:
    """Passport, data lines (line number, fields) and the faults of the file as a whole."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise DataError([Fault(path.name, "file", f"cannot be read ({error}).", "save it as UTF-8 CSV.")]) from None
    all_lines = text.splitlines()
    comments = [line for line in all_lines if line.startswith("#")]
    passport: dict[str, str] = {}
    for line in comments:
        key, _, value = line.lstrip("# ").partition(":")
        passport.setdefault(key.strip().lower(), value.strip())
    faults = [
        Fault(path.name, key, "the first lines do not say it.", f"add a line '# {key}: ...'.")
        for key in PASSPORT
        if not passport.get(key)
    ]
    start = len(comments)
    reader = csv.DictReader(all_lines[start:], restkey="(more fields than the header)")
    lines = []
    for row in reader:
        fields = {str(k): v.strip() if isinstance(v, str) else str(v) for k, v in row.items() if v not in (None, "")}
        lines.append((start + reader.line_num, fields))
    if not lines:
        faults.append(Fault(path.name, "file", "has no rows.", "write a header line and one row for each code."))
    return passport, lines, faults


def _validated(
    path: Path, lines: list[tuple[int, dict[str, str]]], model: type[Line]
) -> tuple[list[tuple[int, Line]], list[Fault]]:
    rows, faults = [], []
    for number, fields in lines:
        try:
            rows.append((number, model.model_validate(fields)))
        except ValidationError as error:
            for problem in error.errors():
                column = ".".join(map(str, problem["loc"]))
                faults.append(
                    Fault(
                        path.name,
                        f"line {number}, {column}",
                        f"{problem['msg']}.",
                        "see data/codes/README.md.",
                    )
                )
    return rows, faults


def _repeated(path: Path, rows: list[tuple[int, Row]]) -> list[Fault]:
    faults: list[Fault] = []
    first: dict[Row, int] = {}
    for number, row in rows:
        earlier = first.setdefault(row, number)
        if earlier != number:
            faults.append(Fault(path.name, f"line {number}", f"repeats line {earlier}.", "delete one of them."))
    return faults


@lru_cache(maxsize=1)
def _catalogue() -> tuple[dict[str, dict[str, list[str]]], list[str]]:
    data = tomllib.loads(CATALOGUE.read_text(encoding="utf-8"))
    return data["items"], data["areas"]


def _unknown(path: Path, number: int, row: Row) -> list[Fault]:
    """Names of this row that the catalogue does not have."""
    items, areas = _catalogue()
    entry = items.get(row.item)
    if entry is None:
        return [Fault(path.name, f"line {number}, item", f"'{row.item}' is not an item.", "use a catalogue name.")]
    sites = areas if entry.get("sites") == "areas" else entry.get("sites", [])
    faults = []
    if row.site and row.site not in sites:
        faults.append(
            Fault(
                path.name,
                f"line {number}, site",
                f"'{row.site}' is no site of {row.item}.",
                "use one of its sites.",
            )
        )
    if row.descriptor and row.descriptor not in (
        *entry.get("describe", []),
        *GRADE_WORDS,
        "reduced",
        "absent",
    ):
        faults.append(
            Fault(
                path.name,
                f"line {number}, descriptor",
                f"'{row.descriptor}' is no descriptor of {row.item}.",
                "use one of its descriptors.",
            )
        )
    return faults
