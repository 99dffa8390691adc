"""Other talk and certainty: what is rejected, what is invented, and whether confidences mean what they say.

`python -m tests.bench.talk [--collect] [--fit] [--lines N] [--prompts N]`

It gathers utterances of two kinds, hears them with the fused engine and keeps what it found (one JSON
object an utterance) in the system's temporary folder, so that the other steps can be repeated without
hearing again:

- examination: lines of tests/cases/golden, by two voices that the network of phones was not trained on, clean and in
  pink noise at 10 dB;
- other talk: tests/bench/other_talk.txt by two voices; the English prompts of Debian's asterisk-core-sounds-en-g722
  (a real woman; needs ffmpeg); the reading of a novel that the package moonshine-voice brings.

Printed: findings invented a minute of other talk with and without rejection, examination lines with
findings that were rejected, the curve over the threshold, and the reliability of word confidences (of 100
words with a confidence of about p, how many were right). `--fit` fits both logistic regressions of
data/fused.toml on half of the utterances and judges them on the rest.
"""

from __future__ import annotations

import argparse
import itertools
import json
import random
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import soxr

from dictate.engines.fused.acceptance import signs
from dictate.engines.fused.certainty import aligned, features
from dictate.engines.fused.settings import fused_settings
from dictate.events import SAMPLE_RATE_HZ, Samples
from grammar import parse
from tests.bench.speech_sets import PROMPTS, other_talk, prompt
from tests.tools.noises import add_noise, pink
from tests.tools.scoring import normal_words, spoken_lines
from tests.tools.voices import speak

ROOT = Path(__file__).parents[2]
KEPT = Path(tempfile.gettempdir()) / "spoken-exam-bench" / "talk.jsonl"
EXAM_VOICES, TALK_VOICES = ("flite-awb", "kokoro-jf_alpha"), ("flite-rms", "flite-awb")
PAD_S = 0.25
SENSE, SENSE_RIDGE = (0.0, 0.5, 1.0, -1.387, 1.457, 0.149, 0.5, 0.0), 30.0
"""The weights of acceptance are pulled towards these: agreement speaks for the examination, a gap against it. Without
that a small set, in which all agree, teaches that agreement means nothing."""
CURVE = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)


def utterances(lines: int, prompts: int) -> Iterator[tuple[str, str, Samples]]:
    """(kind, text or name, sound) of everything that is heard, in a fixed mixed order."""
    dice = random.Random(5)
    exam = sorted(
        {line for text in dictations() for line in spoken_lines(text).splitlines() if len(line.split()) <= 25}
    )
    for place, line in enumerate(dice.sample(exam, min(lines, len(exam)))):
        sound = padded(speak(line, EXAM_VOICES[place % 2]).samples)
        yield "examination", line, sound
        yield "examination in noise", line, add_noise(sound, pink(len(sound), seed=place), 10)
    every = max(1, 60 // max(1, prompts))
    for place, line in enumerate(other_talk()[::every]):
        yield "read talk", line, padded(speak(line, TALK_VOICES[place % 2]).samples)
    found = sorted(PROMPTS.rglob("*.g722"))
    long = [path for path in found if path.stat().st_size > 8_000 * 0.8]
    for path in dice.sample(long, min(prompts, len(long))):
        yield "human prompts", path.stem, padded(prompt(path))
    yield from (("human novel", "", part) for part in novel())


def dictations() -> Iterator[str]:
    """Texts of the golden dictations that are spoken and hold no digits."""
    for path in sorted((ROOT / "tests" / "cases" / "golden").glob("spoken_*.jsonl")):
        for line in path.read_text(encoding="utf-8").splitlines():
            case = json.loads(line)
            if case.get("spoken", True) and not any(char.isdigit() for char in case["text"]):
                yield case["text"]


def padded(samples: Samples) -> Samples:
    """The sound between two short silences, as the listener hands it on."""
    silence = np.zeros(int(PAD_S * SAMPLE_RATE_HZ), dtype=np.int16)
    return np.concatenate([silence, samples, silence])


def novel() -> Iterator[Samples]:
    """The reading that comes with moonshine-voice, in stretches of six seconds."""
    from dictate.engines.fused.net import model_folder

    path = model_folder().parent / "two_cities.wav"
    sound, rate = soundfile.read(path)
    samples = (soxr.resample(sound, rate, SAMPLE_RATE_HZ) * 32_000).astype(np.int16)
    step = 6 * SAMPLE_RATE_HZ
    yield from (samples[at : at + step] for at in range(0, len(samples) - step // 2, step))


def collect(lines: int, prompts: int) -> None:
    """Hear everything and keep the evidence."""
    from dictate.engines.fused.engine import open_engine

    engine = open_engine(KEPT.parent / "cache")
    KEPT.parent.mkdir(parents=True, exist_ok=True)
    with KEPT.open("w", encoding="utf-8") as file:
        for kind, text, samples in utterances(lines, prompts):
            engine.start(0.0)
            engine.accept(samples)
            engine.finish()
            judged = engine.judged[0]
            steered = [word.text for word in judged.evidence]
            right = right_words(text, steered) if kind.startswith("examination") else []
            row = {
                "kind": kind,
                "text": text,
                "seconds": len(samples) / SAMPLE_RATE_HZ,
                "steered": " ".join(steered),
                "free": judged.heard.free_text,
                "signs": signs(judged.heard, judged.evidence, engine._language) if steered else None,
                "findings": len(parse(" ".join(steered)).note.findings),
                "true_findings": len(parse(text).note.findings) if kind.startswith("examination") else 0,
                "words": [
                    {**asdict(word), "features": features(word), "right": good}
                    for word, good in zip(judged.evidence, right, strict=False)
                ],
            }
            print(json.dumps(row), file=file, flush=True)


def right_words(said: str, heard: Sequence[str]) -> list[bool]:
    """For each heard word whether the said text has it at that place, spellings made equal word by word."""
    same = [" ".join(normal_words(word)) or word for word in heard]
    return [one == other for one, other in zip(same, aligned(same, normal_words(said)), strict=True)]


def fit(rows: np.ndarray, right: np.ndarray, ridge: float = 1.0, towards: Sequence[float] | None = None) -> np.ndarray:
    """Logistic regression by Newton's method with a ridge on all weights but the first, which pulls them `towards`."""
    middle = np.zeros(rows.shape[1]) if towards is None else np.array(towards)
    weights = middle.copy()
    keep = ridge * np.eye(rows.shape[1])
    keep[0, 0] = 1e-6
    for _ in range(50):
        chance = 1 / (1 + np.exp(-(rows @ weights).clip(-30, 30)))
        slope = rows.T @ (right - chance) - keep @ (weights - middle)
        bend = (rows * (chance * (1 - chance))[:, None]).T @ rows + keep
        weights = weights + np.linalg.solve(bend, slope)
    return weights


def logistic(rows: np.ndarray, weights: Sequence[float]) -> np.ndarray:
    """The probabilities that the weights give."""
    return 1 / (1 + np.exp(-(rows @ np.array(weights)).clip(-30, 30)))


def words_of(kept: list[dict[str, Any]]) -> tuple[np.ndarray, np.ndarray]:
    """Features and truth of all words."""
    words = [word for row in kept for word in row["words"]]
    return np.array([word["features"] for word in words]), np.array([float(word["right"]) for word in words])


def reliability(kept: list[dict[str, Any]], weights: Sequence[float]) -> None:
    """Print the reliability table of word confidences."""
    rows, right = words_of(kept)
    chance = logistic(rows, weights)
    print("\nconfidence     words   mean   right")
    edges = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 1.001)
    error = 0.0
    for low, high in itertools.pairwise(edges):
        inside = (chance >= low) & (chance < high)
        if inside.any():
            mean, share = chance[inside].mean(), right[inside].mean()
            error += inside.mean() * abs(mean - share)
            print(f"{low:.2f} to {min(high, 1):.2f}  {inside.sum():6d}  {mean:5.2f}  {share:6.3f}")
    print(f"mean distance of confidence from truth (expected calibration error): {error:.3f}")


def acceptance_rows(kept: list[dict[str, Any]]) -> tuple[np.ndarray, np.ndarray]:
    """Signs and truth; examination lines count when their text has findings."""
    used = [row for row in kept if row["signs"] and (row["true_findings"] or not row["kind"].startswith("exam"))]
    truth = np.array([float(row["kind"].startswith("exam")) for row in used])
    return np.array([row["signs"] for row in used]), truth


def curve(kept: list[dict[str, Any]], weights: Sequence[float]) -> None:
    """Print, for each threshold, what is lost and what is let through."""
    print("\nthreshold  rejected: clean  in noise | other talk accepted | false findings a minute")
    talk = [row for row in kept if not row["kind"].startswith("exam")]
    minutes = sum(row["seconds"] for row in talk) / 60

    def chance(row: dict[str, Any]) -> float:
        return float(logistic(np.array([row["signs"]]), weights)[0]) if row["signs"] else 0.0

    groups = {kind: [row for row in kept if row["kind"] == kind and row["true_findings"]] for kind in KINDS}
    for threshold in (0.0, *CURVE):
        lost = [
            sum(row["true_findings"] for row in rows if chance(row) < threshold)
            / max(1, sum(row["true_findings"] for row in rows))
            for rows in groups.values()
        ]
        let = [row for row in talk if row["signs"] and chance(row) >= threshold]
        false = sum(row["findings"] for row in let) / minutes
        print(f"{threshold:9.2f}  {lost[0]:15.3f}  {lost[1]:8.3f} | {len(let) / len(talk):19.3f} | {false:8.2f}")
    print(f"({minutes:.1f} minutes of other talk, {len(talk)} utterances)")


KINDS = ("examination", "examination in noise")


def main() -> None:
    """Collect when asked or needed, fit when asked, print the tables."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--collect", action="store_true")
    options.add_argument("--fit", action="store_true")
    options.add_argument("--lines", type=int, default=90)
    options.add_argument("--prompts", type=int, default=150)
    chosen = options.parse_args()
    if chosen.collect or not KEPT.exists():
        collect(chosen.lines, chosen.prompts)
    kept = [json.loads(line) for line in KEPT.read_text(encoding="utf-8").splitlines()]
    confidence, acceptance = fused_settings().confidence.weights, fused_settings().acceptance.weights
    if chosen.fit:
        even = [row for place, row in enumerate(kept) if place % 4 < 2]
        confidence = tuple(fit(*words_of(even)).round(3))
        acceptance = tuple(fit(*acceptance_rows(even), SENSE_RIDGE, SENSE).round(3))
        print("confidence weights", list(map(float, confidence)))
        print("acceptance weights", list(map(float, acceptance)))
        kept = [row for place, row in enumerate(kept) if place % 4 >= 2]
    reliability(kept, confidence)
    curve(kept, acceptance)


if __name__ == "__main__":
    main()
