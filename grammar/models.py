"""The types that cross the package border: findings, slots, queries and the note that holds them.

All are frozen pydantic models. Character offsets are half-open [start, end) into the text as it was given;
times are seconds from the start of the recording. `Note` is the machine-readable note, schema "1".
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

Side = Literal["right", "left", "both", "none", "unstated"]
Status = Literal["normal", "abnormal", "equivocal", "not_examined"]
SlotState = Literal["recorded", "recorded_by_summary", "not_examined", "side_unstated", "asked_no_result", "missing"]
SpanKind = Literal["finding", "command", "instruction", "context", "unread"]

CAUTION = (
    "Draft for a licensed clinician to verify. This tool does not diagnose. "
    "Local policy and law on recording consent and on health data apply."
)


class Frozen(BaseModel):
    """Base of every type here: immutable, and strict about unknown fields."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Code(Frozen):
    """A term of a code system, e.g. system "HPO", code "HP:0003487", display "Babinski sign".

    `excluded`: a normal finding rules this term out.
    `modifier`: it qualifies the term before it (side, severity).
    """

    system: str
    code: str
    display: str
    excluded: bool = False
    modifier: bool = False


class TextSpan(Frozen):
    """A stretch of the transcript, with its times when there is audio."""

    text: str
    start_char: int
    end_char: int
    start_s: float | None = None
    end_s: float | None = None


class CoverSpan(Frozen):
    """One piece of the partition of the transcript: every character is in exactly one of these."""

    kind: SpanKind
    start_char: int
    end_char: int


class Step(Frozen):
    """One rule that took part in a finding and the words it used (shown by --explain)."""

    rule: str
    words: str


class Repair(Frozen):
    """A word of the transcript that was read as a sound-alike catalogue word."""

    heard: str
    read_as: str
    start_char: int
    end_char: int


class Finding(Frozen):
    """One row of the note: what was found for one item (and site) on one side, and the words that said so."""

    item: str
    site: str | None = None
    side: Side
    status: Status
    grade: str | None = None
    descriptors: tuple[str, ...] = ()
    qualifiers: tuple[str, ...] = ()
    reason: str | None = None
    text: str
    start_char: int
    end_char: int
    start_s: float | None = None
    end_s: float | None = None
    confidence: float | None = Field(default=None, ge=0, le=1)
    codes: tuple[Code, ...] = ()
    spans: tuple[tuple[int, int], ...] = ()
    repaired: tuple[Repair, ...] = ()
    steps: tuple[Step, ...] = ()


class Slot(Frozen):
    """A required place in the examination and whether it has been filled."""

    item: str
    site: str | None = None
    side: Side
    state: SlotState
    required_by: str
    reason: str | None = None


class Query(Frozen):
    """A question to the clinician; `findings` are indices into the note's findings."""

    kind: str
    message: str
    findings: tuple[int, ...] = ()
    settle: str | None = None
    start_char: int | None = None
    end_char: int | None = None


class Suggestion(Frozen):
    """An add-on piece that a finding points to; shown, never required by itself."""

    addon: str
    reason: str
    findings: tuple[int, ...] = ()


class Note(Frozen):
    """The machine-readable note of one examination (schema "1")."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    schema_: str = Field(default="1", alias="schema")
    complaint: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    slots: tuple[Slot, ...] = ()
    queries: tuple[Query, ...] = ()
    unread: tuple[TextSpan, ...] = ()
    withdrawn: tuple[Finding, ...] = ()
    context: tuple[TextSpan, ...] = ()
    asked: tuple[str, ...] = ()
    suggestions: tuple[Suggestion, ...] = ()
    cover: tuple[CoverSpan, ...] = ()
    caution: str = CAUTION
    transcript: str = ""
