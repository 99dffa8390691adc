"""Faults across the data files that no single file shows: `dictate check`, and a test, run all of them.

    files        a file that cannot be loaded: every fault of its loader
    pattern      brackets that do not match, an empty phrase
    dangling     a rule names an item, site, descriptor or add-on that the catalogue does not have
    unsaid       an item, site, descriptor or add-on of the catalogue for which no phrase exists
    doubled      a phrase with two meanings in one role: the second would be dropped in silence
    stolen       two phrases that are read alike but name different things
    unreachable  a phrase that, said by itself, is not read as itself
    misread      an item phrase that, said with a plain result, does not give a finding of its item

A check needs no clock and no network; all of them together take a few seconds.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from grammar.codes import FOLDER as CODES
from grammar.codes import SHIPPED
from grammar.data_files import DATA, expand, read_toml, toml_files
from grammar.errors import DataError, Fault
from grammar.lexicon import Builder, Lexeme
from grammar.mentions import PHRASE, find
from grammar.parse import parse
from grammar.phrase_files import PhraseFile, load_files
from grammar.pipeline import Pipeline, pipeline
from grammar.protocols import Catalogue

SEED = "use a name of data/protocols/catalogue.toml."
# Words of the catalogue that only repeat a status or a grade; no phrase of their own is needed.
PLAIN_WORDS = frozenset(("normal", "none", "abnormal"))


@dataclass(frozen=True, slots=True)
class Check:
    """One fault found by one check."""

    kind: str
    fault: Fault

    def __str__(self) -> str:
        return f"{self.kind}: {self.fault}"


def check_all(folders: Iterable[Path] = ()) -> list[Check]:
    """Every fault of the built-in data, and of a clinic's own folders with it."""
    extra = tuple(folders)
    found = [Check("pattern", fault) for fault in patterns(extra)]
    try:
        pipe = pipeline(extra)
    except DataError as error:
        return [*found, *(Check("files", fault) for fault in error.faults)]
    for kind, check in (
        ("dangling", dangling), ("unsaid", unsaid), ("doubled", doubled), ("stolen", stolen),
        ("unreachable", unreachable), ("misread", misread),
    ):  # fmt: skip
        found.extend(Check(kind, fault) for fault in check(pipe))
    return found


# ---- patterns ------------------------------------------------------------------------------------


def patterns(extra: tuple[Path, ...] = ()) -> Iterator[Fault]:
    """Phrase patterns with open brackets, or that stand for nothing at all."""
    for file, data in toml_files("phrases", extra):
        for entry, text in _strings(data, ""):
            if "(" in text or "[" in text or "|" in text:
                yield from _pattern(file, entry, text)


def _strings(data: Any, entry: str) -> Iterator[tuple[str, str]]:
    """(entry, text) of every string in nested tables and lists."""
    if isinstance(data, str):
        yield entry, data
    elif isinstance(data, dict):
        for key, value in data.items():
            yield from _strings(value, f"{entry}.{key}" if entry else key)
    elif isinstance(data, list):
        for index, value in enumerate(data):
            yield from _strings(value, f"{entry}[{index}]")


def _pattern(file: str, entry: str, text: str) -> Iterator[Fault]:
    for opening, closing in (("(", ")"), ("[", "]")):
        if text.count(opening) != text.count(closing):
            yield Fault(file, entry, f"{text!r} has unequal {opening} and {closing}.", "close each bracket.")
            return
    if "" in expand(text):
        yield Fault(file, entry, f"{text!r} also stands for nothing.", "keep one word outside [ ].")


# ---- ids ---------------------------------------------------------------------------------------


def dangling(pipe: Pipeline) -> Iterator[Fault]:
    """Names in the rules and code tables that the catalogue does not have."""
    book = pipe.catalogue
    yield from _areas(book)
    yield from _summaries(book)
    yield from _nerves(book)
    rules = read_toml(DATA / "rules" / "suggestions.toml").get("suggest", [])
    for index, row in enumerate(rules):
        entry = f"suggest[{index}]"
        yield from _slot(book, "suggestions.toml", entry, row["item"], row.get("site"))
        yield from _word(book, "suggestions.toml", entry, row["item"], row.get("descriptor"))
        if row["addon"] not in book.addons:
            yield Fault("suggestions.toml", entry, f"unknown add-on {row['addon']!r}.", "use a listed add-on.")
    for index, rule in enumerate(read_toml(DATA / "rules" / "consistency.toml").get("rule", [])):
        for half in ("first", "second"):
            row, entry = rule[half], f"rule[{index}].{half}"
            for site in (row.get("site"), *row.get("sites", ())):
                yield from _slot(book, "consistency.toml", entry, row["item"], site)
            yield from _word(book, "consistency.toml", entry, row["item"], row.get("descriptor"))
    yield from _codes(book)


def _areas(book: Catalogue) -> Iterator[Fault]:
    for name, sites in read_toml(DATA / "rules" / "areas.toml").items():
        for site in sites:
            yield from _slot(book, "areas.toml", name, name, site)


def _nerves(book: Catalogue) -> Iterator[Fault]:
    for name in read_toml(DATA / "rules" / "nerves.toml"):
        yield from _slot(book, "nerves.toml", name, name, None)


def _summaries(book: Catalogue) -> Iterator[Fault]:
    for name, rows in read_toml(DATA / "rules" / "summaries.toml").items():
        for summary, sites in rows.items():
            item, _, site = summary.partition(":")
            yield from _slot(book, "summaries.toml", name, item, site or None)
            for covered in sites:
                yield from _slot(book, "summaries.toml", name, name, None if covered == "*" else covered)


def _codes(book: Catalogue) -> Iterator[Fault]:
    for file in SHIPPED:
        lines = (CODES / file).read_text(encoding="utf-8").splitlines()
        table = csv.DictReader(line for line in lines if not line.startswith("#"))
        for number, row in enumerate(table, 1):
            yield from _slot(book, file, f"row {number}", row["item"], row["site"] or None)


def _slot(book: Catalogue, file: str, entry: str, name: str, site: str | None) -> Iterator[Fault]:
    item = book.items.get(name)
    if item is None:
        yield Fault(file, entry, f"unknown item {name!r}.", SEED)
    elif site is not None and site not in item.sites:
        yield Fault(file, entry, f"{name} has no site {site!r}.", SEED)


def _word(book: Catalogue, file: str, entry: str, name: str, word: str | None) -> Iterator[Fault]:
    item = book.items.get(name)
    if item is not None and word is not None and word not in item.describe:
        yield Fault(file, entry, f"{name} has no descriptor {word!r}.", SEED)


# ---- what has no phrase --------------------------------------------------------------------------


def unsaid(pipe: Pipeline) -> Iterator[Fault]:
    """Items, sites, descriptors and add-ons of the catalogue that no phrase can produce."""
    items: set[str] = set()
    places: set[str] = set()
    addons: set[str] = set()
    words: dict[str, set[str]] = {}
    for lexeme in pipe.by_key.values():
        for reading in (lexeme.item, lexeme.alt_item):
            if reading is None:
                continue
            pairs = (*reading.targets, *((reading.alt,) if reading.alt else ()))
            for name, site in pairs:
                items.add(name)
                places.add(f"{name}:{site}")
                words.setdefault(name, set()).update(reading.descriptors)
        if lexeme.site is not None:
            places.update(lexeme.site.areas)
        if lexeme.complaints is not None:
            addons.add(lexeme.complaints)
        if lexeme.result is not None:
            _result_words(pipe.catalogue, lexeme, words)
    made = _made_places()
    for name, item in pipe.catalogue.items.items():
        if name not in items:
            yield Fault("phrases", name, "no phrase names this item.", "add a [[phrase]] for it.")
        for site in item.sites:
            known = f"{name}:{site}" in places or site in places or (name, site) in made
            if not known and not (site[0] in "CTLSV" and site[1:].isdecimal()):
                yield Fault("phrases", f"{name}:{site}", "no phrase names this site.", "add it to sites.toml.")
        for word in item.describe:
            if word not in words.get(name, set()) and word not in PLAIN_WORDS:
                yield Fault("phrases", f"{name}.{word}", "no phrase gives this descriptor.",
                            "add a [[result]] or a [[phrase]] with it.")  # fmt: skip
    for name in pipe.catalogue.addons:
        if name not in addons:
            yield Fault("phrases/steering.toml", f"complaint.words.{name}", "no words for it.", "add some.")


def _result_words(book: Catalogue, lexeme: Lexeme, words: dict[str, set[str]]) -> None:
    """Adds the descriptors that a result phrase gives, by item."""
    result = lexeme.result
    assert result is not None
    for table in (result.by_item, result.test_only):
        for name, row in table.items():
            words.setdefault(name, set()).add(row.descriptor or "")
    for name, item in book.items.items():
        for kind in (item.kind, "sign", "test"):
            found = result.reading(name, kind)
            if found is not None:
                words.setdefault(name, set()).add(found.descriptor or "")


def _made_places() -> set[tuple[str, str]]:
    """(item, site) pairs that areas.toml makes from other places."""
    table = read_toml(DATA / "rules" / "areas.toml")
    return {(name, site) for name, sites in table.items() for site in sites}


# ---- phrases against each other ------------------------------------------------------------------


def doubled(pipe: Pipeline) -> Iterator[Fault]:
    """A phrase that two rows give different meanings in one role; only the first would count.

    A row for few items may stand before one for many and so take its phrases; the other way round is a fault.
    """
    seen: dict[tuple[str, str], tuple[str, str, int]] = {}
    for file, data in load_files(pipe.folders):
        for entry, role, meaning, phrases, width in _meanings(data):
            for pattern in phrases:
                for phrase in expand(pattern):
                    mine = (meaning, f"{file} [{entry}]", width)
                    held, where, wide = seen.setdefault((role, phrase), mine)
                    if held != meaning and width <= wide:
                        yield Fault(file, entry, f"{phrase!r} ({role}) means {meaning}, but {held} in {where}.",
                                    "keep it in one of them.")  # fmt: skip


def _meanings(data: PhraseFile) -> Iterator[tuple[str, str, str, tuple[str, ...], int]]:
    """(entry, role, meaning, patterns, number of items) of every row that settles what a phrase means."""
    for index, row in enumerate(data.result):
        meaning = f"{row.status} {row.descriptor or ''} {row.grade or ''}".strip()
        form = " tested" if row.test_only else ""
        for name in (*row.items, *row.kinds) or ("any item",):
            yield f"result[{index}]", f"result of {name}{form}", meaning, row.say, len(row.items)
    for table in ("side", "severity", "pair_order", "control", "repair"):
        for name, patterns_of in getattr(data, table).items():
            if not (table == "control" and name == "tail"):
                yield f"{table}.{name}", table, name, patterns_of, 1
    for table in ("station", "heading"):
        for steer in getattr(data, table):
            yield f"{table}.{steer.id}", table, steer.id, steer.say, 1
    for name, patterns_of in data.complaint.get("words", {}).items():
        yield f"complaint.words.{name}", "complaint", name, tuple(patterns_of), 1


def stolen(pipe: Pipeline) -> Iterator[Fault]:
    """Phrases that are written differently, read alike, and name different items or places."""
    first: dict[tuple[str, ...], Lexeme] = {}
    for lexeme in fresh(pipe).lexemes.values():
        key = tuple(token.norm_ for token in pipe.doc(lexeme.text))
        other = first.setdefault(key, lexeme)
        if other is lexeme:
            continue
        for role in ("item", "site"):
            mine, theirs = getattr(lexeme, role), getattr(other, role)
            if mine is None or theirs is None:
                continue
            a, b = _names(mine), _names(theirs)
            if a != b:
                yield Fault("phrases", lexeme.text, f"is read like {other.text!r}, which names {b}, not {a}.",
                            "keep one of them, or give it another word.")  # fmt: skip


def fresh(pipe: Pipeline) -> Builder:
    """The lexemes before spellings of one normal form were merged."""
    builder = Builder(pipe.catalogue)
    for file, data in load_files(pipe.folders):
        builder.add_file(file, data)
    return builder


def _names(reading: Any) -> tuple[Any, ...]:
    return tuple(reading.targets) if hasattr(reading, "targets") else tuple(reading.areas)


def unreachable(pipe: Pipeline) -> Iterator[Fault]:
    """Item phrases that, said alone, are cut up or read as something else."""
    for lexeme in item_phrases(pipe):
        words = pipe.words(lexeme.text)
        mentions = [m for m in find(pipe, words) if m.kind == PHRASE]
        if not any(m.lex is lexeme and m.j - m.i == len(words.texts) for m in mentions):
            read = ", ".join(repr(m.lex.text) for m in mentions if m.lex is not None) or "nothing"
            yield Fault("phrases", lexeme.text, f"said alone it is read as {read}.",
                        "drop the phrase, or the one that takes its words.")  # fmt: skip


def item_phrases(pipe: Pipeline) -> Iterator[Lexeme]:
    """Every phrase that names an item."""
    for lexeme in pipe.by_key.values():
        if lexeme.item is not None and not lexeme.complaint_only:
            yield lexeme


def misread(pipe: Pipeline) -> Iterator[Fault]:
    """Item phrases that no plain result turns into a finding of their item: another phrase takes them."""
    for lexeme in item_phrases(pipe):
        assert lexeme.item is not None
        wanted = {name for name, _ in lexeme.item.targets}
        wanted |= {lexeme.item.alt[0]} if lexeme.item.alt else set()
        wanted |= {name for name, _ in lexeme.alt_item.targets} if lexeme.alt_item else set()
        came: set[str] = set()
        for said in _trials(lexeme):
            result = parse(said, folders=pipe.folders)
            came = {finding.item for finding in result.note.findings}
            if came & wanted:
                break
        else:
            yield Fault("phrases", lexeme.text, f"gives no finding of {', '.join(sorted(wanted))}, but of "
                        f"{', '.join(sorted(came)) or 'nothing'}.",
                        "drop the phrase, or give the item a result that fits.")  # fmt: skip


def _trials(lexeme: Lexeme) -> Iterator[str]:
    """The phrase with results that fit most items, the likeliest first."""
    text = lexeme.text
    assert lexeme.item is not None
    if lexeme.item.sign or lexeme.item.status is not None:
        yield text
        yield f"no {text}"
        yield f"{text} on the right"
    yield f"{text} normal"
    for said in ("absent", "2+", "5/5", "abnormal", "reduced", "10/10", "6/9 right", "present", "positive",
                 "not tested", "t ten", "14", "40 degrees on the right", "standing", "4 mm"):  # fmt: skip
        yield f"{text} {said}"
    yield f"reduced {text}"
    yield f"plantars, {text} down"
    yield f"sensation to {text} normal in both feet"
    for partner in ("toe walking", "joint position", "pinprick"):  # short words that need a partner
        yield f"{partner} and {text} normal"
    yield f"standing, {text} normal"
    yield f"on the right, {text} extensor"


__all__ = ["Check", "check_all"]
