"""Speech models on this machine: finds and installs Vosk model folders. Nothing here goes to the network.

A Vosk model is a folder with `am/final.mdl` (older ones: `final.mdl` at the top). Models are looked for
where the settings point and in the user's models folder.
"""

from __future__ import annotations

import shutil
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

from dictate.errors import EngineError, InputError

HOW_TO_GET = (
    "Get a Vosk model for English (a zip file) on a machine that may use the network, then run "
    "`dictate models add FILE.zip`."
)


@dataclass(frozen=True, slots=True)
class FoundModel:
    """A Vosk model. `accepts_phrases`: built so that the exam's own phrases can be given to it."""

    name: str
    path: Path
    megabytes: float
    accepts_phrases: bool


def is_model(path: Path) -> bool:
    """Whether a folder holds a Vosk model."""
    return (path / "am" / "final.mdl").is_file() or (path / "final.mdl").is_file()


def describe(path: Path) -> FoundModel:
    """Name, size and abilities of the model in `path`; EngineError when there is none."""
    path = path.expanduser()
    if not path.is_dir():
        raise EngineError(f"The model folder {path} does not exist; check the path or run `dictate models`.")
    if not is_model(path):
        inner = [entry for entry in path.iterdir() if entry.is_dir() and is_model(entry)]
        if len(inner) == 1:
            return describe(inner[0])
        raise EngineError(f"{path} is no Vosk model (am/final.mdl is missing); give the unpacked model's folder.")
    size = sum(file.stat().st_size for file in path.rglob("*") if file.is_file())
    lookahead = any((path / place / "HCLr.fst").is_file() for place in (".", "graph"))
    return FoundModel(path.name, path, size / 1e6, lookahead)


def find_models(models: Path, configured: Path | None = None) -> list[FoundModel]:
    """The configured model first, then those in the models folder, by name."""
    found = []
    if configured is not None and configured.expanduser().is_dir():
        found.append(describe(configured))
    if models.is_dir():
        found += [describe(path) for path in sorted(models.iterdir()) if path.is_dir() and is_model(path)]
    return list({model.path.resolve(): model for model in found}.values())


def add_model(source: Path, models: Path) -> FoundModel:
    """Copy a model folder, or unpack a zip of one, into the models folder.

    Raises InputError when it is no model or one of that name is there, and leaves nothing half done.
    """
    source = source.expanduser()
    if not source.exists():
        raise InputError(f"{source} does not exist; check the path.")
    try:
        models.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".adding-", dir=models) as scratch:
            unpacked = Path(scratch) / "model"
            if source.is_dir():
                shutil.copytree(source, unpacked / source.name)
            else:
                _unpack(source, unpacked)
            folder = _find_inside(unpacked)
            if folder is None:
                raise InputError(f"{source} holds no Vosk model (am/final.mdl is missing).")
            name = folder.name if folder != unpacked else source.stem
            target = models / name
            if target.exists():
                raise InputError(f"A model {name!r} is already in {models}; remove that folder first.")
            shutil.move(folder, target)
    except OSError as error:
        raise InputError(
            f"The model cannot be stored in {models} ({error}); free some space or set $SPOKEN_EXAM_HOME."
        ) from error
    return describe(target)


def _unpack(source: Path, target: Path) -> None:
    try:
        with zipfile.ZipFile(source) as packed:
            for name in packed.namelist():
                if not (target / name).resolve().is_relative_to(target.resolve()):
                    raise InputError(f"{source} holds a path outside itself ({name}); it was not unpacked.")
            packed.extractall(target)
    except zipfile.BadZipFile as error:
        raise InputError(f"{source} is neither a folder nor a whole zip file; download it again.") from error


def _find_inside(folder: Path) -> Path | None:
    if is_model(folder):
        return folder
    inner = [entry.parent.parent for entry in sorted(folder.rglob("am/final.mdl"))]
    inner += [entry.parent for entry in sorted(folder.rglob("final.mdl")) if entry.parent.name != "am"]
    return inner[0] if inner else None
