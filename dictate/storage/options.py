"""The `[store]` section of the settings: where the store is, how its key is found, how long sound is kept."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal

from platformdirs import user_config_path, user_data_path
from pydantic import BaseModel, ConfigDict, Field

KeyMode = Literal["file", "passphrase", "keyring", "plain"]
HOME_VARIABLE = "SPOKEN_EXAM_HOME"
APP = "spoken-exam"


class StoreSettings(BaseModel):
    """Settings of the store; every field has a safe default."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    url: str | None = Field(
        default=None, description="SQLAlchemy URL; empty means SQLite in the data directory of the user"
    )
    key: KeyMode = Field(
        default="file",
        description="where the key comes from when a store is made: file, passphrase, keyring, plain",
    )
    key_file: Path | None = Field(
        default=None, description="key file; empty means store.key in the settings folder"
    )
    audio_days: int = Field(default=30, ge=0, description="days after signing until the sound is deleted")


def data_directory() -> Path:
    """The folder of the embedded store: $SPOKEN_EXAM_HOME/data, else the user's data directory."""
    home = os.environ.get(HOME_VARIABLE)
    return Path(home) / "data" if home else user_data_path(APP)


def config_directory() -> Path:
    """The folder of the key file: $SPOKEN_EXAM_HOME, else the user's settings directory."""
    home = os.environ.get(HOME_VARIABLE)
    return Path(home) if home else user_config_path(APP)


def store_url(settings: StoreSettings) -> str:
    """The database URL, with the driver this program uses for PostgreSQL."""
    if settings.url is None:
        return f"sqlite:///{data_directory() / 'drafts.sqlite3'}"
    for head in ("postgresql://", "postgres://"):
        if settings.url.startswith(head):
            return "postgresql+psycopg://" + settings.url.removeprefix(head)
    return settings.url


def key_file_path(settings: StoreSettings) -> Path:
    """Where the key file is or will be."""
    return settings.key_file or config_directory() / "store.key"
