"""The twins of the phrase files: tests/cases/phrases/NAME.toml says what the phrases of grammar/data/phrases/NAME.toml
must mean, written from the words; tests/grammar/test_phrase_cases.py runs them.

A group is one meaning and every phrase that has it:

    [[group]]
    frame = "{} absent"                # the sentence; {} is the phrase (default: the phrase alone)
    want = ["arm_drift both normal"]   # item[:site] side status[ grade][ +descriptor][ ~qualifier], and nothing else
    say = ["(pronator|arm) drift"]     # phrases, in the notation of the phrase files

    queries = ["side_unstated"]        # kinds of query that must be raised
    asked = ["plantar"]                # the items asked, and no other; complaint likewise (not compared if not given)
    withdrawn = 1                      # how many findings were withdrawn
    reason = "small pupils"            # the reason of a finding
    read = true                        # no word of the sentence is left unread
    context = true                     # the phrase is context
    word = true                        # the phrase is a plain word for the reader, not an entry of the vocabulary
    known_failure = ["arm drift"]      # phrases of `say` that are read wrongly today (strict: the mark must go)

A descriptor or qualifier is compared only where `want` names one (`+accurate`, `~mild`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict

from grammar.data_files import DATA, expand
from grammar.lexicon import Lexeme
from grammar.mentions import PHRASE, find
from grammar.models import Finding, Note
from grammar.parse import parse
from grammar.phrase_files import PhraseFile, ResultPhrase
from grammar.pipeline import Pipeline, pipeline

CASES = Path(__file__).resolve().parents[1] / "cases" / "phrases"
# Tables of single words: normal forms and words with no role. They are no entries of the phrase matcher.
WORD_TABLES = ("spelling", "numbers", "fractions", "signs", "roman", "sounds", "alike", "small", "severity_kept")
ROW_TABLES = ("phrase", "site", "instruction", "station", "heading")


class Group(BaseModel):
    """Phrases of one meaning."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    say: tuple[str, ...]
    frame: str = "{}"
    want: tuple[str, ...]
    queries: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()
    complaint: tuple[str, ...] = ()
    withdrawn: int | None = None
    context: bool = False
    reason: str | None = None
    read: bool = False
    word: bool = False
    known_failure: tuple[str, ...] = ()

    @property
    def phrases(self) -> tuple[str, ...]:
        """Every phrase that the patterns of `say` stand for."""
        return tuple(dict.fromkeys(phrase for pattern in self.say for phrase in expand(pattern)))

    @property
    def items(self) -> set[str]:
        """The items that `want` names."""
        return {row.split()[0].partition(":")[0] for row in self.want}


def names() -> list[str]:
    """Every phrase file, without its ending."""
    return sorted(path.stem for path in (DATA / "phrases").glob("*.toml"))


def groups(name: str) -> list[Group]:
    """The groups of one twin; none if the phrase file has no twin."""
    path = CASES / f"{name}.toml"
    if not path.exists():
        return []
    return [Group.model_validate(row) for row in tomllib.loads(path.read_text(encoding="utf-8"))["group"]]


def fault(group: Group, phrase: str) -> str | None:
    """What is wrong with the reading of one phrase of a group; None if all is as the group says."""
    said = group.frame.format(phrase)
    note = parse(said).note
    if not same(note.findings, group.want):
        return f"{said!r}: wanted {list(group.want)}, got {[row(finding) for finding in note.findings]}"
    return _other_fault(group, note, said, phrase)


def _other_fault(group: Group, note: Note, said: str, phrase: str) -> str | None:
    """What is wrong besides the findings."""
    kinds = [query.kind for query in note.queries]
    if not set(group.queries) <= set(kinds):
        return f"{said!r}: queries wanted {list(group.queries)}, got {kinds}"
    for field, wanted, got in (
        ("asked", group.asked, set(note.asked)),
        ("complaint", group.complaint, set(note.complaint)),
        ("withdrawn", group.withdrawn, len(note.withdrawn)),
        ("reason", group.reason, next((finding.reason for finding in note.findings if finding.reason), None)),
    ):
        if field in group.model_fields_set and got != (set(wanted) if isinstance(wanted, tuple) else wanted):
            return f"{said!r}: {field} wanted {wanted}, got {got}"
    if group.read and note.unread:
        return f"{said!r}: left unread {[span.text for span in note.unread]}"
    if group.context and not _in_context(note, said, phrase):
        return f"{said!r}: {phrase!r} is not in the context"
    if not group.word and not whole(phrase, said):
        return f"{said!r}: {phrase!r} is not read as one phrase"
    return None


def _in_context(note: Note, said: str, phrase: str) -> bool:
    start = said.index(phrase)
    return any(span.start_char < start + len(phrase) and start < span.end_char for span in note.context)


def row(finding: Finding) -> str:
    """A finding as `want` writes it, with all that it holds."""
    place = f"{finding.item}:{finding.site}" if finding.site else finding.item
    parts = [place, finding.side, finding.status, *([finding.grade] if finding.grade else [])]
    return " ".join((*parts, *(f"+{d}" for d in finding.descriptors), *(f"~{q}" for q in finding.qualifiers)))


def same(findings: Sequence[Finding], wanted: Sequence[str]) -> bool:
    """True if the findings are those that `want` describes, each once."""
    plain = sorted(_split(row(finding))[0] for finding in findings) == sorted(_split(want)[0] for want in wanted)
    return plain and all(any(fits(finding, want) for finding in findings) for want in wanted)


def fits(finding: Finding, want: str) -> bool:
    """True if the finding is the row that `want` describes."""
    plain, *marks = _split(want)
    have = _split(row(finding))
    return have[0] == plain and all(mark in have[1:] for mark in marks)


def _split(text: str) -> list[str]:
    """The plain row, then its marks; a mark may hold spaces."""
    parts = text.replace(" +", "\0+").replace(" ~", "\0~").split("\0")
    return [part.strip() for part in parts]


def key(pipe: Pipeline, phrase: str) -> tuple[str, ...]:
    """A phrase as the matcher sees it."""
    return tuple(token.norm_ for token in pipe.doc(phrase))


def whole(phrase: str, said: str) -> bool:
    """True if the phrase is taken as one entry of the vocabulary when the sentence is read."""
    wanted = key(pipeline(), phrase)
    return any(lexeme.key == wanted for opening in (False, True) for lexeme in _found(said, opening))


def spoken_phrases(said: str) -> list[Lexeme]:
    """The entries of the vocabulary that are found in a sentence."""
    return [*_found(said, False), *_found(said, True)]


@lru_cache(maxsize=4)
def _found(said: str, opening: bool) -> tuple[Lexeme, ...]:
    pipe = pipeline()
    mentions = find(pipe, pipe.words(said), opening=opening)
    return tuple(mention.lex for mention in mentions if mention.kind == PHRASE and mention.lex is not None)


def thieves(group: Group, phrase: str) -> set[str]:
    """Items, named by a phrase of the sentence, that the group does not want: another item's phrase took words.

    "calf" in "the calf is wasted" is the place that the group wants, though it names a muscle elsewhere."""
    stolen = set()
    places = {want.split()[0].partition(":")[2] for want in group.want}
    for lexeme in spoken_phrases(group.frame.format(phrase)):
        if lexeme.item is not None and not (lexeme.site is not None and places & set(lexeme.site.areas)):
            named = {name for name, _ in lexeme.item.targets} | ({lexeme.item.alt[0]} if lexeme.item.alt else set())
            named |= {name for name, _ in lexeme.alt_item.targets} if lexeme.alt_item else set()
            if not named & group.items:
                stolen |= named
    return stolen


# ---- coverage --------------------------------------------------------------------------------------


def uncovered(name: str, data: PhraseFile) -> list[str]:
    """Entries of a phrase file, as "table[entry]: phrase", that no group of its twin says."""
    twin = groups(name)
    read: dict[str, list[Group]] = {}
    words: set[str] = set()
    for group in twin:
        for phrase in group.phrases:
            words.add(phrase)
            if not group.word:
                read.setdefault(phrase, []).append(group)
    missing = [entry for entry, phrase, is_word in _plain_units(data) if phrase not in (words if is_word else read)]
    for index, result in enumerate(data.result):
        for phrase in _phrases(result.say):
            if not any(_gives(result, phrase, group) for group in read.get(phrase, ())):
                missing.append(f"result[{index}]: {phrase}")
    return missing


def _plain_units(data: PhraseFile) -> Iterator[tuple[str, str, bool]]:
    """(entry, phrase, is a plain word) of every table but the results."""
    for table in ROW_TABLES:
        for index, entry in enumerate(getattr(data, table)):
            for field in ("one", "many", "any", "sign", "say"):
                for phrase in _phrases(getattr(entry, field, ())):
                    yield f"{table}[{index}]: {phrase}", phrase, False
    for table in PhraseFile.model_fields:
        if table not in ROW_TABLES and table != "result":
            for entry, phrase in _table_phrases(table, getattr(data, table)):
                yield entry, phrase, table in WORD_TABLES


def _table_phrases(table: str, value: Any) -> Iterator[tuple[str, str]]:
    for name, patterns in value.items():
        nested = patterns if isinstance(patterns, dict) else {name: patterns}
        for inner, listed in nested.items():
            for phrase in _phrases((inner,) if isinstance(listed, int) else listed):
                yield f"{table}.{inner}: {phrase}", phrase


def _phrases(patterns: tuple[str, ...]) -> Iterator[str]:
    for pattern in patterns:
        yield from (phrase for phrase in expand(pattern) if phrase)


def _gives(result: ResultPhrase, phrase: str, group: Group) -> bool:
    """True if, for an item that the group wants, this row is what the phrase means."""
    pipe = pipeline()
    lexeme = pipe.by_key.get(key(pipe, phrase))
    if lexeme is None or lexeme.result is None:
        return False
    for item in group.items:
        kind = pipe.catalogue.items[item].kind
        for as_kind in {kind, "sign", "test"}:
            if result in (lexeme.result.reading(item, as_kind), lexeme.result.reading(item, as_kind, as_test=True)):
                return True
    return False
