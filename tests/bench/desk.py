"""How quick the review desk is: reviewers at work at the same time, and the list of many drafts.

    python tests/bench/desk.py [--reviewers 20] [--seconds 60] [--drafts 10000] [--url postgresql://...]

The desk runs as its own program on the loopback address; the reviewers are threads of this one, so that
both share the machine. Each reviewer opens drafts, types previews, adds and withdraws findings, listens
to a stretch of sound. A save that is refused as stale is repeated; at the end every acknowledged edit
must be in the store. The peer is a bare Starlette page on the same server: what of the time is not the
desk's own.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from dictate.desk.accounts import People  # noqa: E402
from dictate.settings import StoreSettings  # noqa: E402
from dictate.storage import Document, Store, check_store, open_store  # noqa: E402
from tests.dictate.desk.conftest import PASSWORD, SPOKEN, words_of  # noqa: E402
from tests.dictate.storage.examples import example_sound  # noqa: E402

Times = dict[str, list[float]]
PHRASES = (
    "left biceps jerk absent",
    "right triceps jerk two plus",
    "left plantar extensor",
    "romberg negative",
)


class Reviewer(threading.Thread):
    """One person at work until the time is over."""

    def __init__(self, url: str, drafts: list[int], until: float, seed: int) -> None:
        super().__init__()
        self.client = httpx.Client(base_url=url, timeout=60)
        self.drafts = drafts
        self.until = until
        self.chance = random.Random(seed)
        self.times: Times = defaultdict(list)
        self.saved: list[tuple[int, str]] = []
        self.stale = 0
        self.errors: list[str] = []
        self.csrf = ""

    def timed(self, what: str, method: str, path: str, **options: object) -> httpx.Response:
        start = time.perf_counter()
        answer = self.client.request(method, path, **options)  # type: ignore[arg-type]
        self.times[what].append(time.perf_counter() - start)
        if answer.status_code >= 400 and answer.status_code != 409:
            self.errors.append(f"{method} {path}: {answer.status_code}")
        return answer

    def sign_in(self) -> None:
        self.client.post("/sign-in", data={"username": "sue", "password": PASSWORD})
        self.csrf = re.search(r'name="csrf" value="([^"]+)"', self.client.get("/account").text)[1]  # type: ignore[index]

    def run(self) -> None:
        try:
            step = 0
            while time.monotonic() < self.until:
                step += 1
                number = self.chance.choice(self.drafts)
                self.timed("list", "GET", "/drafts?sort=patient&down=0&q=P-0")
                page = self.timed("draft", "GET", f"/drafts/{number}")
                self.timed("sound", "GET", f"/drafts/{number}/sound/0.wav", headers={"range": "bytes=64000-127999"})
                phrase = self.chance.choice(PHRASES)
                fields = {"csrf": self.csrf, "phrase": phrase}
                self.timed("preview", "POST", f"/drafts/{number}/preview", data=fields)
                self.edit(number, page.text, f"{self.name} {step}")
                time.sleep(self.chance.uniform(0.2, 0.8))
        except httpx.HTTPError as error:
            self.errors.append(repr(error))

    def edit(self, number: int, html: str, mark: str) -> None:
        for _attempt in range(20):
            found = re.search(r'data-revision="(\d+)"', html)
            fields = {"csrf": self.csrf, "revision": found[1] if found else "0", "question": mark}
            answer = self.timed("save", "POST", f"/drafts/{number}/questions", data=fields)
            if answer.status_code == 303:
                self.saved.append((number, mark))
                return
            self.stale += 1
            html = answer.text
        self.errors.append(f"never saved: {mark}")


def fill(store: Store, drafts: int, with_sound: int) -> list[int]:
    """Drafts of invented patients; the first ones have sound and are those the reviewers work on."""
    from grammar import parse

    note = parse(SPOKEN).note
    People(store).add("sue", "Sue Birch", "secretary", PASSWORD, by="bench")
    start = time.perf_counter()
    numbers = [
        store.keep_examination(note, words_of(SPOKEN), audio=example_sound(20), patient_ref=f"P-{count:05}",
                               clinician="mary")
        for count in range(with_sound)
    ]  # fmt: skip
    facts = {"ended_at": None, "clinician": "mary", "device": "", "origin_key": None}
    document = Document.from_note(note)
    for batch in range(with_sound, drafts, 500):  # many in one transaction: the bench is about reading them
        with store.writing() as writer:
            for count in range(batch, min(batch + 500, drafts)):
                row = {**facts, "started_at": f"2026-01-{1 + count % 28:02}T09:00:00+00:00"}
                numbers.append(writer.add_examination(row, f"P-{count:05}", document))
    print(f"kept {drafts} drafts, {drafts / (time.perf_counter() - start):.0f} a second")
    return numbers


@contextmanager
def served(home: Path, url: str | None) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    settings = {"SPOKEN_EXAM_STORE_URL": url} if url else {}
    port = 8300 + os.getpid() % 500
    process = subprocess.Popen(
        [sys.executable, "-m", "dictate", "desk", "--port", str(port)],
        cwd=ROOT, env={**os.environ, "SPOKEN_EXAM_HOME": str(home), **settings}, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        base = f"http://127.0.0.1:{port}"
        while True:
            try:
                httpx.get(base + "/sign-in")
                break
            except httpx.TransportError:
                time.sleep(0.1)
        yield base, process
    finally:
        process.terminate()
        process.wait(30)


def line(what: str, times: list[float]) -> str:
    ordered = sorted(times)
    p95 = ordered[min(len(ordered) - 1, int(len(ordered) * 0.95))]
    return (
        f"{what:28} {len(times):6} times   median {statistics.median(times) * 1000:7.1f} ms   "
        f"p95 {p95 * 1000:7.1f} ms   max {ordered[-1] * 1000:7.1f} ms"
    )


def reviewers_at_work(base: str, drafts: list[int], count: int, seconds: float) -> list[Reviewer]:
    people = [Reviewer(base, drafts, time.monotonic() + seconds, seed) for seed in range(count)]
    for person in people:
        person.sign_in()
    until = time.monotonic() + seconds
    for person in people:
        person.until = until
        person.start()
    for person in people:
        person.join()
    return people


def main() -> None:
    """Run the bench and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--reviewers", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--drafts", type=int, default=10_000)
    parser.add_argument("--url", help="an empty PostgreSQL database instead of SQLite")
    options = parser.parse_args()
    home = Path(tempfile.mkdtemp(prefix="desk-bench-"))
    url = options.url or f"sqlite:///{home / 'data' / 'drafts.sqlite3'}"
    settings = StoreSettings(url=url, key_file=home / "store.key")
    with open_store(settings, say=lambda text: None) as store:
        numbers = fill(store, options.drafts, 40)
        with served(home, options.url) as (base, _process):
            alone = Reviewer(base, numbers, 0, 0)
            alone.sign_in()
            for what, path in (
                ("list, newest first", "/drafts"),
                ("list, by patient, page 100", "/drafts?sort=patient&down=0&page=100"),
                ("list, search", "/drafts?q=0042"),
                ("list, omissions first", "/drafts?sort=omissions"),
                ("peer: a bare page", "/figure.css"),
            ):
                alone.timed("warm", "GET", path)
                for _count in range(30):
                    alone.timed(what, "GET", path)
                print(line(what, alone.times[what]))
            print(f"{options.reviewers} reviewers for {options.seconds:.0f} s on 40 drafts:")
            people = reviewers_at_work(base, numbers[:40], options.reviewers, options.seconds)
        merged: Times = defaultdict(list)
        for person in people:
            for what, times in person.times.items():
                merged[what] += times
        for what, times in merged.items():
            print(line(what, times))
        print(line("all requests", [t for times in merged.values() for t in times]))
        errors = [error for person in people for error in person.errors]
        saved = [mark for person in people for mark in person.saved]
        found = {(n, q.text) for n in numbers[:40] for q in store.draft(n).document.questions}
        stale = sum(person.stale for person in people)
        print(f"{len(saved)} saves acknowledged, {stale} refused as stale and repeated, {len(errors)} errors")
        print(f"lost edits: {len(set(saved) - found)}; audit log whole: {store.audit_report().sound}")
        if options.drafts <= 2000:
            print(f"store check: {len(check_store(store).faults)} faults")
        print(*errors[:5], sep="\n")


if __name__ == "__main__":
    main()
