"""How well dictations are heard: word errors, findings, wrong sides, speed, memory; engines side by side.

`python -m tests.bench.speech [--quick] [--engines a,b] [--voices a,b] [--conditions clean,pink20]`

Each dictation of tests/cases/golden (those marked as spoken) and samples/*.txt is spoken by synthetic
voices (see tests/tools/voices.py; made once, kept in the system's temporary folder) and heard by each
engine in a process of its own, so that memory and start-up are its own. Columns:

- WER: word error rate in per cent against the text (British and joined spellings made equal first);
- F1: findings (item, site, side, status) against the findings of the dictation's own text;
- wrong: findings that are right but for the side; asked: those of them that carry a query;
- RTF: processor seconds per second of sound; end: milliseconds from the end of an utterance to its words
(median);
- MB and start: peak memory and seconds to the first utterance.

Whisper tiny (faster-whisper) is heard as well when a model folder is given in $WHISPER_TINY.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import soundfile

from dictate.events import SAMPLE_RATE_HZ, AudioChunk, FinalText
from tests.tools.noises import add_noise, pink, room, white
from tests.tools.scoring import score_findings, spoken_lines, word_errors
from tests.tools.voices import FESTIVAL, KOKORO, speak

ROOT = Path(__file__).parents[2]
KEPT = Path(tempfile.gettempdir()) / "spoken-exam-bench"
ENGINES = ("pocketsphinx", "pocketsphinx-general", "fused", "two-ears", "whisper-tiny")
VOICES = ("flite-rms", "flite-slt", "flite-awb", *FESTIVAL, *KOKORO)
QUICK_VOICES = ("flite-rms", "kokoro-jf_gongitsune")
CONDITIONS = {
    "clean": lambda sound: sound,
    "pink20": lambda sound: add_noise(sound, pink(len(sound)), 20),
    "pink10": lambda sound: add_noise(sound, pink(len(sound)), 10),
    "white20": lambda sound: add_noise(sound, white(len(sound)), 20),
    "room": room,
}


def dictations(quick: bool) -> dict[str, tuple[str, tuple[str, ...]]]:
    """name -> (text, complaints) of what is spoken."""
    found = {path.stem: (path.read_text(encoding="utf-8"), ()) for path in sorted((ROOT / "samples").glob("*.txt"))}
    if quick:
        return found
    for path in sorted((ROOT / "tests" / "cases" / "golden").glob("spoken_*.jsonl")):
        for line in path.read_text(encoding="utf-8").splitlines():
            case = json.loads(line)
            if case.get("spoken", True) and not any(char.isdigit() for char in case["text"]):
                found[case["id"]] = (case["text"], tuple(case.get("complaint", ())))
    return found


def sound_of(name: str, text: str, voice: str, condition: str) -> Path:
    """The recording, made when it is not there yet."""
    path = KEPT / voice / f"{name}.{condition}.flac"
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        if condition == "clean":
            samples = speak(text, voice, pause_s=(0.6, 1.1), seed=len(name)).samples
        else:
            clean = soundfile.read(sound_of(name, text, voice, "clean"), dtype="int16")[0]
            samples = CONDITIONS[condition](clean)
        soundfile.write(path, samples, SAMPLE_RATE_HZ)
    return path


def open_engine(name: str) -> Any:
    """The engine of a bench row, or an exception when it is not there."""
    from dictate.engines.choose import choose_engine

    if name == "pocketsphinx-general":
        from dictate.engines.pocketsphinx_engine import PocketsphinxEngine

        return PocketsphinxEngine()
    if name == "whisper-tiny":
        from tests.bench.whisper_peer import WhisperEngine

        return WhisperEngine(os.environ["WHISPER_TINY"])
    return choose_engine(name)


def hear(engine: Any, samples: Any) -> tuple[list[FinalText], list[float]]:
    """The utterances of a recording and the seconds that each `finish` took."""
    from dictate.listen import Listener

    waits: list[float] = []
    finish = engine.finish

    def timed() -> FinalText:
        began = time.perf_counter()
        final: FinalText = finish()
        waits.append(time.perf_counter() - began)
        return final

    engine.finish = timed
    listener = Listener(engine)
    events = []
    for at in range(0, len(samples), 1600):
        events += listener.feed(AudioChunk(samples[at : at + 1600], at / SAMPLE_RATE_HZ))
    events += listener.flush()
    engine.finish = finish
    return [event for event in events if isinstance(event, FinalText)], waits


def work(engine_name: str, jobs: list[dict[str, Any]]) -> dict[str, Any]:
    """Hear all jobs with one engine (in a process of its own)."""
    from dictate.hearing import note_of
    from grammar import parse

    began = time.perf_counter()
    engine = open_engine(engine_name)
    engine.start(0.0)
    engine.accept(np.zeros(8000, dtype=np.int16))
    engine.finish()
    start_s = time.perf_counter() - began
    rows = []
    for job in jobs:
        samples = soundfile.read(job["path"], dtype="int16")[0]
        before = time.process_time()
        utterances, waits = hear(engine, samples)
        cpu_s = time.process_time() - before
        heard = [utterance for utterance in utterances if utterance.words]
        errors, words = word_errors(job["text"], " ".join(utterance.text for utterance in heard))
        note = note_of(heard, complaint=job["complaint"])
        truth = parse(spoken_lines(job["text"]), complaint=tuple(job["complaint"])).note
        rows.append(
            {
                **job,
                "errors": errors,
                "words": words,
                "cpu_s": cpu_s,
                "waits": waits,
                "seconds": len(samples) / SAMPLE_RATE_HZ,
                **score_findings(truth, note),
                "heard": [utterance.text for utterance in heard],
            }
        )
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"start_s": start_s, "memory_mb": memory, "rows": rows}


def main() -> None:
    """Run the rows and print the table."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--quick", action="store_true", help="the samples only, two voices")
    options.add_argument("--engines", default=",".join(ENGINES))
    options.add_argument("--voices", default="")
    options.add_argument("--conditions", default="clean,pink20,pink10")
    options.add_argument("--limit", type=int, default=0, help="at most so many dictations")
    options.add_argument("--details", action="store_true", help="print what was misheard")
    options.add_argument("--worker", help=argparse.SUPPRESS)
    chosen = options.parse_args()
    if chosen.worker:
        print(json.dumps(work(chosen.worker, json.load(sys.stdin))))
        return
    voices = chosen.voices.split(",") if chosen.voices else (QUICK_VOICES if chosen.quick else VOICES)
    texts = dictations(chosen.quick)
    if chosen.limit:
        texts = dict(list(texts.items())[: chosen.limit])
    jobs = [
        {
            "name": name,
            "text": text,
            "complaint": complaint,
            "voice": voice,
            "condition": condition,
            "path": str(sound_of(name, text, voice, condition)),
        }
        for voice in voices
        for condition in chosen.conditions.split(",")
        for name, (text, complaint) in texts.items()
    ]
    for engine in chosen.engines.split(","):
        report(engine, jobs, chosen.details)


def report(engine: str, jobs: list[dict[str, Any]], details: bool) -> None:
    """Run one engine and print its rows."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.speech", "--worker", engine],
        input=json.dumps(jobs),
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    if done.returncode:
        print(f"{engine}: not run ({done.stderr.strip().splitlines()[-1] if done.stderr.strip() else 'failed'})")
        return
    result = json.loads(done.stdout.strip().splitlines()[-1])
    print(f"\n{engine}: {result['memory_mb']:.0f} MB, start {result['start_s']:.2f} s")
    print(f"  {'voice':24}{'condition':10}{'WER':>7}{'F1':>8}{'wrong':>7}{'asked':>7}{'RTF':>7}{'end ms':>8}")
    grouped: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for row in result["rows"]:
        grouped[(row["voice"], row["condition"])].append(row)
        grouped[("median of voices", row["condition"])] = []
    figures = {key: summarise(rows) for key, rows in grouped.items() if rows}
    for voice, condition in sorted(grouped, key=lambda key: (key[1], key[0] == "median of voices", key[0])):
        columns = figures.get((voice, condition)) or [
            median(values)
            for values in zip(*(figure for (_, kind), figure in figures.items() if kind == condition), strict=True)
        ]
        wer, f1, wrong, asked, rtf, wait = columns
        print(f"  {voice:24}{condition:10}{wer:7.1f}{f1:8.3f}{wrong:7.0f}{asked:7.0f}{rtf:7.3f}{wait:8.0f}")
    if details:
        for row in result["rows"]:
            print(f"  {row['voice']} {row['condition']} {row['name']}: {' / '.join(row['heard'])}")


def summarise(rows: list[dict[str, Any]]) -> list[float]:
    """WER %, F1, wrong sides, those asked about, RTF, median milliseconds to the words."""

    def total(name: str) -> float:
        return float(sum(row[name] for row in rows))

    waits = [wait for row in rows for wait in row["waits"]]
    both = 2 * total("hits")
    return [
        100 * total("errors") / total("words"),
        both / max(1.0, total("said") + total("found")),
        total("wrong"),
        total("asked"),
        total("cpu_s") / total("seconds"),
        1000 * median(waits or [0.0]),
    ]


if __name__ == "__main__":
    main()
