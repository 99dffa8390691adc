"""parse(text, context) -> ParseResult: the table of contents of this package.

    text -> tokens (pipeline) -> mentions -> talk set aside (talk) -> groups (reader) -> rows (emit)
         -> findings -> slots (completeness) -> queries (consistency) -> Note

`parse` never raises on any text. What was not understood is a result: it is in `note.unread`.
"""

from __future__ import annotations

import hashlib
import re
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from functools import lru_cache
from pathlib import Path

from grammar import completeness, consistency
from grammar.codes import codes_for
from grammar.collector import uncollected
from grammar.data_files import DATA
from grammar.drafts import Draft
from grammar.mentions import STOP, Mention, find
from grammar.models import Finding, Note, Query, TextSpan
from grammar.pipeline import Pipeline, Words, pipeline
from grammar.plus import nerve_numbers, plus_is_and, rows_of_heads, signs_are_results
from grammar.reader import Reader
from grammar.sounds import repair
from grammar.state import CONTEXT, INSTRUCTION, KIND_NAMES, UNREAD, Context, State
from grammar.suggestions import suggest
from grammar.wrap import flowing

# Half characters, which no text file can hold, become the replacement sign; offsets stay as they were.
_LONE = re.compile(r"[\ud800-\udfff]")


# Set by the tests: a fault while reading is raised, not turned into a query.
STRICT = False


class Control:
    """A spoken command that was a whole utterance: withdraw, complaint, addon, pause, resume, missing, end."""

    __slots__ = ("end_char", "kind", "start_char", "value")

    def __init__(self, kind: str, value: str | None, start_char: int, end_char: int) -> None:
        self.kind = kind
        self.value = value
        self.start_char = start_char
        self.end_char = end_char

    def __repr__(self) -> str:
        return f"Control({self.kind!r}, {self.value!r})"


class ParseResult:
    """The note of everything read so far, the context for the next utterance and the commands of this text."""

    __slots__ = ("context", "controls", "note", "station")

    def __init__(self, note: Note, context: Context, controls: tuple[Control, ...], station: str | None) -> None:
        self.note = note
        self.context = context
        self.controls = controls
        self.station = station


def parse(
    text: str, *, context: Context | None = None, complaint: Sequence[str] = (), folders: Sequence[Path] = ()
) -> ParseResult:
    """Read an utterance or a whole text.

    `context` is the result's context of the parse before: feeding utterance by utterance gives the same note as
    feeding them joined with newlines (in typed text a full line may go on in the next, see wrap.py). `complaint`
    names add-ons to require; `folders` are a clinic's own data.
    """
    text = _LONE.sub("\ufffd", text)
    pipe = pipeline(tuple(folders))
    with uncollected():
        return _parse(pipe, text, context, complaint)


def _parse(pipe: Pipeline, text: str, context: Context | None, complaint: Sequence[str]) -> ParseResult:
    state = context.resume() if context is not None else State()
    for name in complaint:
        if name in pipe.catalogue.addons and name not in state.complaints:
            state.complaints.append(name)
    before = len(state.controls)
    if context is not None and state.length and text:
        _append(pipe, state, "\n")
    if text:
        _append(pipe, state, text)
    note = build_note(pipe, state)
    controls = tuple(Control(*row) for row in state.controls[before:])
    return ParseResult(note, Context(state), controls, state.station)


def _append(pipe: Pipeline, state: State, text: str) -> None:
    """Read more text into the state, sentence by sentence."""
    flow, where = flowing(text)
    words = pipe.words(flow)
    base = len(state.tokens)
    if repaired := repair(pipe.alikes, words.doc, words.norms):
        words = Words(words.doc)
        state.repairs.update((base + index, word) for index, word in repaired)
    starts = [(start if where is None else where[start]) + state.length for start in words.starts]
    state.tokens += words.texts
    state.starts += starts
    state.ends += [start + len(token) for start, token in zip(starts, words.texts, strict=True)]
    state.content += bytes([norm[:1].isalnum() and norm not in pipe.small for norm in words.norms])
    state.classes += bytes([UNREAD]) * len(starts)
    state.text.append(text)
    state.length += len(text)
    reader = Reader(pipe, state)
    try:
        mentions = find(pipe, words, base, opening=not state.drafts and base < 40)
        plus_is_and(words, mentions, base)
        signs_are_results(pipe, mentions)
        nerve_numbers(words, mentions, base)
        rows_of_heads(mentions)
    except Exception:
        if STRICT:
            raise
        state.faults.append((state.starts[base], state.length))
        return
    _mark_links(state, mentions)
    first = 0
    reader.patient_line = _patient_speaks(state, base)
    for index, mention in enumerate(mentions):
        if mention.kind != STOP:
            continue
        if index > first:
            _read(reader, state, mentions[first:index], mention.mark, mention.i)
        if mention.mark == "\n":
            reader.line_end()
            reader.patient_line = _patient_speaks(state, mention.j)
        first = index + 1
    if first < len(mentions):
        _read(reader, state, mentions[first:], "", len(state.tokens))


def _mark_links(state: State, mentions: list[Mention]) -> None:
    """Words that only link ("together with", "with the exception of", "looks like") follow their neighbours."""
    for m in mentions:
        lex = m.lex
        if lex is None or not (lex.joins or lex.but or lex.except_ or lex.now or lex.hedge == "weak"):
            continue
        if not (lex.item or lex.site or lex.result or lex.instruction or lex.neg or lex.context or lex.complaints):
            for t in range(m.i, m.j):
                state.content[t] = False


def _read(reader: Reader, state: State, ms: list[Mention], mark: str, end: int) -> None:
    """Read one sentence. A fault of ours must not cost the rest of a dictation: the sentence is left unread, with
    a query that says so. `STRICT` (set by the tests) raises it instead."""
    rows = len(state.drafts)
    try:
        reader.sentence(ms, mark, end)
    except Exception:
        if STRICT:
            raise
        del state.drafts[rows:]
        state.last_rows, state.last_group, state.pending, state.refused = [], [], None, None
        reader.reset()
        for t in range(ms[0].i, end):
            state.classes[t] = UNREAD
        state.faults.append((state.starts[ms[0].i], state.ends[end - 1]))


def _patient_speaks(state: State, at: int) -> bool:
    """A line that a transcript marks as the patient's ("[patient] ...", "Patient: ...") is no finding."""
    words = [token.lower() for token in state.tokens[at : at + 3]]
    return words[:3] == ["[", "patient", "]"] or words[:2] in (["patient", ":"], ["pt", ":"])


def _cover(state: State) -> list[tuple[int, int, int]]:
    """The partition of the transcript: small words and marks follow their neighbours; the rest is unread."""
    kinds = _settle(state.classes, state.content)
    if not kinds:
        return [(CONTEXT, 0, state.length)] if state.length else []
    cover = []
    start = 0
    for t in range(1, len(kinds) + 1):
        if t == len(kinds) or kinds[t] != kinds[start]:
            low = 0 if start == 0 else state.starts[start]
            high = state.length if t == len(kinds) else state.starts[t]
            cover.append((kinds[start], low, high))
            start = t
    return cover


def _settle(classes: bytearray, content: bytearray) -> bytearray:
    """Unclassed tokens without content take the class of the token before, else of the one after."""
    kinds = bytearray(classes)
    last = -1
    for t in range(len(kinds)):
        if kinds[t] == UNREAD and not content[t]:
            if last >= 0:
                kinds[t] = last
            else:
                kinds[t] = 255
        else:
            last = kinds[t]
    following = CONTEXT
    for t in range(len(kinds) - 1, -1, -1) if 255 in kinds else ():
        if kinds[t] == 255:
            kinds[t] = following
        else:
            following = kinds[t]
    return kinds


def build_note(pipe: Pipeline, state: State) -> Note:
    """The note of a state."""
    text = "".join(state.text)
    repairs = sorted((state.starts[t], state.ends[t], word) for t, word in state.repairs.items())
    findings = tuple(_finding(row, text, repairs) for row in state.drafts)
    withdrawn = tuple(_finding(row, text, repairs) for row in state.withdrawn)
    slots = completeness.check(pipe.catalogue, findings, state.asked, state.complaints)
    queries = consistency.check(pipe.catalogue, findings)
    queries += _scale_queries(pipe, state)
    cover = _cover(state)
    answered = {(f.item, site) for f in findings for site in (f.site, None)}
    asked = dict.fromkeys(item for item, site in state.asked if (item, site) not in answered)
    return Note.model_validate(
        {
            "complaint": tuple(state.complaints),
            "findings": findings,
            "slots": tuple(slots),
            "queries": tuple(queries),
            "unread": tuple(_texts(text, cover, UNREAD)),
            "withdrawn": withdrawn,
            "context": tuple(_texts(text, cover, CONTEXT)),
            "asked": tuple(asked),
            "suggestions": suggest(pipe.catalogue, findings, state.complaints),
            "cover": tuple([{"kind": KIND_NAMES[k], "start_char": a, "end_char": b} for k, a, b in cover]),
            "transcript": text,
        }
    )


def _texts(text: str, cover: list[tuple[int, int, int]], wanted: int) -> list[TextSpan]:
    out = []
    for kind, low, high in cover:
        if kind == wanted:
            piece = text[low:high]
            start = low + len(piece) - len(piece.lstrip(" \t\n.,;:"))
            stripped = piece.strip(" \t\n.,;:")
            if stripped:
                out.append(TextSpan(text=stripped, start_char=start, end_char=start + len(stripped)))
    return out


def _repairs(row: Draft, text: str, repairs: Sequence[tuple[int, int, str]]) -> Iterator[dict[str, object]]:
    """The repaired words among the words of a row. `repairs` are in order; only those near the row are looked at."""
    first = bisect_left(repairs, (min(start for start, _ in row.spans),))
    behind = bisect_left(repairs, (max(end for _, end in row.spans),))
    for start, end, word in repairs[first:behind]:
        if any(low <= start and end <= high for low, high in row.spans):
            yield {"heard": text[start:end], "read_as": word, "start_char": start, "end_char": end}


def _finding(row: Draft, text: str, repairs: Sequence[tuple[int, int, str]] = ()) -> Finding:
    low = min(start for start, _ in row.spans)
    high = max(end for _, end in row.spans)
    reason = None
    if row.reason is not None and row.spans:
        start, end = row.spans[-1]
        reason = _reason(text[start:end])
    qualifiers = list(row.qualifiers)
    if row.high is not None:
        qualifiers.append(f"range {row.grade} to {row.high}")
    codes = codes_for(
        row.item,
        row.site,
        row.side,  # type: ignore[arg-type]
        row.status,  # type: ignore[arg-type]
        tuple(row.descriptors),
        tuple(qualifiers),
        grade=row.grade,
    )
    # One validation for the finding and all that is in it.
    return Finding.model_validate(
        {
            "item": row.item,
            "site": row.site,
            "side": row.side,
            "status": row.status,
            "grade": row.grade,
            "descriptors": tuple(row.descriptors),
            "qualifiers": tuple(qualifiers),
            "reason": reason,
            "text": text[low:high],
            "start_char": low,
            "end_char": high,
            "spans": tuple(sorted(set(row.spans))),
            "codes": codes,
            "repaired": tuple(_repairs(row, text, repairs)) if repairs else (),
            "steps": tuple([{"rule": rule, "words": text[a:b]} for rule, a, b in row.steps]),
        }
    )


_REASON_STARTS = (
    *("because of ", "because ", "due to ", "as ", "since ", "owing to ", "on account of ", "secondary to "),
    *("given the ", "given ", "limited by ", "for reasons of ", "by reason of ", "reason "),
)


def _reason(text: str) -> str:
    words = text.strip(" ,.;")
    for start in _REASON_STARTS:
        if words.lower().startswith(start):
            return words[len(start) :]
    return words


def _scale_queries(pipe: Pipeline, state: State) -> list[Query]:
    queries = [
        Query(
            kind="not_read",
            message="A fault of the program: this sentence could not be read.",
            settle="Say or type it again in other words.",
            start_char=start,
            end_char=end,
        )
        for start, end in state.faults
    ]
    text = "".join(state.text)
    queries += [
        Query(
            kind="exception",
            message=f'An exception was said without its result: "{text[start:end]}".',
            settle="Say what was found there.",
            findings=(index,) if 0 <= index < len(state.drafts) else (),
            start_char=start,
            end_char=end,
        )
        for start, end, index in state.exceptions
    ]
    queries += [
        Query(
            kind="correction",
            message=f'"{text[start:end]}" was said, but not what is right.',
            settle="Say the finding again with its side.",
            findings=(index,) if 0 <= index < len(state.drafts) else (),
            start_char=start,
            end_char=end,
        )
        for start, end, index in state.corrections
    ]
    for item, site, bounds, _, start, end in state.out_of_scale:
        label = pipe.catalogue.item_label(item, site)
        queries.append(
            Query(
                kind="out_of_scale",
                message=f'{label}: "{text[start:end]}" lies outside the scale ({bounds}).',
                settle=f"Say a value of {bounds}.",
                start_char=start,
                end_char=end,
            )
        )
    totals = [int(d.grade) for d in state.drafts if d.item == "consciousness" and d.grade and d.grade.isdecimal()]
    if len(state.gcs) == 3 and totals and totals[-1] != sum(state.gcs.values()):
        index = next(i for i, d in enumerate(state.drafts) if d.item == "consciousness" and d.grade)
        queries.append(
            Query(
                kind="consistency",
                findings=(index,),
                message=f"Glasgow Coma Scale parts sum to {sum(state.gcs.values())}, but {totals[-1]} was said.",
                settle="Say the three parts again.",
            )
        )
    for index, row in enumerate(state.drafts):
        if row.high is not None:
            queries.append(
                Query(
                    kind="range",
                    findings=(index,),
                    message=f"{pipe.catalogue.item_label(row.item, row.site)}: a range was said "
                    f"({row.grade} to {row.high}); the lower end is kept as the grade.",
                    settle="Say one grade.",
                )
            )
    return queries


@lru_cache(maxsize=4)
def grammar_version(folders: tuple[Path, ...] = ()) -> str:
    """A fingerprint of the grammar's code and data, a clinic's own included: equal versions read every text alike."""
    digest = hashlib.sha256()
    own = [path for folder in folders for path in sorted(folder.rglob("*.toml"))]
    for path in [*sorted([*DATA.rglob("*.toml"), *DATA.rglob("*.csv"), *DATA.parent.glob("*.py")]), *own]:
        digest.update(path.name.encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


__all__ = ["INSTRUCTION", "Control", "ParseResult", "build_note", "grammar_version", "parse"]
