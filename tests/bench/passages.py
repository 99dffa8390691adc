"""Runs the grammar over passages that nobody has labelled and shows what each sentence gave, to be read.

    python -m tests.bench.passages PASSAGES.jsonl [--silent] [--kind note] [--json]

Each line of the file is one JSON object with `text`, and if it likes `id` and `kind`. Printed are
the sentences that gave findings, with these; then the sentences that name something of the catalogue and gave
nothing (read these first: each is a miss, or rightly context, an instruction or a joint's range of motion),
and the shares. In passages of the kind "instruction" every finding is a suspect.

Whether a sentence names an item is decided by the plain words of item_names.toml.
"""

from __future__ import annotations

import argparse
import json
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import grammar
from grammar.models import Finding

NAMES = tomllib.loads(Path(__file__).with_name("item_names.toml").read_text(encoding="utf-8"))
NAMED = {item: re.compile(pattern, re.IGNORECASE) for item, pattern in NAMES.items()}
SENTENCE = re.compile(r".+?(?:[.!?](?=\s|$)|\n|$)", re.DOTALL)


@dataclass
class Sentence:
    """One sentence of a passage, what it names and what came out of it."""

    passage: str
    kind: str
    text: str
    names: list[str]
    findings: list[Finding] = field(default_factory=list)


def sentences(passage: dict[str, Any]) -> Iterator[Sentence]:
    """The sentences of one passage, read together so that side and station can carry."""
    text = passage["text"]
    note = grammar.parse(text).note
    for match in SENTENCE.finditer(text):
        if not match[0].strip():
            continue
        start, end = match.span()
        yield Sentence(
            passage=passage.get("id", "?"),
            kind=passage.get("kind", "note"),
            text=match[0].strip(),
            names=[item for item, pattern in NAMED.items() if pattern.search(match[0])],
            findings=[found for found in note.findings if start <= found.start_char < end],
        )


def shown(found: Finding) -> str:
    """A finding in one line: item:site side status grade descriptors ~qualifiers."""
    name = f"{found.item}:{found.site}" if found.site else found.item
    extras = [
        found.grade or "",
        ",".join(found.descriptors),
        "".join(f"~{word}" for word in found.qualifiers),
    ]
    return " ".join([name, found.side, found.status, *filter(None, extras)])


def summary(rows: list[Sentence]) -> dict[str, Any]:
    """Counts and shares: sentences, those that name an item, those of them that gave a finding."""
    stated = [row for row in rows if row.kind != "instruction"]
    naming = [row for row in stated if row.names]
    silent = [row for row in naming if not row.findings]
    return {
        "sentences": len(rows),
        "naming_an_item": len(naming),
        "naming_and_silent": len(silent),
        "share_with_a_finding": round(1 - len(silent) / len(naming), 3) if naming else None,
        "findings": sum(len(row.findings) for row in rows),
        "found_where_nothing_is_named": sum(len(row.findings) for row in stated if not row.names),
        "found_in_instructions": sum(len(row.findings) for row in rows if row.kind == "instruction"),
    }


def show(rows: list[Sentence], *, silent_only: bool) -> None:
    """Prints the sentences that gave findings, then the silent ones, the suspects and the shares."""
    for row in [] if silent_only else [row for row in rows if row.findings]:
        print(f"[{row.passage}] {row.text}")
        for found in row.findings:
            print(f"      {shown(found)}")
    print("\n== name an item, no finding")
    for row in rows:
        if row.names and not row.findings and row.kind != "instruction":
            print(f"[{row.passage}] {row.text}   <{', '.join(row.names)}>")
    print("\n== a finding in an instruction, or where no item is named")
    for row in rows:
        if row.findings and (row.kind == "instruction" or not row.names):
            print(f"[{row.passage}] {row.text}   -> {'; '.join(map(shown, row.findings))}")
    print()
    for name, value in summary(rows).items():
        print(f"{name:32} {value}")


def main() -> None:
    """Reads the options and the file, prints the report."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("file", type=Path, help="passages, one JSON object a line")
    parser.add_argument("--silent", action="store_true", help="only the sentences without a finding, and suspects")
    parser.add_argument("--kind", help="only passages of this kind")
    parser.add_argument("--json", action="store_true", help="only the shares, as one JSON object")
    options = parser.parse_args()
    passages = [json.loads(line) for line in options.file.read_text(encoding="utf-8").splitlines() if line]
    rows = [row for passage in passages if options.kind in (None, passage.get("kind")) for row in sentences(passage)]
    if options.json:
        print(json.dumps(summary(rows)))
    else:
        show(rows, silent_only=options.silent)


if __name__ == "__main__":
    main()
