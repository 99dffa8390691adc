"""The language model and dictionary that pocketsphinx needs, built from the data once and kept in the cache.

The folder's name holds a fingerprint of everything that went in, so changed data or code means a new
build and an old one is never used by mistake. `dictate models build` does the same by hand.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from dictate.engines import corpus, trigram
from dictate.engines.guess import guess
from dictate.engines.lexicon import dictionary_lines, pronounce
from dictate.errors import EngineError

MODEL_FILE = "examination.arpa"
DICTIONARY_FILE = "examination.dict"
GUESSED_FILE = "guessed.txt"
LEFT_OUT_FILE = "left_out.txt"
KEPT_BUILDS = 3


@dataclass(frozen=True, slots=True)
class BuiltModel:
    """Where the built files are."""

    folder: Path
    language_model: Path
    dictionary: Path

    def guessed(self) -> tuple[str, ...]:
        """Words whose pronunciation was only guessed."""
        return tuple((self.folder / GUESSED_FILE).read_text(encoding="utf-8").split())

    def unpronounced(self) -> tuple[str, ...]:
        """Words left out, with their sentences, because nothing here knows how they sound."""
        return tuple((self.folder / LEFT_OUT_FILE).read_text(encoding="utf-8").split())


def fingerprint(clinic: Iterable[str] = ()) -> str:
    """Twelve hexadecimal digits over the data and code that a build depends on."""
    digest = hashlib.sha256()
    engines = resources.files("dictate.engines")
    parts = [
        engines / name
        for name in ("corpus.py", "templates.py", "trigram.py", "lexicon.py", "guess.py", "model_build.py")
    ]
    parts += [
        engines / "data" / name for name in ("talk.toml", "templates.toml", "telling.toml", "pronunciations.dict")
    ]
    phrases = resources.files("grammar") / "data" / "phrases"
    if phrases.is_dir():
        parts += sorted(phrases.iterdir(), key=lambda entry: entry.name)
    for part in parts:
        if part.is_file():
            digest.update(part.read_bytes())
    digest.update("\n".join(clinic).encode())
    return digest.hexdigest()[:12]


def ensure_model(cache: Path, clinic: tuple[str, ...] = (), *, rebuild: bool = False) -> BuiltModel:
    """The built model, from the cache or built now (about two seconds).

    A cache folder that cannot be written is replaced by a temporary one; EngineError when that fails too.
    """
    name = f"language-{fingerprint(clinic)}"
    folder = cache / name
    if rebuild and folder.is_dir():
        shutil.rmtree(folder, ignore_errors=True)
    if not (folder / DICTIONARY_FILE).is_file():
        try:
            folder = _build_into(cache, name, clinic)
        except OSError:
            folder = _build_elsewhere(name, clinic)
    return BuiltModel(folder, folder / MODEL_FILE, folder / DICTIONARY_FILE)


def build(folder: Path, clinic: tuple[str, ...] = ()) -> None:
    """Write the language model and the dictionary into an existing folder."""
    sentences = list(corpus.training_sentences(clinic=clinic))
    words = {word for sentence in sentences for word in sentence.split()} | corpus.vocabulary()
    ways = pronounce(words)
    guessed = {word: found for word in sorted(words - ways.keys()) if (found := guess(word))}
    ways = dict(sorted((ways | guessed).items()))
    usable = [sentence for sentence in sentences if all(word in ways for word in sentence.split())]
    trigram.train(usable, ways).write_arpa(folder / MODEL_FILE)
    (folder / GUESSED_FILE).write_text("\n".join(guessed), encoding="utf-8")
    (folder / LEFT_OUT_FILE).write_text("\n".join(sorted(words - ways.keys())), encoding="utf-8")
    (folder / DICTIONARY_FILE).write_text("\n".join(dictionary_lines(ways)) + "\n", encoding="utf-8")


def _build_into(cache: Path, name: str, clinic: tuple[str, ...]) -> Path:
    cache.mkdir(parents=True, exist_ok=True)
    fresh = Path(tempfile.mkdtemp(prefix=".building-", dir=cache))
    try:
        build(fresh, clinic)
        try:
            os.replace(fresh, cache / name)
        except OSError:
            if not (cache / name / DICTIONARY_FILE).is_file():  # else another process was quicker
                raise
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    _forget_old(cache, keep=name)
    return cache / name


def _build_elsewhere(name: str, clinic: tuple[str, ...]) -> Path:
    folder = Path(tempfile.gettempdir()) / f"spoken-exam-{os.getuid() if hasattr(os, 'getuid') else 'user'}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not _only_ours(folder):  # anybody may have put it there, with "left" sounding like "right"
            folder = Path(tempfile.mkdtemp(prefix="spoken-exam-"))
        if (folder / name / DICTIONARY_FILE).is_file():
            return folder / name
        return _build_into(folder, name, clinic)
    except OSError as error:
        raise EngineError(
            f"The language model cannot be written ({error}); free some disk space or set "
            "$SPOKEN_EXAM_HOME to a folder that can be written."
        ) from error


def _only_ours(folder: Path) -> bool:
    """Whether a folder is a real one of this user that nobody else can write into."""
    found = folder.lstat()
    if not hasattr(os, "getuid"):  # there the temporary folder is each user's own
        return stat.S_ISDIR(found.st_mode)
    return stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid() and not found.st_mode & 0o022


def _forget_old(cache: Path, keep: str) -> None:
    """Remove all but the newest builds."""
    found = sorted(
        (path for path in cache.glob("language-*") if path.name != keep),
        key=lambda path: path.stat().st_mtime,
        reverse=True,
    )
    for path in found[KEPT_BUILDS - 1 :]:
        shutil.rmtree(path, ignore_errors=True)
