"""One engine of the speech bench at work, in a process of its own: recordings in, heard words and times out.

`hear` writes one JSON file a recording: words with certainty and times, processor seconds, and for each utterance how
long its words came after the end that the endpointer saw. Work that an engine does ahead, while the endpointer still
waits to be sure (`prepare`), counts as far as it is longer than that wait.
"""

from __future__ import annotations

import json
import os
import re
import resource
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from dictate.events import SAMPLE_RATE_HZ, AudioChunk, FinalText, Word
from dictate.settings import SoundSettings, load_settings

ENGINES = ("fused", "fused-alone", "two-ears", "pocketsphinx", "pocketsphinx-general", "whisper-tiny")
CHUNK = SAMPLE_RATE_HZ // 10


def open_engine(name: str) -> Any:
    """The engine of a row. Raises when it is not there."""
    from dictate.engines.choose import choose_engine

    if name == "fused-alone":
        from dictate.engines.fused.build import ensure_language
        from dictate.engines.fused.engine import FusedEngine
        from dictate.engines.fused.net import Net

        return FusedEngine(Net(), ensure_language(load_settings().folders.cache))
    if name == "pocketsphinx-general":
        from dictate.engines.pocketsphinx_engine import PocketsphinxEngine

        return PocketsphinxEngine()
    if name == "whisper-tiny":
        from tests.bench.whisper_peer import WhisperEngine

        return WhisperEngine(os.environ["WHISPER_TINY"])
    return choose_engine(name)


class _Watched:
    """An engine that keeps the time of its `prepare` and `finish`."""

    def __init__(self, engine: Any) -> None:
        self._engine = engine
        self.ahead = 0.0
        self.waits: list[float] = []
        settings = SoundSettings()
        self._free_s = settings.end_silence_s - settings.tail_s

    def __getattr__(self, name: str) -> Any:
        return getattr(self._engine, name)

    def start(self, start_s: float) -> None:
        self.ahead = 0.0
        self._engine.start(start_s)

    def prepare(self) -> None:
        began = time.perf_counter()
        ahead = getattr(self._engine, "prepare", None)
        if ahead is not None:
            ahead()
        self.ahead = time.perf_counter() - began

    def finish(self) -> FinalText:
        began = time.perf_counter()
        final: FinalText = self._engine.finish()
        self.waits.append(time.perf_counter() - began + max(0.0, self.ahead - self._free_s))
        return final


def hear(name: str, jobs: list[dict[str, str]], label: str) -> None:
    """Hear every job's `sound` and write its `result`."""
    from dictate.listen import Listener
    from grammar import parse

    parse("right ankle jerk absent")  # the program that hears also reads: its memory counts
    began = time.perf_counter()
    engine = _Watched(open_engine(name))
    engine.start(0.0)
    engine.accept(np.zeros(8000, dtype=np.int16))
    engine.finish()
    start_s = time.perf_counter() - began
    for job in jobs:
        samples = soundfile.read(job["sound"], dtype="int16")[0]
        engine.waits = []
        listener = Listener(engine)
        events = []
        before = time.process_time()
        for at in range(0, len(samples), CHUNK):
            events += listener.feed(AudioChunk(samples[at : at + CHUNK], at / SAMPLE_RATE_HZ))
        events += listener.flush()
        cpu_s = time.process_time() - before
        finals = [event for event in events if isinstance(event, FinalText)]
        result = {
            "engine": name,
            "label": label,
            "start_s": start_s,
            "memory_mb": peak_memory_mb(),
            "seconds": len(samples) / SAMPLE_RATE_HZ,
            "cpu_s": cpu_s,
            "waits": engine.waits,
            "heard": [asdict(final) for final in finals],
        }
        path = Path(job["result"])
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(result), encoding="utf-8")


def peak_memory_mb() -> float:
    """The most memory that this process held; getrusage would also count that of the program that started it."""
    status = Path("/proc/self/status")
    if status.exists():
        found = re.search(r"VmHWM:\s+(\d+) kB", status.read_text(encoding="ascii"))
        if found is not None:
            return int(found[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def finals_of(result: dict[str, Any]) -> list[FinalText]:
    """The utterances of a stored result, those without words left out."""
    found = []
    for heard in result["heard"]:
        words = tuple(Word(**{**word, "rivals": tuple(word["rivals"])}) for word in heard["words"])
        found.append(FinalText(**{**heard, "words": words, "remarks": tuple(heard["remarks"])}))
    return [final for final in found if final.words]
