"""For every test: a fault inside the grammar is raised, where a clinician would get a query and unread text."""

import importlib

importlib.import_module("grammar.parse").STRICT = True  # type: ignore[attr-defined]
