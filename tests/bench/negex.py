"""Negation, time and person of 2,376 marked conditions: our scopes and negspacy's, in one run.

    python -m tests.bench.negex [--json]

Precision, recall and F1 of the negated, historical, hypothetical and other-person classes on the NegEx
and ConText set (tests/cases/negex/README.md), for the half whose errors were read (even line numbers),
the held-out half (odd) and all. negspacy (extra `bench`) gets the same marked phrases as entities and
sentences that spaCy's sentencizer ends.
"""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

from grammar.negation import judge

FILE = Path(__file__).resolve().parents[1] / "cases" / "negex" / "rsAnnotations-1-120-random.txt"
CLASSES = ("negated", "historical", "hypothetical", "other person")


class Row(NamedTuple):
    """One marked condition: where it stands in its sentence and the classes it is in."""

    number: int
    sentence: str
    span: tuple[int, int] | None
    classes: frozenset[str]


class Score(NamedTuple):
    """Counts of one class."""

    right: int
    invented: int
    missed: int

    @property
    def precision(self) -> float:
        """Share of what came out that is right."""
        return self.right / (self.right + self.invented) if self.right + self.invented else 0.0

    @property
    def recall(self) -> float:
        """Share of what is there that came out."""
        return self.right / (self.right + self.missed) if self.right + self.missed else 0.0

    @property
    def f1(self) -> float:
        """Harmonic mean of the two."""
        both = self.precision + self.recall
        return 2 * self.precision * self.recall / both if both else 0.0


def rows() -> Iterator[Row]:
    """The set; a phrase is where its capitals stand, else where its words stand."""
    for line in FILE.read_text(encoding="ascii").splitlines()[1:]:
        number, phrase, sentence, negation, time, person = line.split("\t")
        words = r"\s+".join(re.escape(word) for word in phrase.upper().split())
        found = re.search(words, sentence) or re.search(words, sentence, re.IGNORECASE)
        classes = {
            "negated": negation.strip() == "Negated",
            "historical": time.strip() == "Historical",
            "hypothetical": time.strip() == "Not particular",
            "other person": person.strip() != "Patient",
        }
        held = frozenset(name for name, holds in classes.items() if holds)
        yield Row(int(number), sentence, found.span() if found else None, held)


def ours(row: Row) -> frozenset[str]:
    """The classes that our scopes give."""
    if row.span is None:
        return frozenset()
    said = judge(row.sentence, [row.span])[0]
    classes = {
        "negated": said.polarity == "negated",
        "historical": said.time == "historical",
        "hypothetical": said.time == "hypothetical",
        "other person": said.person == "other",
    }
    return frozenset(name for name, holds in classes.items() if holds)


def peer() -> Callable[[Row], frozenset[str]] | None:
    """negspacy on the same phrases, or None when it is not installed."""
    try:
        import spacy
        from negspacy.negation import Negex
    except ImportError:
        return None
    nlp = spacy.blank("en")
    nlp.add_pipe("sentencizer")
    negex = Negex(nlp, "negex", neg_termset=_terms())
    sentencizer = nlp.get_pipe("sentencizer")

    def judged(row: Row) -> frozenset[str]:
        if row.span is None:
            return frozenset()
        doc = nlp.make_doc(row.sentence)
        span = doc.char_span(*row.span, label="CONDITION", alignment_mode="expand")
        if span is None:
            return frozenset()
        doc.ents = (span,)
        doc = negex(sentencizer(doc))
        return frozenset(("negated",)) if any(ent._.negex for ent in doc.ents) else frozenset()

    return judged


def _terms() -> dict[str, list[str]]:
    """negspacy's own clinical terms."""
    from negspacy.termsets import termset

    terms: dict[str, list[str]] = termset("en_clinical").get_patterns()
    return terms


def score(cases: list[Row], judged: Callable[[Row], frozenset[str]]) -> dict[str, Score]:
    """The counts of every class."""
    given = [(row.classes, judged(row)) for row in cases]
    return {
        name: Score(
            sum(name in want and name in got for want, got in given),
            sum(name not in want and name in got for want, got in given),
            sum(name in want and name not in got for want, got in given),
        )
        for name in CLASSES
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    options = parser.parse_args()
    cases = list(rows())
    halves = {
        "read (even)": [row for row in cases if row.number % 2 == 0],
        "held out (odd)": [row for row in cases if row.number % 2],
        "all": cases,
    }
    judges: dict[str, Callable[[Row], frozenset[str]] | None] = {"ours": ours, "negspacy": peer()}
    for who, judged in judges.items():
        if judged is None:
            print(f"{who}: not installed (pip install 'spoken-exam[bench]')")
            continue
        for half, part in halves.items():
            for name, counts in score(part, judged).items():
                if who == "negspacy" and name != "negated":
                    continue  # it judges negation only
                row = {"who": who, "rows": half, "class": name, "n": counts.right + counts.missed}
                figures = {"precision": counts.precision, "recall": counts.recall, "f1": counts.f1}
                if options.json:
                    rounded = {key: round(value, 4) for key, value in figures.items()}
                    print(json.dumps(row | rounded))
                else:
                    shown = "  ".join(f"{key} {value:.3f}" for key, value in figures.items())
                    print(f"{who:9} {half:15} {name:13} n {row['n']:4}  {shown}")


if __name__ == "__main__":
    main()
