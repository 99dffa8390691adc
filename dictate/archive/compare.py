"""Two runs side by side: which findings appeared, vanished, or changed side, status, grade or descriptors.

A run is an archive folder, or a JSONL file with one note a line: the output of `dictate read --json`, or
labelled cases with their findings under `gold`. "both" is compared as right and left, which is what it
stands for. Every finding is paired at most once, first with an equal one, then with one that differs as
little as possible.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import pyarrow as pa

from dictate.archive.folder import TABLES, ArchiveFolder
from dictate.archive.tables_sql import ask, ask_number, connect, make_views
from dictate.errors import InputError, SettingsError

KINDS = ("side", "status", "grade", "descriptors", "vanished", "appeared", "slots", "notes")
BATCH = 5_000

_KEY = ("note_id", "item", "site")
# Kind of a pair -> the columns in which the two findings agree, tried in this order.
_STEPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("same", (*_KEY, "side", "status", "grade", "details")),
    ("descriptors", (*_KEY, "side", "status", "grade")),
    ("grade", (*_KEY, "side", "status")),
    ("status", (*_KEY, "side")),
    ("side", (*_KEY, "status")),
    ("side", _KEY),
)
_FINDING = pa.schema(
    [(name, pa.string()) for name in ("note_id", "item", "site", "side", "status", "grade")]
    + [("descriptors", pa.list_(pa.string())), ("text", pa.string())]
)
_SLOT = pa.schema([(name, pa.string()) for name in ("note_id", "item", "site", "side", "state")])
_NOTE = pa.schema([("note_id", pa.string())])


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed. `counts` has one number a kind; `examples` at most a few of each, worst kinds first."""

    before: str
    after: str
    findings_before: int
    findings_after: int
    same: int
    counts: dict[str, int]
    by_item: list[dict[str, Any]] = field(default_factory=list)
    slot_changes: list[dict[str, Any]] = field(default_factory=list)
    examples: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    slots_compared: bool = True

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return asdict(self)


def failing_kinds(text: str) -> tuple[str, ...]:
    """The kinds named in --fail-on.

    Errors: SettingsError for a kind that does not exist.
    """
    if text in ("any", "none"):
        return KINDS if text == "any" else ()
    kinds = tuple(piece.strip() for piece in text.split(",") if piece.strip())
    if unknown := [kind for kind in kinds if kind not in KINDS]:
        raise SettingsError(f"--fail-on {', '.join(unknown)} is not known. Choose of any, none, {', '.join(KINDS)}.")
    return kinds


def compare_runs(before: Path, after: Path, *, examples: int = 5) -> Comparison:
    """Compare two runs over the same notes; only notes that both have read are compared by finding.

    Errors: InputError when one of them is neither an archive nor readable JSONL.
    """
    with connect() as database:
        with_slots = [_load(database, path, prefix) for prefix, path in (("a_", before), ("b_", after))]
        for prefix in ("a_", "b_"):
            _prepare(database, prefix)
        _pair(database)
        counts = dict.fromkeys(KINDS, 0)
        for row in ask(database, "SELECT kind, count(*) AS count FROM changes GROUP BY 1"):
            counts[row["kind"]] = row["count"]
        changes = _slot_changes(database) if all(with_slots) else []
        counts["slots"] = sum(change["count"] for change in changes)
        counts["notes"] = ask_number(database, "SELECT count(*) FROM lonely_notes")
        same = ask_number(database, "SELECT count(*) FROM pairs WHERE kind = 'same'")
        return Comparison(
            before=str(before),
            after=str(after),
            findings_before=ask_number(database, "SELECT count(*) FROM a_f"),
            findings_after=ask_number(database, "SELECT count(*) FROM b_f"),
            same=same,
            counts=counts,
            by_item=ask(
                database,
                "SELECT kind, item || CASE site WHEN '' THEN '' ELSE ':' || site END AS item, count(*) AS "
                "count "
                "FROM changes GROUP BY 1, 2 ORDER BY 3 DESC, 1, 2 LIMIT 30",
            ),
            slot_changes=changes,
            examples=_examples(database, examples, slots=all(with_slots)),
            slots_compared=all(with_slots),
        )


def _load(database: Any, path: Path, prefix: str) -> bool:
    """Make findings, slots and notes of a run queryable under a prefix; whether it has slots."""
    if path.is_dir():
        archive = ArchiveFolder(path)
        numbers = [marker.number for marker in archive.markers()] if archive.record() is not None else []
        if not numbers:
            raise InputError(f"{path} is not an archive with complete parts. Make one with `dictate archive`.")
        make_views(database, {t: [str(archive.table_file(t, n)) for n in numbers] for t in TABLES}, prefix)
        return True
    if not path.is_file():
        raise InputError(f"{path} does not exist. Give an archive folder or a JSONL file of notes.")
    for table, schema in (("findings", _FINDING), ("slots", _SLOT), ("notes", _NOTE)):
        database.register("empty_table", schema.empty_table())
        ask(database, f"CREATE TABLE {prefix}{table} AS SELECT * FROM empty_table")
    for batch in _batches(path):
        for table, rows in batch.items():
            schema = {"findings": _FINDING, "slots": _SLOT, "notes": _NOTE}[table]
            database.register("new_rows", pa.Table.from_pylist(rows, schema=schema))
            ask(database, f"INSERT INTO {prefix}{table} SELECT * FROM new_rows")
    return ask_number(database, f"SELECT count(*) FROM {prefix}slots") > 0


def _batches(path: Path) -> Iterator[dict[str, list[dict[str, Any]]]]:
    """The rows of a JSONL file of notes, a few thousand notes at a time."""
    batch: dict[str, list[dict[str, Any]]] = {"findings": [], "slots": [], "notes": []}
    with path.open("rb") as file:
        for number, line in enumerate(file, start=1):
            if not line.strip():
                continue
            try:
                note = json.loads(line)
                name = str(note.get("id") or note.get("note_id") or f"line {number}")
                findings = note["findings"] if "findings" in note else note["gold"]
                batch["findings"] += [{**one, "note_id": name} for one in findings]
                batch["slots"] += [{**one, "note_id": name} for one in note.get("slots", ())]
                batch["notes"].append({"note_id": name})
            except (ValueError, KeyError, TypeError, AttributeError) as error:
                raise InputError(
                    f"{path}, line {number} is not a note: it needs an id and findings (or gold). Mend the line."
                ) from error
            if len(batch["notes"]) >= BATCH:
                yield batch
                batch = {"findings": [], "slots": [], "notes": []}
    yield batch


def _prepare(database: Any, prefix: str) -> None:
    """Findings with "both" as two rows and comparable details, under one number each."""
    ask(
        database,
        f"""CREATE TABLE {prefix}f AS
        WITH rows AS (
          SELECT note_id, item, coalesce(site, '') AS site, status, coalesce(grade, '') AS grade, text,
                 array_to_string(list_sort([d FOR d IN coalesce(descriptors, [])
                                            IF d NOT IN ('normal', 'none')]), ', ') AS details,
                 unnest(CASE side WHEN 'both' THEN ['right', 'left'] ELSE [side] END) AS side
          FROM {prefix}findings)
        SELECT row_number() OVER (ORDER BY note_id, item, site, side, status, grade, details, text) AS id, *
        FROM rows""",
    )


def _pair(database: Any) -> None:
    """Pair the findings of the notes that both runs have read; name what is left over."""
    ask(database, "CREATE TABLE shared AS SELECT note_id FROM a_notes INTERSECT SELECT note_id FROM b_notes")
    ask(
        database,
        """CREATE TABLE lonely_notes AS
        SELECT note_id, 'only before' AS change
        FROM (SELECT note_id FROM a_notes EXCEPT SELECT note_id FROM b_notes)
        UNION ALL
        SELECT note_id, 'only after'
        FROM (SELECT note_id FROM b_notes EXCEPT SELECT note_id FROM a_notes)""",
    )
    ask(database, "CREATE TABLE pairs (a BIGINT, b BIGINT, kind VARCHAR)")
    for kind, columns in _STEPS:
        key = ", ".join(columns)
        ask(
            database,
            f"""INSERT INTO pairs
            WITH a AS (SELECT id, {key}, row_number() OVER (PARTITION BY {key} ORDER BY id) AS n FROM a_f
                       WHERE note_id IN (FROM shared) AND id NOT IN (SELECT a FROM pairs)),
                 b AS (SELECT id, {key}, row_number() OVER (PARTITION BY {key} ORDER BY id) AS n FROM b_f
                       WHERE note_id IN (FROM shared) AND id NOT IN (SELECT b FROM pairs))
            SELECT a.id, b.id, '{kind}' FROM a JOIN b USING ({key}, n)""",
        )
    row = "concat_ws(' ', {0}.side, {0}.status, nullif({0}.grade, ''), nullif({0}.details, ''))"
    ask(
        database,
        f"""CREATE TABLE changes AS
        SELECT kind, a.note_id, a.item, a.site,
               {row.format("a")} AS before,
               {row.format("b")} AS after, coalesce(a.text, b.text) AS text
        FROM pairs JOIN a_f a ON a.id = pairs.a JOIN b_f b ON b.id = pairs.b WHERE kind <> 'same'
        UNION ALL
        SELECT 'vanished', note_id, item, site, {row.format("a_f")}, NULL, text FROM a_f
        WHERE note_id IN (FROM shared) AND id NOT IN (SELECT a FROM pairs)
        UNION ALL
        SELECT 'appeared', note_id, item, site, NULL, {row.format("b_f")}, text FROM b_f
        WHERE note_id IN (FROM shared) AND id NOT IN (SELECT b FROM pairs)""",
    )


_SLOT_PAIRS = """
    SELECT note_id, item, site, side, a.state AS before, b.state AS after
    FROM (SELECT note_id, item, coalesce(site, '') AS site, side, min(state) AS state FROM a_slots
          WHERE note_id IN (FROM shared) GROUP BY ALL) a
    FULL JOIN (SELECT note_id, item, coalesce(site, '') AS site, side, min(state) AS state FROM b_slots
               WHERE note_id IN (FROM shared) GROUP BY ALL) b
    USING (note_id, item, site, side) WHERE a.state IS DISTINCT FROM b.state
"""


def _slot_changes(database: Any) -> list[dict[str, Any]]:
    """How many slots went from which state to which."""
    return ask(
        database,
        "SELECT coalesce(before, 'not required') AS before, coalesce(after, 'not required') AS after, "
        f"count(*) AS count FROM ({_SLOT_PAIRS}) GROUP BY 1, 2 ORDER BY 3 DESC, 1, 2",
    )


def _examples(database: Any, limit: int, *, slots: bool) -> dict[str, list[dict[str, Any]]]:
    """The first few changes of every kind, in the order of notes."""
    found: dict[str, list[dict[str, Any]]] = {}
    for kind in KINDS[:6]:
        found[kind] = ask(
            database,
            "SELECT note_id, item || CASE site WHEN '' THEN '' ELSE ':' || site END AS item, before, after, "
            "text "
            "FROM changes WHERE kind = ? ORDER BY note_id, item, before, after LIMIT ?",
            (kind, limit),
        )
    if slots:
        found["slots"] = ask(
            database,
            "SELECT note_id, item || CASE site WHEN '' THEN '' ELSE ':' || site END || ' ' || side AS item, "
            "before, "
            f"after FROM ({_SLOT_PAIRS}) ORDER BY ALL LIMIT ?",
            (limit,),
        )
    found["notes"] = ask(database, "SELECT note_id, change FROM lonely_notes ORDER BY ALL LIMIT ?", (limit,))
    return {kind: rows for kind, rows in found.items() if rows}


def to_text(found: Comparison) -> str:
    """The comparison for people."""
    lines = [
        f"{found.before} -> {found.after}",
        f"findings: {found.findings_before} -> {found.findings_after} (a side each), {found.same} the same",
        "  ".join(f"{kind} {count}" for kind, count in found.counts.items()),
    ]
    if not found.slots_compared:
        lines.append("slots are not compared: one of the runs has none")
    lines += [f"  slots {one['before']} -> {one['after']}: {one['count']}" for one in found.slot_changes]
    for kind, rows in found.examples.items():
        lines.append(f"{kind}:")
        for row in rows:
            if kind == "notes":
                lines.append(f"  {row['note_id']}: {row['change']}")
                continue
            said = f'  "{row["text"]}"' if row.get("text") else ""
            lines.append(f"  {row['note_id']} {row['item']}: {row['before'] or '-'} -> {row['after'] or '-'}{said}")
    return "\n".join(lines)
