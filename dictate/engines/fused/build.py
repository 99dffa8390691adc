"""The fused engine's language model: trained from the package's sentences once, then kept in the cache.

The file's name holds a fingerprint of all data and code that went in, so a change of either means a new
build. Training takes about three seconds, loading a twentieth of one.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import zipfile
from collections.abc import Iterable
from functools import cache
from importlib import resources
from pathlib import Path

import numpy as np

from dictate.engines import model_build
from dictate.engines.corpus import training_sentences
from dictate.engines.fused.language import Language, from_arrays, train
from dictate.engines.fused.settings import fused_settings

KEPT = 3
PARTS = (
    "build.py",
    "language.py",
    "data/everyday.tsv",
    "data/fused.toml",
)


@cache
def everyday_words() -> dict[str, float]:
    """Everyday words with their chances per million; the file's head names its source."""
    text = (resources.files("dictate.engines.fused") / "data" / "everyday.tsv").read_text(encoding="utf-8")
    rows = (line.split("\t") for line in text.splitlines() if line and not line.startswith("#"))
    return {word: float(chance) for word, chance in rows}


def build_language(clinic: Iterable[str] = ()) -> Language:
    """Train the model now."""
    said = fused_settings().language
    return train(
        training_sentences(clinic=clinic),
        everyday_words(),
        escape=said.escape,
        strange=said.strange,
        strange_letter=said.strange_letter,
    )


def ensure_language(folder: Path, clinic: tuple[str, ...] = (), *, rebuild: bool = False) -> Language:
    """The model from the cache folder, or built now and kept there when the folder can be written."""
    path = folder / f"fused-{fingerprint(clinic)}.npz"
    if not rebuild:
        try:
            with np.load(path, allow_pickle=False) as stored:
                return from_arrays(dict(stored))
        except (OSError, ValueError, KeyError, zipfile.BadZipFile):
            pass  # missing, or cut short by a full disk: build it again
    language = build_language(clinic)
    try:
        _store(language, path)
    except OSError:
        return language  # no cache: slower next time, nothing lost
    _forget_old(folder, keep=path)
    return language


def fingerprint(clinic: Iterable[str] = ()) -> str:
    """Twelve hexadecimal digits over everything the model depends on."""
    clinic = tuple(clinic)
    digest = hashlib.sha256(model_build.fingerprint(clinic).encode())
    here = resources.files("dictate.engines.fused")
    for name in PARTS:
        digest.update((here / name).read_bytes())
    return digest.hexdigest()[:12]


def _store(language: Language, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, scratch = tempfile.mkstemp(prefix=".fused-", suffix=".npz", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            np.savez(file, **language.arrays())  # type: ignore[arg-type]
        os.replace(scratch, path)
    except OSError:
        Path(scratch).unlink(missing_ok=True)
        raise


def _forget_old(folder: Path, keep: Path) -> None:
    found = sorted((path for path in folder.glob("fused-*.npz") if path != keep), key=lambda path: path.stat().st_mtime)
    for path in found[: max(0, len(found) - KEPT + 1)]:
        path.unlink(missing_ok=True)
