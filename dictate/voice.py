"""Speaker adaptation: two minutes of read sentences tell how one person says the hardest words.

What is learnt, for PocketSphinx (the bundled engine can take no more without tools that it does not ship):

- which of several pronunciations of a word this speaker uses, by forced alignment of what was read: the ways
  never used of a word that was read are dropped, so fewer words sound alike;
- where the mean of the speaker's cepstra lies (cepstral mean normalisation starts there instead of at an average).

Whether it helps is measured, not assumed: the sentences are halved, each half is recognised with what the other
taught, and the profile is used only if fewer words are wrong than without it. The fused engine uses it in its second
ear; its network takes no profile.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict, ValidationError

from dictate.engines.corpus import training_sentences
from dictate.engines.lexicon import Phones, own_words
from dictate.engines.model_build import BuiltModel, ensure_model
from dictate.engines.pocketsphinx_engine import PocketsphinxEngine
from dictate.errors import InputError, SettingsError
from dictate.events import Samples

SENTENCES = 24
NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,30}")


class Profile(BaseModel):
    """What was learnt of one speaker. `wrong_before` and `wrong_after` are words of `words` read."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    ways: dict[str, tuple[Phones, ...]]
    cepstral_mean: str
    words: int
    wrong_before: int
    wrong_after: int

    @property
    def helps(self) -> bool:
        """Whether fewer words were wrong with it than without."""
        return self.wrong_after < self.wrong_before


@dataclass(frozen=True, slots=True)
class Reading:
    """A sentence and the sound of its being read."""

    sentence: str
    samples: Samples


def sentences(count: int = SENTENCES) -> tuple[str, ...]:
    """Sentences to read: those that hold most words with several pronunciations, each word about twice."""
    several = {word for word, ways in own_words().items() if len(ways) > 1}
    candidates = sorted({said for said in training_sentences(6000) if 5 <= len(said.split()) <= 12})
    wanted = Counter({word: 2 for word in several})
    chosen: list[str] = []
    for _ in range(count):
        best = max(candidates, key=lambda said: (sum(wanted[word] for word in set(said.split())), -len(said)))
        chosen.append(best)
        candidates.remove(best)
        for word in set(best.split()):
            wanted[word] = max(0, wanted[word] - 1)
    return tuple(chosen)


def learn(name: str, readings: Sequence[Reading], cache: Path) -> Profile:
    """Learn a profile from readings. InputError when too little was read to learn from."""
    check_name(name)
    if len(readings) < 4:
        raise InputError(f"{len(readings)} sentences are too few to learn a voice; read at least 4.")
    model = ensure_model(cache)
    halves = (readings[0::2], readings[1::2])
    before = after = words = 0
    for taught, tried in (halves, halves[::-1]):
        half = _study(name, taught, model)
        before += _wrong(tried, _engine(model, None, cache))
        after += _wrong(tried, _engine(model, half, cache))
        words += sum(len(reading.sentence.split()) for reading in tried)
    whole = _study(name, readings, model)
    return whole.model_copy(update={"words": words, "wrong_before": before, "wrong_after": after})


def engine_for(profile: Profile | None, cache: Path, clinic: tuple[str, ...] = ()) -> PocketsphinxEngine:
    """PocketSphinx with a profile that helps; without one, or when it does not help, as it is."""
    model = ensure_model(cache, clinic)
    return _engine(model, profile if profile is not None and profile.helps else None, cache)


def save(profile: Profile, voices: Path) -> Path:
    """Write a profile; the path it is stored at."""
    voices.mkdir(parents=True, exist_ok=True)
    path = voices / f"{profile.name}.json"
    path.write_text(profile.model_dump_json(indent=1), encoding="utf-8")
    return path


def load(name: str, voices: Path) -> Profile:
    """Read a stored profile. SettingsError when there is none or it is damaged."""
    check_name(name)
    path = voices / f"{name}.json"
    try:
        return Profile.model_validate_json(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        known = ", ".join(stored(voices)) or "none"
        raise SettingsError(
            f"There is no voice {name!r}; known are {known}. Learn it: `dictate voice learn {name}`."
        ) from error
    except (OSError, ValidationError) as error:
        raise SettingsError(f"The voice {path} is damaged; learn it again.") from error


def stored(voices: Path) -> tuple[str, ...]:
    """Names of the stored voices."""
    return tuple(sorted(path.stem for path in voices.glob("*.json")))


def check_name(name: str) -> None:
    """SettingsError unless a name is short and plain enough to be a file's name."""
    if not NAME.fullmatch(name):
        raise SettingsError(f"{name!r} is no name for a voice; use lower-case letters, digits, - and _.")


def _study(name: str, readings: Sequence[Reading], model: BuiltModel) -> Profile:
    """Forced alignment of what was read."""
    import pocketsphinx

    aligner = pocketsphinx.Decoder(lm=str(model.language_model), dict=str(model.dictionary), loglevel="FATAL")
    ways = _dictionary(model)
    used: dict[str, Counter[int]] = {}
    for reading in readings:
        if any(word not in ways for word in reading.sentence.split()):
            continue
        aligner.set_align_text(reading.sentence)
        aligner.start_utt()
        aligner.process_raw(reading.samples.tobytes(), full_utt=True)
        aligner.end_utt()
        if aligner.hyp() is None:
            continue
        for segment in aligner.seg():
            match = re.fullmatch(r"([a-z']+)(?:\((\d+)\))?", segment.word)
            if match:
                used.setdefault(match.group(1), Counter())[int(match.group(2) or 1) - 1] += 1
    kept = {
        word: tuple(ways[word][number] for number in sorted(numbers))
        for word, numbers in used.items()
        if len(ways[word]) > len(numbers)
    }
    mean = aligner.get_cmn(True) if readings else ""
    return Profile(name=name, ways=kept, cepstral_mean=mean, words=0, wrong_before=0, wrong_after=0)


def _engine(model: BuiltModel, profile: Profile | None, cache: Path) -> PocketsphinxEngine:
    if profile is None:
        return PocketsphinxEngine(model.language_model, model.dictionary)
    from dictate.engines.lexicon import dictionary_lines

    path = cache / f"voice-{profile.name}.dict"
    lines = dictionary_lines({**_dictionary(model), **profile.ways})
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    more: dict[str, Any] = {"cmninit": profile.cepstral_mean} if profile.cepstral_mean else {}
    return PocketsphinxEngine(model.language_model, path, **more)


def _dictionary(model: BuiltModel) -> dict[str, tuple[Phones, ...]]:
    found: dict[str, tuple[Phones, ...]] = {}
    for line in model.dictionary.read_text(encoding="utf-8").splitlines():
        word, *phones = line.split()
        plain = word.split("(")[0]
        found[plain] = (*found.get(plain, ()), tuple(phones))
    return found


def _wrong(readings: Sequence[Reading], engine: PocketsphinxEngine) -> int:
    """Words heard wrong, dropped or added in all readings."""
    total = 0
    for reading in readings:
        engine.start(0.0)
        engine.accept(reading.samples)
        total += _distance(reading.sentence.split(), engine.finish().text.split())
    engine.close()
    return total


def _distance(one: Sequence[str], other: Sequence[str]) -> int:
    row = np.arange(len(other) + 1)
    for number, word in enumerate(one, 1):
        before = row.copy()
        row[0] = number
        for place, rival in enumerate(other, 1):
            row[place] = min(before[place] + 1, row[place - 1] + 1, before[place - 1] + (word != rival))
    return int(row[-1])
