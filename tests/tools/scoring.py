"""Scores for benches and sample tests: word errors, findings against findings, wrong sides."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable

from grammar.models import Finding, Note

SAME = {
    "plantar flexion": "plantarflexion",
    "pin prick": "pinprick",
    "horners": "horner's",
    "up going": "upgoing",
    "down going": "downgoing",
    "dorsi flexion": "dorsiflexion",
    "cog wheel": "cogwheel",
    "past pointing": "pastpointing",
    "cog wheeling": "cogwheeling",
    "orientated": "oriented",
    "tinels": "tinel's",
    "phalens": "phalen's",
    "hemorrhages": "haemorrhages",
    "papilledema": "papilloedema",
    "all right": "alright",
    "mid line": "midline",
    "gray": "grey",
    "i have": "i've",
    "i am": "i'm",
    "upper limb": "upperlimb",
    "fore head": "forehead",
    "today": "to day",
    "gcs": "g c s",
    "mrc": "m r c",
    "righto": "right o",
    "non focal": "nonfocal",
    "neurone": "neuron",
    "there is": "there's",
    "that is": "that's",
    "it is": "it's",
}
"""Spellings that are the same word in another dress."""


def normal_words(text: str) -> list[str]:
    """Lower-case words without punctuation; hyphens part words, differing spellings made equal."""
    plain = " ".join(re.findall(r"[a-z']+", text.lower().replace("’", "'").replace("-", " ")))
    for spelling, same in SAME.items():
        plain = re.sub(rf"\b{spelling}\b", same, plain)
    return plain.split()


def spoken_lines(text: str) -> str:
    """A text as a perfect recogniser would give it: one line an utterance, plain words."""
    lines = re.split(r"(?<=[.?!])\s+|\n+", text)
    return "\n".join(" ".join(re.findall(r"[a-z']+", line.lower())) for line in lines if line.strip())


def word_errors(said: str, heard: str) -> tuple[int, int]:
    """(substituted, dropped and added words, words said)."""
    one, other = normal_words(said), normal_words(heard)
    row = list(range(len(other) + 1))
    for i, word in enumerate(one, 1):
        row, before = [i, *row[1:]], row
        for j, rival in enumerate(other, 1):
            row[j] = min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (word != rival))
    return row[-1], len(one)


def units(findings: Iterable[Finding]) -> Counter[tuple[str, str | None, str, str]]:
    """(item, site, side, status) of each finding, both sides split in two."""
    return Counter(
        (finding.item, finding.site, side, finding.status)
        for finding in findings
        for side in (("right", "left") if finding.side == "both" else (finding.side,))
    )


def score_findings(truth: Note, note: Note) -> dict[str, int]:
    """hits, said, found; `wrong`: found with right item, site and status on the opposite side only."""
    said, found = units(truth.findings), units(note.findings)
    hits = said & found
    missed, extra = said - hits, found - hits
    wrong = asked = 0
    for (item, site, side, status), count in extra.items():
        other = {"right": "left", "left": "right"}.get(side)
        if other and (item, site, other, status) in missed:
            wrong += count
            asked += count * _is_asked(note, item, site, side)
    return {
        "hits": sum(hits.values()),
        "said": sum(said.values()),
        "found": sum(found.values()),
        "wrong": wrong,
        "asked": asked,
    }


def _is_asked(note: Note, item: str, site: str | None, side: str) -> bool:
    """Whether a query rests on that finding."""
    places = {
        place
        for place, finding in enumerate(note.findings)
        if (finding.item, finding.site) == (item, site) and finding.side in (side, "both")
    }
    return any(places & set(query.findings) for query in note.queries)
