"""One frozen Settings object: the settings file and environment variables, read and checked once.

Where things live. With `$SPOKEN_EXAM_HOME` set, everything is in that folder: `settings.toml`, `models/`,
`data/`, `cache/`. Otherwise the platform's own folders are used (platformdirs, application "spoken-exam").

The file holds one table a section, e.g.

    [speech]
    engine = "vosk"
    model = "/home/me/models/english-large"

    [sound]
    device = "USB"
    end_silence_s = 0.6

An environment variable `SPOKEN_EXAM_<SECTION>_<KEY>` (`SPOKEN_EXAM_SPEECH_ENGINE=vosk`) wins over the file.
Every fault is reported at once, with file and key.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from platformdirs import PlatformDirs
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from dictate.errors import SettingsError

PREFIX = "SPOKEN_EXAM_"
HOME_VARIABLE = PREFIX + "HOME"
FILE_NAME = "settings.toml"

EngineName = Literal["fused", "pocketsphinx", "vosk", "two-ears"]


class Section(BaseModel):
    """Base of every section: immutable, and a misspelt key is a fault."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class SpeechSettings(Section):
    """Which recogniser hears, and how sure it must be."""

    engine: EngineName | None = None
    """None: the best one that is installed."""
    model: Path | None = None
    """Folder of a Vosk model."""
    voice: str | None = None
    """Name of an enrolled speaker (`dictate voice learn`)."""
    second_ear: bool = False
    """Weigh PocketSphinx and the fused engine against each other word by word (`two-ears`), instead of letting the
    fused engine take PocketSphinx's words as hints."""
    phrases: Path | None = None
    """Folder of a clinic's own data: sentences to expect in `*.toml`; `phrases/` and `protocols/` for the grammar."""


class SoundSettings(Section):
    """Microphone and the cutting of sound into utterances. Times in seconds, levels in decibels."""

    device: str | None = None
    """Name or number of the microphone; None: the system's default."""
    pre_roll_s: float = Field(default=0.25, ge=0, le=2)
    tail_s: float = Field(default=0.2, ge=0, le=1)
    end_silence_s: float = Field(default=0.5, ge=0.2, le=5)
    speech_probability: float = Field(default=0.5, gt=0, lt=1)
    over_floor_db: float = Field(default=15.0, ge=0, le=40)


class StoreSettings(Section):
    """Where drafts are kept, how their key is found, how long sound is kept."""

    url: str | None = None
    """SQLAlchemy URL, e.g. postgresql://host/name; None: SQLite in the data folder."""
    key: Literal["file", "passphrase", "keyring", "plain"] = "file"
    """Where the key of a new store comes from; plain: no encryption, announced on every start."""
    key_file: Path | None = None
    """None: `store.key` in the settings folder."""
    passphrase_file: Path | None = None
    """A file that holds the passphrase, for programs that start without a terminal."""
    audio_days: int = Field(default=30, ge=0)
    """Days after signing until the sound is deleted."""


class LiveSettings(Section):
    """How a live examination begins and sounds."""

    consent: str = (
        "Recording starts now: tell the patient, and have their agreement. Sound and words stay on this "
        "computer. Local policy and law on recording consent and on health data apply."
    )
    """Shown at the start of each live examination."""
    keep_audio: bool = True
    """False: the sound is dropped as soon as it is read."""
    sounds: Literal["off", "soft", "clear"] = "off"
    """Short tones: heard a finding, which side?, not understood."""


class Folders(Section):
    """Where this user's files live."""

    config: Path
    models: Path
    data: Path
    cache: Path


class Settings(Section):
    """All settings of one run."""

    folders: Folders
    speech: SpeechSettings = SpeechSettings()
    sound: SoundSettings = SoundSettings()
    store: StoreSettings = StoreSettings()
    live: LiveSettings = LiveSettings()


def find_folders(environment: Mapping[str, str]) -> Folders:
    """The user's folders: under `$SPOKEN_EXAM_HOME` when set, else the platform's own."""
    home = environment.get(HOME_VARIABLE)
    if home:
        root = Path(home).expanduser()
        return Folders(config=root, models=root / "models", data=root / "data", cache=root / "cache")
    dirs = PlatformDirs("spoken-exam", appauthor=False)
    data = Path(dirs.user_data_dir)
    return Folders(
        config=Path(dirs.user_config_dir), models=data / "models", data=data, cache=Path(dirs.user_cache_dir)
    )


def load_settings(environment: Mapping[str, str] | None = None) -> Settings:
    """Read the settings file and the environment; raise SettingsError listing every fault.

    A missing file means the defaults.
    """
    environment = os.environ if environment is None else environment
    folders = find_folders(environment)
    path = folders.config / FILE_NAME
    values = _read_file(path)
    origins = {
        (section, key): f"{path} [{section}] {key}"
        for section, table in values.items()
        if isinstance(table, dict)
        for key in table
    }
    faults = _overlay(values, origins, environment)
    if "folders" in values:
        faults.append(f"{path} [folders]: folders are set with ${HOME_VARIABLE}, not in the file; remove it")
        values.pop("folders")
    settings = None
    try:
        settings = Settings.model_validate({**values, "folders": folders})
    except ValidationError as error:
        faults += [_sentence(dict(fault), origins, path) for fault in error.errors()]
    if faults or settings is None:
        head = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        raise SettingsError(f"{head} in the settings:\n" + "\n".join(f"  {fault}" for fault in faults))
    return settings


def section_names() -> tuple[str, ...]:
    """Names of the sections a settings file may hold."""
    return tuple(name for name in Settings.model_fields if name != "folders")


def _read_file(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"The settings file {path} cannot be read ({error}); mend it.") from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"The settings file {path} is not TOML ({error}); mend that line.") from error


def _overlay(values: dict[str, Any], origins: dict[tuple[str, str], str], environment: Mapping[str, str]) -> list[str]:
    """Put `SPOKEN_EXAM_<SECTION>_<KEY>` values over the file's; return faults of unknown names."""
    faults = []
    for variable in sorted(environment):
        if not variable.startswith(PREFIX) or variable == HOME_VARIABLE:
            continue
        rest = variable[len(PREFIX) :].lower()
        section = next((name for name in section_names() if rest.startswith(name + "_")), None)
        if section is None:
            known = ", ".join(f"{PREFIX}{name.upper()}_..." for name in section_names())
            faults.append(f"environment ${variable}: no such setting; known are {known}")
            continue
        key = rest[len(section) + 1 :]
        table = values.setdefault(section, {})
        if isinstance(table, dict):
            table[key] = environment[variable]
            origins[(section, key)] = f"environment ${variable}"
    return faults


def _sentence(fault: dict[str, Any], origins: dict[tuple[str, str], str], path: Path) -> str:
    place = tuple(str(part) for part in fault["loc"])
    where = origins.get((place[0], place[1])) if len(place) > 1 else None
    where = where or f"{path} [{']['.join(place)}]"
    if fault["type"] == "extra_forbidden":
        fields = Settings.model_fields.get(place[0])
        section = fields.annotation if fields else None
        known = tuple(getattr(section, "model_fields", {})) if len(place) > 1 else section_names()
        return f"{where}: no such setting; known here are {', '.join(known)}"
    return f"{where}: {fault['msg']} (it is {fault['input']!r})"
