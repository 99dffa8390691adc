"""What the speech bench hears: dictations and other talk, voices, and the conditions that spoil the sound.

Everything is made once and kept in a folder (`Sets.sound`). Dictations are those of tests/cases/golden that are marked
as spoken, have no digits and at most `MOST_WORDS` words, no line longer than `LONGEST_LINE`; every second one, by name,
is for tuning, the others are held out. Their order is drawn once, so the first N are a fair sample.

Other talk: tests/bench/other_talk.txt, four sentences a recording; the prompts of Debian's
asterisk-core-sounds-en-g722 (a real woman), twelve a recording; the reading of a novel inside moonshine-voice.
"""

from __future__ import annotations

import json
import random
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import soundfile
import soxr

from dictate.events import SAMPLE_RATE_HZ, Samples
from tests.tools.noises import add_noise, babble, pink, room, white
from tests.tools.scoring import spoken_lines
from tests.tools.voices import speak

ROOT = Path(__file__).parents[2]
PROMPTS = Path("/usr/share/asterisk/sounds")
MOST_WORDS, LONGEST_LINE = 70, 30
LEAD_S = 1.2
"""A recording begins with so much of its room: in life the microphone is open before somebody speaks."""
VOICES = (
    "flite-rms",
    "flite-awb",
    "flite-kal16",
    "festival-slt",
    "kokoro-jf_gongitsune",
    "kokoro-jf_alpha",
)
TALKERS = ("flite-rms", "flite-awb", "flite-kal16", "flite-slt", "flite-rms")
HUMANS = ("human-prompts", "human-novel")
NOISES = ("pink", "white", "babble")
CONDITIONS = ("clean", *(f"{noise}{ratio}" for noise in NOISES for ratio in (20, 10, 5)), "room", "talk")


@dataclass(frozen=True)
class Piece:
    """One recording: `text` is what is said ("" for other talk)."""

    name: str
    voice: str
    condition: str
    text: str = ""
    complaint: tuple[str, ...] = ()


def dictations(part: str = "held-out") -> dict[str, tuple[str, tuple[str, ...]]]:
    """name -> (text, complaints); `part`: held-out or tuning."""
    found = {}
    for path in sorted((ROOT / "tests" / "cases" / "golden").glob("spoken_*.jsonl")):
        for line in path.read_text(encoding="utf-8").splitlines():
            case = json.loads(line)
            lines = spoken_lines(case["text"]).splitlines()
            short = sum(len(said.split()) for said in lines) <= MOST_WORDS
            plain = case.get("spoken", True) and not any(char.isdigit() for char in case["text"])
            if plain and short and max(len(said.split()) for said in lines) <= LONGEST_LINE:
                found[case["id"]] = (case["text"], tuple(case.get("complaint", ())))
    names = sorted(found)[1::2] if part == "held-out" else sorted(found)[0::2]
    random.Random(11).shuffle(names)
    return {name: found[name] for name in names}


def other_talk() -> list[str]:
    """The sentences of other_talk.txt."""
    lines = (Path(__file__).parent / "other_talk.txt").read_text(encoding="utf-8").splitlines()
    return [line for line in lines if line and not line.startswith("#")]


def pieces(voice: str, condition: str, limit: int, part: str = "held-out") -> list[Piece]:
    """The recordings of a cell of the table, at most `limit`."""
    if condition == "talk":
        names = {HUMANS[0]: prompts, HUMANS[1]: novel}.get(voice, read_talk)()
        return [Piece(name, voice, condition) for name in list(names)[:limit]]
    chosen = list(dictations(part).items())[:limit]
    return [Piece(name, voice, condition, text, complaint) for name, (text, complaint) in chosen]


class Sets:
    """Sounds, made when asked for and kept in `folder`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def sound(self, piece: Piece) -> Path:
        """The recording of a piece."""
        path = self.folder / piece.voice / f"{piece.name}.{piece.condition}.flac"
        if path.exists():
            return path
        if piece.condition == "talk":
            _write(path, self._talk(piece))
        elif piece.condition == "clean":
            spoken = speak(piece.text, piece.voice, pause_s=(0.7, 1.2), seed=len(piece.name))
            lead = np.zeros(int(LEAD_S * SAMPLE_RATE_HZ), dtype=np.int16)
            _write(path, np.concatenate([lead, spoken.samples]))
            moved = [(said, start + LEAD_S, end + LEAD_S) for said, start, end in spoken.phrases]
            path.with_suffix(".json").write_text(json.dumps(moved), encoding="utf-8")
        else:
            clean = soundfile.read(self.sound(replace(piece, condition="clean")), dtype="int16")[0]
            _write(path, self.spoil(clean, piece.condition))
        return path

    def phrases(self, piece: Piece) -> list[tuple[str, float, float]]:
        """(text, start_s, end_s) of what is said in a piece whose sound was made."""
        marks = self.folder / piece.voice / f"{piece.name}.clean.json"
        return [(said, start, end) for said, start, end in json.loads(marks.read_text(encoding="utf-8"))]

    def _talk(self, piece: Piece) -> Samples:
        if piece.voice in HUMANS:
            return (prompts() if piece.voice == HUMANS[0] else novel())[piece.name]()
        return speak(read_talk()[piece.name], piece.voice, pause_s=(0.7, 1.2)).samples

    def spoil(self, sound: Samples, condition: str) -> Samples:
        """The sound in noise or in a room."""
        if condition == "room":
            return room(sound)
        kind, ratio = condition.rstrip("0123456789"), int(condition.lstrip("abcdefghijklmnopqrstuvwxyz"))
        length = len(sound)
        if kind == "babble":
            return add_noise(sound, babble(length, self._talkers()), ratio)
        made: Callable[[int], np.ndarray] = {"pink": pink, "white": white}[kind]
        return add_noise(sound, made(length), ratio)

    def _talkers(self) -> list[Samples]:
        sounds = []
        for number, voice in enumerate(TALKERS):
            path = self.folder / "talkers" / f"{number}.flac"
            if not path.exists():
                said = ". ".join(other_talk()[number * 4 : number * 4 + 4])
                _write(path, speak(said, voice, pause_s=(0.05, 0.15)).samples)
            sounds.append(soundfile.read(path, dtype="int16")[0])
        return sounds


def read_talk() -> dict[str, str]:
    """Recordings of four sentences of other talk each."""
    lines = other_talk()
    return {f"t{at:03d}": ". ".join(lines[at : at + 4]) for at in range(0, len(lines), 4)}


def prompts() -> dict[str, Callable[[], Samples]]:
    """Recordings of twelve prompts each, with pauses of a second; empty without the Debian package."""
    files = [path for path in sorted(PROMPTS.rglob("*.g722")) if path.stat().st_size > 8_000 * 0.8]
    files = [path for path in files if "silence" not in path.parts]
    random.Random(5).shuffle(files)
    pause = np.zeros(SAMPLE_RATE_HZ, dtype=np.int16)

    def joined(at: int) -> Samples:
        return np.concatenate([pause, *(part for path in files[at : at + 12] for part in (prompt(path), pause))])

    return {f"p{at:03d}": partial(joined, at) for at in range(0, len(files), 12)}


def prompt(path: Path) -> Samples:
    """A recorded prompt as 16 kHz samples (needs ffmpeg)."""
    command = ["ffmpeg", "-v", "error", "-f", "g722", "-i", str(path), "-ac", "1", "-ar", "16000", "-f", "s16le", "-"]
    return np.frombuffer(subprocess.run(command, capture_output=True, check=True).stdout, dtype=np.int16)


def novel() -> dict[str, Callable[[], Samples]]:
    """The reading that comes with moonshine-voice, as one recording."""
    from dictate.engines.fused.net import model_folder

    def sound() -> Samples:
        raw, rate = soundfile.read(model_folder().parent / "two_cities.wav")
        return np.asarray(soxr.resample(raw, rate, SAMPLE_RATE_HZ) * 32_000, dtype=np.int16)

    return {"novel": sound}


def _write(path: Path, samples: Samples) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, samples, SAMPLE_RATE_HZ)
