"""A parser for the archive's fault tests: a few words of a real one, plus notes that misbehave on purpose.

"right knee" is a finding; what is not understood is unread. The words POISON-... make it loop, sleep,
crash, raise or take memory; SLOW takes a little time. Used by name
(`tests.dictate.archive.stand_in:parse`) in the reading process.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Sequence
from dataclasses import dataclass

from grammar.models import Code, Finding, Note, Query, Slot, TextSpan

GRAMMAR_VERSION = os.environ.get("STAND_IN_VERSION", "stand-in 1")
PARSER = "tests.dictate.archive.stand_in:parse"

_SAID = re.compile(r"(right|left|both)?\s?(knee|ankle) (brisk|normal|absent)")
_STATUS = {"brisk": "abnormal", "normal": "normal", "absent": "abnormal"}


@dataclass(frozen=True)
class StandInResult:
    """As much of a parse result as the archive uses."""

    note: Note


def misbehave(text: str) -> None:
    """Do what a POISON word asks for."""
    if "POISON-LOOP" in text:
        while True:
            pass
    if "POISON-REGEX" in text:
        re.match(r"(a+)+$", "a" * 64 + "b")
    if "POISON-SLEEP" in text:
        time.sleep(3600)
    if "POISON-CRASH" in text:
        os.abort()
    if "POISON-RAISE" in text:
        raise KeyError(text)
    if "POISON-MEMORY" in text:
        bytearray(64 * 1024**3)
    if "SLOW" in text:
        time.sleep(0.05)


def parse(text: str, *, complaint: Sequence[str] = ()) -> StandInResult:
    """Findings for knees and ankles; everything before the first one is unread."""
    misbehave(text)
    findings = tuple(
        Finding(
            item="reflex",
            site=found[2],
            side=found[1] or "unstated",
            status=_STATUS[found[3]],
            text=found[0],
            start_char=found.start(),
            end_char=found.end(),
            descriptors=(found[3],),
            codes=(Code(system="demo", code=found[2], display=found[0], excluded=found[3] == "normal"),),
        )
        for found in _SAID.finditer(text)
    )
    seen = {(finding.site, finding.side) for finding in findings}
    slots = tuple(
        Slot(
            item="reflex",
            site=site,
            side=side,
            state="recorded" if (site, side) in seen else "missing",
            required_by="core_screen",
        )
        for site in ("knee", "ankle")
        for side in ("right", "left")
    )
    queries = tuple(
        Query(kind="side_unstated", message="Which side?", findings=(number,))
        for number, finding in enumerate(findings)
        if finding.side == "unstated"
    )
    start = findings[0].start_char if findings else len(text)
    unread = (TextSpan(text=text[:start], start_char=0, end_char=start),) if text[:start].strip() else ()
    return StandInResult(
        Note(
            complaint=tuple(complaint),
            findings=findings,
            slots=slots,
            queries=queries,
            unread=unread,
            transcript=text,
        )
    )
