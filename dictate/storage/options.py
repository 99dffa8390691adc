"""The `[store]` settings with every default filled in: which database, which key file."""

from __future__ import annotations

import os

from dictate.settings import Folders, Settings, StoreSettings, find_folders

APP = "spoken-exam"
POSTGRES_HEADS = ("postgresql://", "postgres://")


def filled_in(settings: Settings | StoreSettings | None) -> StoreSettings:
    """The store's settings with URL (and driver) and key file named."""
    if isinstance(settings, Settings):
        return _filled(settings.store, settings.folders)
    return _filled(settings or StoreSettings(), find_folders(os.environ))


def _filled(settings: StoreSettings, folders: Folders) -> StoreSettings:
    url = settings.url or f"sqlite:///{folders.data / 'drafts.sqlite3'}"
    for head in POSTGRES_HEADS:
        if url.startswith(head):
            url = "postgresql+psycopg://" + url.removeprefix(head)
    return settings.model_copy(update={"url": url, "key_file": settings.key_file or folders.config / "store.key"})
