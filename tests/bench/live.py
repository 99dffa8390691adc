"""Bench of the live path: from the end of a word to the board, CPU, memory over an hour. Prints figures.

    python tests/bench/live.py                      real-time replay with the default recogniser
    python tests/bench/live.py --engine pocketsphinx
    python tests/bench/live.py --hour --speed 0     an hour of examination room, memory watched
    python tests/bench/live.py --minutes 6          a slice of it in real time

Latency is measured where it counts: a client of the board's own event stream, on the wall clock, against
the end of the last word, which is where the synthetic voice's sound ends (a recogniser's own idea of it may be wrong by
0.2 s). Replay is paced like a microphone: a chunk of 100 ms is there when its last sample would have been spoken.
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
import threading
import time
import urllib.request
from pathlib import Path

import numpy as np
import psutil
import soundfile

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))
VOICES = ("slt", "rms", "awb", "kal16")
LINES = (
    "romberg negative",
    "tandem gait normal",
    "able to walk on toes and heels",
    "tone normal in both arms",
    "finger nose accurate on the right",
    "past pointing on the left",
    "rapid alternating movements normal",
    "pupils equal and reactive",
    "eye movements full",
    "tongue midline",
    "right biceps two plus",
    "left biceps three plus",
    "triceps two plus on both sides",
    "right knee jerk two plus",
    "left knee jerk absent",
    "ankle jerks two plus",
    "plantar flexor on the right",
    "plantar extensor on the left",
    "fundi not seen",
    "what is missing",
)


def spoken(text: str, voice: str, folder: Path) -> np.ndarray:
    """One line by one synthetic voice, 16 kHz."""
    path = folder / "line.wav"
    subprocess.run(["flite", "-voice", voice, "-t", text, "-o", str(path)], check=True, capture_output=True)
    samples, rate = soundfile.read(path, dtype="int16")
    if rate != 16_000:
        import soxr

        samples = soxr.resample(samples, rate, 16_000)
    return samples


def spoken_samples(line: np.ndarray) -> int:
    """Where its speech ends: the last 10 ms frame within 40 dB of its loudest."""
    power = (line[: len(line) // 160 * 160].reshape(-1, 160).astype(np.float64) ** 2).mean(axis=1)
    return int(np.flatnonzero(power > power.max() * 1e-4)[-1] + 1) * 160


def dictation(folder: Path, seconds: float | None) -> tuple[Path, list[float]]:
    """All lines by turns of the voices; spread over `seconds` when given, else with pauses of 1.2 s. Also the seconds
    at which the speech of each line ends."""
    rng = np.random.default_rng(7)
    count = len(LINES) if seconds is None else max(4, round(seconds / 18))
    lines = [spoken(LINES[n % len(LINES)], VOICES[n % len(VOICES)], folder) for n in range(min(count, 80))]
    lines = [lines[n % len(lines)] for n in range(count)]
    if seconds is None:
        pauses = [1.2] * (count + 1)
    else:
        room = seconds - sum(map(len, lines)) / 16_000
        weights = np.array([random.Random(n).uniform(0.2, 2) for n in range(count + 1)])
        pauses = list(weights / weights.sum() * room)
    pieces = [np.zeros(int(pauses[0] * 16_000), np.int16)]
    ends = []
    for line, pause in zip(lines, pauses[1:], strict=True):
        ends.append((sum(map(len, pieces)) + spoken_samples(line)) / 16_000)
        pieces += [line, np.zeros(int(pause * 16_000), np.int16)]
    sound = np.concatenate(pieces)
    sound = np.clip(sound + rng.normal(0, 12, len(sound)), -32768, 32767).astype(np.int16)
    path = folder / "dictation.wav"
    soundfile.write(path, sound, 16_000)
    return path, ends


class Run:
    """One `dictate live` process, watched from outside."""

    def __init__(self, arguments: list[str], home: Path) -> None:
        environment = {**os.environ, "SPOKEN_EXAM_HOME": str(home), "PYTHONPATH": str(ROOT)}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "dictate", "live", "--json", *arguments],
            cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        self.watched = psutil.Process(self.process.pid)
        self.events: list[tuple[float, dict]] = []
        self.pictures: list[tuple[float, dict]] = []
        self.memory: list[tuple[float, int]] = []
        self.cpu: list[tuple[float, float]] = []
        self.errors: list[str] = []
        threading.Thread(target=self._read_errors, daemon=True).start()

    def _read_errors(self) -> None:
        for line in self.process.stderr:
            self.errors.append(line)
            if line.startswith("Room board: "):
                address = line.removeprefix("Room board: ").strip()
                threading.Thread(target=self._watch_board, args=(address,), daemon=True).start()

    def _watch_board(self, address: str) -> None:
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        kind = ""
        with opener.open(address + "events", timeout=3600) as stream:
            for raw in stream:
                now, line = time.monotonic(), raw.decode()
                if line.startswith("event: "):
                    kind = line[7:].strip()
                elif line.startswith("data: ") and kind == "view":
                    self.pictures.append((now, json.loads(line[6:])))

    def follow(self) -> None:
        for line in self.process.stdout:
            now = time.monotonic()
            if not line.startswith("{"):
                continue
            event = json.loads(line)
            if event["event"] != "view":
                self.events.append((now, event))
            if event["event"] == "level":
                times = self.watched.cpu_times()
                self.cpu.append((event["captured_s"], times.user + times.system))
                self.memory.append((event["captured_s"], self.watched.memory_info().rss))
        self.process.wait()


def report_latency(run: Run, ends: list[float]) -> None:
    began = min(now - event["elapsed_s"] for now, event in run.events if "elapsed_s" in event)
    to_board, to_program, after_endpoint = [], [], []
    for now, event in run.events:
        if event["event"] != "utterance" or not event["findings"]:
            continue
        last = event["findings"][-1]["text"]
        end_s = min(ends, key=lambda end: abs(end - event["last_word_end_s"]))
        to_program.append(event["elapsed_s"] - end_s)
        after_endpoint.append(event["after_endpoint_s"])
        shown = [at for at, view in run.pictures if at > now - 0.5 and (view["latest"] or {}).get("said") == last]
        if shown:
            to_board.append(shown[0] - began - end_s)
    rows = (
        ("end of last word -> board (client of its stream)", to_board, "0.80 / 1.30"),
        ("end of last word -> picture made", to_program, ""),
        ("after the endpoint alone (engine, grammar, picture)", after_endpoint, "0.15"),
    )
    print(f"{'latency in seconds':52} {'median':>7} {'p95':>7} {'max':>7} {'n':>4}   wanted")
    for name, values, wanted in rows:
        if values:
            print(
                f"{name:52} {np.median(values):7.3f} {np.percentile(values, 95):7.3f} {max(values):7.3f} "
                f"{len(values):4}   {wanted}"
            )


def report_stages(run: Run) -> None:
    """Where the time of an utterance goes. `ahead` runs in the endpoint's silence and holds the next four."""
    stages: dict[str, list[float]] = {}
    for _, event in run.events:
        if event["event"] == "utterance":
            for name, seconds in event["stages_s"].items():
                stages.setdefault(name, []).append(seconds)
    print(f"{'stage, in seconds':52} {'median':>7} {'p95':>7} {'max':>7} {'first 20':>9} {'last 20':>8}")
    for name, values in stages.items():
        print(
            f"  {name:50} {np.median(values):7.3f} {np.percentile(values, 95):7.3f} {max(values):7.3f} "
            f"{np.median(values[:20]):9.4f} {np.median(values[-20:]):8.4f}"
        )


def report_paint() -> None:
    """First paint of the page in a real browser, when there is one."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return
    chromium = shutil.which("chromium")
    if chromium is None:
        return
    from dictate.live.board.server import Board, BoardPlan

    board = Board(BoardPlan(port=0), lambda command: None, lambda code: None)
    paints = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for _ in range(5):
            page = browser.new_page()
            page.goto(board.address)
            page.wait_for_timeout(400)
            found = page.evaluate("performance.getEntriesByName('first-contentful-paint').map(e => e.startTime)")
            paints += found
            page.close()
        browser.close()
    board.close()
    print(f"first paint of the board: median {np.median(paints):.0f} ms, max {max(paints):.0f} ms (wanted: under 1000)")


def report_load(run: Run, speed: float) -> None:
    (first_s, first_cpu), (last_s, last_cpu) = run.cpu[4], run.cpu[-1]
    heard = last_s - first_s
    print(
        f"CPU while listening: {100 * (last_cpu - first_cpu) / heard:.1f} % of one core "
        f"({last_cpu - first_cpu:.1f} s for {heard:.0f} s of sound at speed {speed:g}; wanted: 35 %)"
    )
    parts = (0, 0.1, 0.25, 0.5, 0.75)
    marks = [*(run.memory[int(len(run.memory) * part)] for part in parts), run.memory[-1]]
    print("memory: " + ", ".join(f"{rss / 2**20:.0f} MB at {at:.0f} s" for at, rss in marks))
    early = [rss for at, rss in run.memory if 0.1 * last_s < at <= 0.2 * last_s]
    late = [rss for at, rss in run.memory if at > 0.9 * last_s]
    print(  # medians, because each sample may fall into the work on an utterance (some 30 MB for a moment)
        f"median of the second tenth {np.median(early) / 2**20:.1f} MB, "
        f"of the last tenth {np.median(late) / 2**20:.1f} MB: "
        f"growth {(np.median(late) - np.median(early)) / 2**20:+.1f} MB (wanted: under +5 MB an hour)"
    )


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--engine")
    options.add_argument("--hour", action="store_true")
    options.add_argument("--minutes", type=float, help="as --hour, but so many minutes")
    options.add_argument("--speed", type=float, default=1.0)
    options.add_argument("--home", type=Path, help="keep the built language model here between runs")
    wish = options.parse_args()
    with tempfile.TemporaryDirectory() as place:
        home = wish.home or Path(place)
        minutes = 60.0 if wish.hour else wish.minutes
        sound, ends = dictation(Path(place), minutes * 60 if minutes else None)
        engine = ["--engine", wish.engine] if wish.engine else []
        run = Run(["--from", str(sound), "--speed", str(wish.speed), "--board-port", "0", *engine], home)
        run.follow()
        if run.process.returncode != 0:
            sys.exit("".join(run.errors))
        print(
            f"engine: {wish.engine or 'default'}; {soundfile.info(sound).duration:.0f} s of sound, "
            f"speed {wish.speed:g}; "
            f"load of this machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
        )
        print("".join(line for line in run.errors if line.startswith("dictate:")), end="")
        if not minutes:
            report_paint()
        if wish.speed == 1:
            report_latency(run, ends)
        report_stages(run)
        report_load(run, wish.speed)
        said = [event["text"] for _, event in run.events if event["event"] == "utterance"]
        print(f"utterances heard: {len(said)}; findings kept: {len(run.events[-1][1]['note']['findings'])}")
        shutil.rmtree(home / "data", ignore_errors=True)


if __name__ == "__main__":
    main()
