"""A missing library is one sentence that says how to get it."""

from __future__ import annotations

import importlib
import json

import pytest

from dictate.errors import SettingsError
from dictate.exports.extras import need


def test_what_is_there_is_given() -> None:
    assert need("json", "anything") is json


def test_a_missing_library_is_named_with_the_way_to_get_it() -> None:
    with pytest.raises(SettingsError) as caught:
        need("no_such_library", "letters as PDF")
    assert str(caught.value) == (
        "To write letters as PDF, the library 'no_such_library' is needed: pip install 'spoken-exam[export]'."
    )


def test_a_missing_system_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(name: str) -> None:
        raise OSError("cannot load library 'libpango-1.0-0'\nmore lines")

    monkeypatch.setattr(importlib, "import_module", fail)
    with pytest.raises(SettingsError, match=r"cannot load library 'libpango-1\.0-0'\).*apt install libpango"):
        need("weasyprint", "letters as PDF")
