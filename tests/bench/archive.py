"""Archive throughput: notes a second on 1 and 2 processes and on a 2-worker Dask cluster, growth, memory.

    python -m tests.bench.archive [--notes 100000] [--middle 100000] [--small 10000] [--seed 1]
                                  [--golden-share 0.1] [--json FILE]
                                  [--only bare,one,two,cluster,small,large,wait]

The notes are invented: templates of this file filled by a seeded generator, mixed with the golden dictations.
The peer beside it is the bare loop: `grammar.parse` over the same texts in one process that does nothing else
(no isolation, no rows, no files), so the cost of the archive around the parser shows. Figures for a million
notes and for 20 nodes are extrapolations and say so. Nothing here is a test: no figure passes or fails.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.dictate.archive.helpers import cluster
from tests.dictate.archive.stand_in import PARSER

GOLDEN = Path(__file__).resolve().parents[1] / "cases" / "golden"
DRIVER = "tests.dictate.archive.driver"
SIDES = ("right", "left")
SPOKEN = (
    "the {side} {reflex} jerk is two plus",
    "{reflex} jerks are brisk on the {side}, {grade} plus on the other side",
    "on the {side}, {reflex} {grade} plus, {reflex2} {grade} plus and {reflex3} absent",
    "no drift, tremor or past pointing on either side",
    "tone is increased in the {side} {limb}, normal on the other side",
    "power is five out of five throughout except the {side} {movement} which is four",
    "{side} {movement} four minus out of five",
    "plantars are down going on both sides",
    "the {side} plantar is up going, sorry, the other one, I mean the {side}",
    "pupils are equal and reactive, eye movements are full, no nystagmus",
    "visual fields are full, fundi not seen because of small pupils",
    "facial power is normal, tongue is midline, palate rises symmetrically",
    "finger nose is accurate on the {side} and slightly clumsy on the other",
    "pinprick is reduced over the {side} {area}",
    "vibration sense is absent at the {side} great toe, joint position is intact",
    "gait is {gait}, tandem is unsteady, Romberg is {romberg}",
    "heel walking is weak on the {side}, toe walking is fine",
    "follow my finger please, well done, and now close your eyes",
    "last year the {side} ankle jerk was absent",
    "we will check the {side} arm again next time",
    "not tested, the {side} hip is painful so hopping was deferred",
    "rapid alternating movements are slow on the {side}",
    "light touch is intact in all four limbs",
    "she came by bus with her sister and liked the weather",
)
TYPED = (
    "CN II-XII intact. PERRL. EOM full, no nystagmus.",
    "Power 5/5 b/l except {side} {movement} 4/5.",
    "Reflexes: biceps 2+ R, 3+ L; {reflex} {grade}+ b/l. Plantars downgoing b/l.",
    "Tone normal UL and LL. No drift. No tremor.",
    "Sensation: PP reduced {side} {area}, LT normal. Vib absent {side} great toe.",
    "FNF and HKS normal b/l. Romberg {romberg}. Gait {gait}.",
    "Fundi not examined. VA 6/6 R, 6/9 L.",
    "Neurological examination otherwise grossly intact.",
)
WORDS = {
    "reflex": ("biceps", "triceps", "supinator", "knee", "ankle"),
    "limb": ("arm", "leg"),
    "movement": (
        "ankle dorsiflexion",
        "hip flexion",
        "finger abduction",
        "knee extension",
        "shoulder abduction",
    ),
    "area": ("shin", "hand", "thigh", "little finger", "foot"),
    "gait": ("normal", "ataxic", "broad based", "shuffling"),
    "romberg": ("negative", "positive"),
    "grade": ("1", "2", "3"),
}


def sentence(template: str, chance: random.Random) -> str:
    """A template with its places filled."""
    values = {name: chance.choice(words) for name, words in WORDS.items()}
    values.update(reflex2=chance.choice(WORDS["reflex"]), reflex3=chance.choice(WORDS["reflex"]))
    return template.format(side=chance.choice(SIDES), **values)


def made_notes(count: int, seed: int, golden_share: float) -> Iterator[dict[str, Any]]:
    """Invented notes of 3 to 14 utterances or lines; a share of them are golden dictations."""
    chance = random.Random(seed)
    golden = [json.loads(line)["text"] for path in sorted(GOLDEN.glob("*.jsonl")) for line in path.open()]
    for number in range(count):
        if golden and chance.random() < golden_share:
            text = chance.choice(golden)
        else:
            templates, join = (TYPED, " ") if chance.random() < 0.4 else (SPOKEN, "\n")
            size = chance.randint(3, min(14, len(templates)))
            text = join.join(sentence(one, chance) for one in chance.sample(templates, size))
        day = f"{chance.randint(2019, 2024)}-{chance.randint(1, 12):02d}-{chance.randint(1, 28):02d}"
        yield {
            "id": f"made-{number:07d}",
            "text": text,
            "date": day,
            "clinician": f"clinician {chance.randint(1, 12)}",
        }


def write_notes(path: Path, notes: Iterator[dict[str, Any]]) -> int:
    """The notes as JSONL; returns the number of words."""
    words = 0
    with path.open("w", encoding="utf-8") as file:
        for note in notes:
            words += len(note["text"].split())
            file.write(json.dumps(note) + "\n")
    return words


def bare_loop(source: Path, limit: int) -> float:
    """Notes a second of processor time of a loop that only parses, over at most `limit` notes."""
    import grammar

    grammar.parse("")
    with source.open(encoding="utf-8") as file:
        texts = [json.loads(line)["text"] for line, _ in zip(file, range(limit), strict=False)]
    started = time.process_time()
    for text in texts:
        grammar.parse(text)
    return len(texts) / (time.process_time() - started)


def archive(source: Path, out: Path, **options: Any) -> dict[str, Any]:
    """One archive run as a command of its own; its summary, with the wall time of the whole command."""
    chosen = json.dumps({"parser": "dictate.clinic:parse", **options})
    started = time.perf_counter()
    found = subprocess.run(
        [sys.executable, "-m", DRIVER, str(source), str(out), chosen],
        stdout=subprocess.PIPE, text=True, check=True,
    )  # fmt: skip
    return {**json.loads(found.stdout), "wall_s": time.perf_counter() - started}


def cpu_ms(seconds: float, run: dict[str, Any]) -> float:
    """Milliseconds of processor time a note."""
    return 1000 * seconds / run["notes_in"]


def line(name: str, run: dict[str, Any], base: float | None = None) -> str:
    """A row of the printed table.

    The rate counts the run from the start of the workers to the last check. The processor time a note does
    not depend on what else the machine is doing.
    """
    speed_up = f"{run['notes_per_second'] / base:6.2f} x" if base else "        "
    return (
        f"{name:<34}{run['notes_in']:>9}{run['seconds']:>10.1f} s"
        f"{run['notes_per_second']:>9.1f}/s{speed_up:>10}   "
        f"{run['peak_mb']:.0f} + {run['worker_mb']:.0f} MB a worker, {run['client_mb']:.0f} MB the client; "
        f"{cpu_ms(run['workers_cpu_s'], run):.2f} + {cpu_ms(run['client_cpu_s'], run):.2f} ms of CPU a note; "
        f"load {run['load']:.1f}"
    )


def measure(work: Path, options: argparse.Namespace) -> dict[str, Any]:
    """Run what was asked for, printing each figure as it comes."""
    sizes = {"small": options.small, "middle": options.middle or options.notes, "large": options.notes}
    files = {name: work / f"{name}.jsonl" for name in sizes}
    for name, size in sizes.items():
        words = write_notes(files[name], made_notes(size, options.seed, options.golden_share))
    found: dict[str, Any] = {"sizes": sizes, "words_a_note": words / options.notes}
    print(f"invented notes, seed {options.seed}, {found['words_a_note']:.0f} words on average")
    print(f"{os.cpu_count()} cores; the load of the whole machine is given after each run")

    def keep(name: str, label: str, size: str, **how: Any) -> None:
        if name in options.only:
            found[name] = {**archive(files[size], work / name, **how), "load": os.getloadavg()[0]}
            shutil.rmtree(work / name, ignore_errors=True)
            base = found.get("one", {}).get("notes_per_second") if name in ("two", "cluster") else None
            print(line(label, found[name], base), flush=True)

    if "bare" in options.only:
        found["bare"] = bare_loop(files["small"], options.small)
        print(f"peer: bare loop, one process: {found['bare']:.1f} notes a CPU second", flush=True)
    keep("one", "1 process", "middle", workers=1)
    keep("two", "2 processes", "middle", workers=2)
    if "cluster" in options.only:
        with cluster(work / "dask", workers=2) as (address, _):
            keep("cluster", "Dask cluster, 2 workers", "middle", cluster=address)
    keep("small", "growth: 2 processes", "small", workers=2)
    if sizes["middle"] == sizes["large"] and "two" in found:
        found["large"] = found["two"]
    else:
        keep("large", "growth: 2 processes", "large", workers=2)
    if "wait" in options.only:
        found["wait"] = waiting(work)
    conclude(found)
    return found


def waiting(work: Path, count: int = 1_500) -> dict[str, float]:
    """Speed-up on notes that wait 50 ms each instead of computing: hardly disturbed by a busy machine.

    It shows how evenly the work is handed out, not how much two cores compute. The start of the workers is left
    out:
    the same run on a fifth of the notes is subtracted.
    """
    rates = {}
    for name, how in (("one", {"workers": 1}), ("two", {"workers": 2})):
        seconds = []
        for size in (count // 5, count):
            notes = ({"id": str(number), "text": "SLOW right knee brisk"} for number in range(size))
            source = work / f"wait-{name}-{size}.jsonl"
            write_notes(source, notes)
            options = {"parser": PARSER, "part_notes": 20, **how}
            seconds.append(archive(source, work / f"wait-{name}-{size}", **options)["seconds"])
        rates[name] = (count - count // 5) / (seconds[1] - seconds[0])
    rates["speed_up"] = rates["two"] / rates["one"]
    print(f"notes that wait 50 ms: {rates['one']:.1f}/s on 1 process, {rates['two']:.1f}/s on 2: "
          f"{rates['speed_up']:.2f} x")  # fmt: skip
    return rates


def conclude(found: dict[str, Any]) -> None:
    """Speed-up, growth and the extrapolations."""
    if {"one", "two"} <= found.keys():
        found["speed_up"] = found["two"]["notes_per_second"] / found["one"]["notes_per_second"]
        print(f"speed-up of 2 processes over 1: {found['speed_up']:.2f}")
    if {"one", "bare"} <= found.keys():
        share = found["bare"] * found["one"]["workers_cpu_s"] / found["one"]["notes_in"]
        print(f"1 process uses {share:.2f} times the processor time of the bare loop")
    if {"small", "large"} <= found.keys():
        small, large = found["small"], found["large"]
        found["growth"] = large["seconds"] / small["seconds"]
        cpu = large["workers_cpu_s"] / small["workers_cpu_s"]
        print(
            f"{large['notes_in'] / small['notes_in']:.0f} times the notes took {found['growth']:.2f} times "
            f"as long and {cpu:.2f} times the processor time"
        )
    if "large" in found:
        rate, cpu_s = found["large"]["notes_per_second"], found["large"]["workers_cpu_s"]
        million = cpu_s / found["large"]["notes_in"] * 1e6 / 3600
        print(f"EXTRAPOLATED, not measured: a million notes at the last rate: {1e6 / rate / 3600:.1f} h")
        print(f"EXTRAPOLATED, not measured: the same on 2 idle cores: {million / 2:.1f} h")
        client = found["large"]["client_cpu_s"] / found["large"]["notes_in"] * 1e6 / 3600
        print(
            f"EXTRAPOLATED, not measured: on 20 such nodes: {max(million / 40, client) * 60:.0f} min (parsing "
            f"{million / 40 * 60:.0f} min if it stays linear; the one client needs {client * 60:.0f} min)"
        )


def main() -> None:
    """Parse options, run in a temporary folder, print, and keep the figures as JSON when asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--notes", type=int, default=100_000)
    parser.add_argument("--small", type=int, default=10_000)
    parser.add_argument("--middle", type=int, default=0, help="notes for 1, 2 and cluster; default --notes")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--golden-share", type=float, default=0.1)
    parser.add_argument("--only", default="bare,one,two,cluster,small,large,wait")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--make", type=Path, help="only write the notes to this file")
    options = parser.parse_args()
    if options.make:
        write_notes(options.make, made_notes(options.notes, options.seed, options.golden_share))
        return
    options.only = set(options.only.split(","))
    with tempfile.TemporaryDirectory(prefix="archive-bench-") as work:
        found = measure(Path(work), options)
    if options.json:
        options.json.write_text(json.dumps(found, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
