"""Speed, start-up and memory of the whole parse on one core, and spaCy's EntityRuler + negspacy on the same text.

    python -m tests.bench.grammar [--profile] [--json]

The text is every golden dictation, one note after the other. Ours reads everything: findings with codes, slots,
queries, cover. The peer (extra `bench`) only finds the same item phrases as entities and marks negated ones.
Each figure is the best of three; `--profile` prints where our time goes. Processor time, so that a busy machine
disturbs little.
"""

from __future__ import annotations

import argparse
import cProfile
import json
import pstats
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

GOLDEN = Path(__file__).resolve().parents[1] / "cases" / "golden"
ROUNDS = 3


def texts() -> list[str]:
    """The golden dictations."""
    return [
        json.loads(line)["text"]
        for path in sorted(GOLDEN.glob("*.jsonl"))
        for line in path.read_text(encoding="utf-8").splitlines()
        if line
    ]


def speed(read: Callable[[str], object], said: list[str]) -> float:
    """Words a second of processor time, the best of three rounds."""
    count = sum(len(text.split()) for text in said)
    best = float("inf")
    for _ in range(ROUNDS):
        start = time.process_time()
        for text in said:
            read(text)
        best = min(best, time.process_time() - start)
    return count / best


def start_up() -> tuple[float, float]:
    """Seconds of processor time and megabytes at the peak of a fresh process that reads one sentence."""
    code = (
        "import grammar, resource, time; grammar.parse('right knee jerk two plus');"
        "print(time.process_time(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)"
    )
    runs = [
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
        for _ in range(ROUNDS)
    ]
    return min(float(run[0]) for run in runs), max(float(run[1]) for run in runs)


def peer() -> Callable[[str], object] | None:
    """spaCy's EntityRuler with our item phrases, then negspacy; None when it is not installed."""
    try:
        import spacy
        from negspacy.negation import Negex  # noqa: F401  registers "negex"
    except ImportError:
        return None
    from grammar.pipeline import pipeline

    nlp = spacy.blank("en")
    nlp.add_pipe("sentencizer")
    ruler = nlp.add_pipe("entity_ruler", config={"phrase_matcher_attr": "LOWER"})
    said = [lexeme.text for lexeme in pipeline().by_key.values() if lexeme.item is not None]
    ruler.add_patterns([{"label": "ITEM", "pattern": text} for text in said])
    nlp.add_pipe("negex")
    return nlp


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--profile", action="store_true", help="print the functions that take most time")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    options = parser.parse_args()
    from grammar import parse

    said = texts()
    parse(said[0])
    seconds, megabytes = start_up()
    figures: dict[str, float | None] = {
        "words_a_second_short_texts": round(speed(parse, said)),
        "words_a_second_one_long_text": round(speed(parse, ["\n".join(said)])),
        "start_up_s": round(seconds, 2),
        "peak_memory_mb": round(megabytes),
        "own_peak_memory_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
    }
    other = peer()
    figures["peer_words_a_second"] = round(speed(other, said)) if other is not None else None
    if options.json:
        print(json.dumps(figures))
    else:
        for name, value in figures.items():
            print(f"{name:30} {value if value is not None else 'not installed (extra bench)'}")
    if options.profile:
        profile = cProfile.Profile()
        profile.enable()
        for text in said:
            parse(text)
        profile.disable()
        pstats.Stats(profile).sort_stats("tottime").print_stats(25)


if __name__ == "__main__":
    main()
