"""Libraries that only some formats need: imported when used, with a clear sentence when they are missing."""

from __future__ import annotations

import importlib
from typing import Any

from dictate.errors import SettingsError


def need(module: str, what: str) -> Any:
    """The module, imported now.

    Raises:
        SettingsError: it is not installed, or a system library it stands on is not.
    """
    try:
        return importlib.import_module(module)
    except ModuleNotFoundError as error:
        raise SettingsError(
            f"To write {what}, the library '{error.name}' is needed: pip install 'spoken-exam[export]'."
        ) from None
    except OSError as error:
        # WeasyPrint imports fine and then does not find Pango.
        raise SettingsError(
            f"To write {what}, '{module}' needs a system library that was not found "
            f"({str(error).splitlines()[0]}). "
            "On Debian and Ubuntu: apt install libpango-1.0-0 libpangoft2-1.0-0."
        ) from None
