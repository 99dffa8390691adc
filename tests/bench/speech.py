"""How well dictations are heard: word errors, findings, wrong sides, other talk, speed, memory; engines side by side.

    python -m tests.bench.speech hear [--engines a,b] [--voices a,b] [--conditions a,b] [--limit N] [--run K]
    python -m tests.bench.speech table [--by-voice] [--readme]
    python -m tests.bench.speech errors --engines fused --conditions clean

`hear` hears what the folder (`--folder`, by default in the system's temporary folder) does not hold yet,
so that it can run in slices; `--run 2` hears everything once more, for the medians of time. What is kept is what was
heard, not the score, so a better grammar needs no new hearing; results of another state of engines and sound code are
left out of the table. `--limit` is dictations a cell (about three utterances each). Columns, medians over voices:

- WER: word error rate in per cent against the text (British and joined spellings made equal first);
- F1: findings (item, site, side, status) against the findings of the dictation's own text;
- sides: findings that are right but for the side, all voices together; asked: those of them that carry a query;
- in vain: right findings that are asked about because something was heard weakly, in per cent;
- unmarked: wrong words that the note does not mark, marked: right words that it does, in per cent of heard words;
- lost: share of the true findings that stand in utterances rejected as other talk, in per cent;
- RTF: processor seconds per second of sound; wait, and wait 3 s (utterances of 2.5 to 3.5 s): milliseconds from the
  end that the endpointer saw to the words;
- other talk: findings invented a minute; MB and start: peak memory and seconds to the first utterance.

Whisper tiny (faster-whisper) is heard as well when a model folder is given in $WHISPER_TINY.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from statistics import median
from typing import Any

from dictate.doubt import is_weak
from dictate.engines.fused.certainty import aligned
from dictate.hearing import note_of
from grammar import parse
from tests.bench.speech_sets import CONDITIONS, HUMANS, ROOT, VOICES, Piece, Sets, pieces
from tests.bench.speech_work import ENGINES, finals_of, hear
from tests.tools.scoring import normal_words, score_findings, spoken_lines, units, word_errors

KEPT = Path(tempfile.gettempdir()) / "spoken-exam-bench"
TALK_VOICES = ("flite-rms", "flite-awb", "flite-kal16", "festival-slt", "kokoro-jf_alpha")
SUMS = (
    *("errors", "words", "hits", "said", "found", "wrong", "asked", "doubted", "findings"),
    *("unmarked", "marked", "heard", "lost", "true"),
)


def state_of_the_code() -> str:
    """Eight digits over all code and data that hear."""
    digest = hashlib.sha256()
    for folder in ("dictate/engines", "dictate/audio"):
        for path in sorted((ROOT / folder).rglob("*")):
            if path.suffix in (".py", ".toml", ".tsv", ".dict", ".npz"):
                digest.update(path.read_bytes())
    return digest.hexdigest()[:8]


def cells(chosen: argparse.Namespace) -> Iterable[Piece]:
    """The recordings that the options name."""
    for condition in chosen.conditions.split(","):
        usual = (*HUMANS, *TALK_VOICES) if condition == "talk" else VOICES
        for voice in chosen.voices.split(",") if chosen.voices else usual:
            if (voice in HUMANS) <= (condition == "talk"):
                yield from pieces(voice, condition, chosen.limit, chosen.part)


def result_path(folder: Path, label: str, engine: str, piece: Piece, run: int) -> Path:
    """Where the result of a recording is kept."""
    return folder / "heard" / label / engine / f"{piece.voice}.{piece.condition}.{piece.name}.{run}.json"


def hear_missing(chosen: argparse.Namespace) -> None:
    """Hear what is not there yet, each engine and condition in a fresh process."""
    sets = Sets(chosen.folder / "sounds")
    label = chosen.label or state_of_the_code()
    for engine in chosen.engines.split(","):
        jobs: dict[str, list[dict[str, str]]] = defaultdict(list)
        for piece in cells(chosen):
            path = result_path(chosen.folder, label, engine, piece, chosen.run)
            if not path.exists():
                jobs[piece.condition].append({"sound": str(sets.sound(piece)), "result": str(path)})
        for condition, missing in jobs.items():
            done = subprocess.run(
                [sys.executable, "-m", "tests.bench.speech", "work", "--engines", engine, "--label", label],
                input=json.dumps(missing),
                capture_output=True,
                text=True,
                cwd=ROOT,
                check=False,
            )
            if done.returncode:
                said = done.stderr.strip().splitlines()
                print(f"{engine}: not heard ({said[-1] if said else 'failed'})", flush=True)
                break
            print(f"{engine} {condition}: {len(missing)} recordings", flush=True)


def score(piece: Piece, result: dict[str, Any], sets: Sets) -> dict[str, float]:
    """The counts of one recording."""
    finals = finals_of(result)
    note = note_of(finals, complaint=piece.complaint)
    minutes = result["seconds"] / 60
    row = dict.fromkeys(SUMS, 0.0) | {"minutes": minutes, "cpu_s": result["cpu_s"]}
    if piece.condition == "talk":
        return row | {"found": len(note.findings)}
    row["errors"], row["words"] = word_errors(piece.text, " ".join(final.text for final in finals))
    truth = parse(spoken_lines(piece.text), complaint=piece.complaint).note
    row |= score_findings(truth, note)
    right = units(truth.findings)
    weak = {place for query in note.queries if query.kind == "heard_weakly" for place in query.findings}
    for place, finding in enumerate(note.findings):
        if units([finding]).keys() <= right.keys():
            row["findings"] += 1
            row["doubted"] += place in weak
    heard = [word for final in finals for word in final.words]
    same = [" ".join(normal_words(word.text)) or word.text for word in heard]
    for word, text, said in zip(heard, same, aligned(same, normal_words(piece.text)), strict=True):
        row["heard"] += 1
        row["unmarked"] += text != said and not is_weak(word.confidence)
        row["marked"] += text == said and is_weak(word.confidence)
    for said, start_s, end_s in sets.phrases(piece):
        own = len(parse(spoken_lines(said)).note.findings)
        over = [final for final in finals if final.start_s < end_s and final.end_s > start_s]
        row["true"] += own
        row["lost"] += own * (bool(over) and all(final.rejected for final in over))
    return row


@cache
def _result(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return found


def gathered(chosen: argparse.Namespace) -> dict[tuple[str, str, str], dict[str, Any]]:
    """(engine, condition, voice) -> the sums of a cell; times are medians over the runs."""
    sets = Sets(chosen.folder / "sounds")
    label = chosen.label or state_of_the_code()
    found: dict[tuple[str, str, str], dict[str, Any]] = {}
    for piece in cells(chosen):
        for engine in chosen.engines.split(","):
            paths = [result_path(chosen.folder, label, engine, piece, run) for run in range(1, 6)]
            results = [_result(path) for path in paths if path.exists()]
            if not results:
                continue
            row = score(piece, results[0], sets)
            row["cpu_s"] = median(result["cpu_s"] for result in results)
            cell = found.setdefault((engine, piece.condition, piece.voice), defaultdict(float))
            for name, value in row.items():
                cell[name] += value
            spans = [final["end_s"] - final["start_s"] for final in results[0]["heard"]]
            for result in results:
                cell.setdefault("waits", []).extend(zip(spans, result["waits"], strict=False))
                cell.setdefault("memory_mb", []).append(result["memory_mb"])
                cell.setdefault("start_s", []).append(result["start_s"])
    return found


def figures(cell: dict[str, Any]) -> dict[str, float]:
    """The columns of one cell."""
    waits = cell.get("waits", [])
    three = [wait for span, wait in waits if 2.5 <= span <= 3.5]
    said_and_found = cell["said"] + cell["found"]
    return {
        "WER": 100 * cell["errors"] / max(1, cell["words"]),
        "F1": 2 * cell["hits"] / max(1, said_and_found),
        "sides": cell["wrong"],
        "asked": cell["asked"],
        "in vain": 100 * cell["doubted"] / max(1, cell["findings"]),
        "unmarked": 100 * cell["unmarked"] / max(1, cell["heard"]),
        "marked": 100 * cell["marked"] / max(1, cell["heard"]),
        "lost": 100 * cell["lost"] / max(1, cell["true"]),
        "RTF": cell["cpu_s"] / (60 * cell["minutes"]),
        "wait": 1000 * median([wait for _, wait in waits] or [0]),
        "wait 3 s": 1000 * median(three or [0]),
        "a minute": cell["found"] / cell["minutes"],
    }


def together(cells_of_voices: Sequence[dict[str, Any]]) -> dict[str, float]:
    """Medians over voices; sides, asked and other talk are sums."""
    each = [figures(cell) for cell in cells_of_voices]
    row = {name: median(one[name] for one in each) for name in each[0]}
    row["sides"], row["asked"] = sum(one["sides"] for one in each), sum(one["asked"] for one in each)
    row["a minute"] = sum(cell["found"] for cell in cells_of_voices) / sum(cell["minutes"] for cell in cells_of_voices)
    return row


SHOWN = {
    "WER": "{:.1f}",
    "F1": "{:.3f}",
    "sides": "{:.0f}",
    "asked": "{:.0f}",
    "in vain": "{:.1f}",
    "unmarked": "{:.1f}",
    "marked": "{:.1f}",
    "lost": "{:.1f}",
    "RTF": "{:.3f}",
    "wait": "{:.0f}",
    "wait 3 s": "{:.0f}",
}


def table(chosen: argparse.Namespace) -> None:
    """Print what was heard so far, as Markdown."""
    found = gathered(chosen)
    print(f"| engine | condition | voices | {' | '.join(SHOWN)} |")
    print("|---|---|---|" + "---|" * len(SHOWN))
    for condition in chosen.conditions.split(","):
        for engine in chosen.engines.split(","):
            voices = {voice: cell for (one, kind, voice), cell in found.items() if (one, kind) == (engine, condition)}
            if not voices or condition == "talk":
                continue
            if chosen.by_voice:
                for voice, cell in voices.items():
                    print_row(engine, condition, voice, figures(cell))
            print_row(engine, condition, str(len(voices)), together(list(voices.values())))
    print(
        "\n| engine | other talk, minutes | findings invented a minute | memory MB | start s |\n|---|---|---|---|---|"
    )
    for engine in chosen.engines.split(","):
        own = [cell for (one, _, _), cell in found.items() if one == engine]
        talk = [cell for (one, kind, _), cell in found.items() if (one, kind) == (engine, "talk")]
        if own:
            minutes = sum(cell["minutes"] for cell in talk)
            rate = f"{together(talk)['a minute']:.2f}" if talk else ""
            memory = max(value for cell in own for value in cell["memory_mb"])
            start = median(value for cell in own for value in cell["start_s"])
            print(f"| {engine} | {minutes:.1f} | {rate} | {memory:.0f} | {start:.2f} |")


def print_row(engine: str, condition: str, voice: str, row: dict[str, float]) -> None:
    """One line of the table."""
    cells_shown = [form.format(row[name]) for name, form in SHOWN.items()]
    print(f"| {engine} | {condition} | {voice} | {' | '.join(cells_shown)} |")


def errors(chosen: argparse.Namespace) -> None:
    """Print what was misheard, and what was invented in other talk."""
    label, sets = chosen.label or state_of_the_code(), Sets(chosen.folder / "sounds")
    for piece in cells(chosen):
        for engine in chosen.engines.split(","):
            path = result_path(chosen.folder, label, engine, piece, chosen.run)
            if not path.exists():
                continue
            finals = finals_of(_result(path))
            counts = score(piece, _result(path), sets)
            if not (counts["errors"] or counts["found"] > counts["hits"]):
                continue
            print(f"{engine} {piece.voice} {piece.condition} {piece.name} { ({k: v for k, v in counts.items() if v}) }")
            print(f"   said:  {' / '.join(spoken_lines(piece.text).splitlines())}")
            for final in finals:
                words = " ".join(word.text + ("?" if is_weak(word.confidence) else "") for word in final.words)
                print(f"   {'other:' if final.rejected else 'heard:'} {words}")


def main() -> None:
    """Read the options and do the step."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("step", choices=("hear", "table", "errors", "work"))
    options.add_argument("--engines", default=",".join(ENGINES))
    options.add_argument("--voices", default="")
    options.add_argument("--conditions", default=",".join(CONDITIONS))
    options.add_argument("--limit", type=int, default=20, help="recordings a cell")
    options.add_argument("--part", default="held-out", choices=("held-out", "tuning"))
    options.add_argument("--run", type=int, default=1)
    options.add_argument("--folder", type=Path, default=KEPT)
    options.add_argument("--label", default="", help="name of the state of the code (default: its fingerprint)")
    options.add_argument("--by-voice", action="store_true")
    chosen = options.parse_args()
    if chosen.step == "work":
        hear(chosen.engines, json.load(sys.stdin), chosen.label)
    else:
        {"hear": hear_missing, "table": table, "errors": errors}[chosen.step](chosen)


if __name__ == "__main__":
    main()
