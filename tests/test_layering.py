"""The packages keep their direction: `dictate` builds on `grammar`, never the reverse; `grammar` stays pure.

Walks the syntax tree of every module, imports inside functions included.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
LIBRARIES = {"spacy", "pydantic", "rapidfuzz", "jellyfish"}
"""What the grammar may use besides the standard library and itself."""
UNCLEAN = {
    *(
        "socket",
        "urllib",
        "http",
        "ssl",
        "ftplib",
        "smtplib",
        "subprocess",
        "threading",
        "multiprocessing",
    ),
    *(
        "asyncio",
        "time",
        "datetime",
        "random",
        "secrets",
        "sqlite3",
        "tempfile",
        "os",
        "wave",
        "logging",
    ),
}
"""Standard modules of network, clock, chance, processes and files that the grammar has no business with."""


def modules(package: str) -> list[Path]:
    """Every Python file of a package."""
    return sorted((ROOT / package).rglob("*.py"))


def imported(path: Path) -> Iterator[tuple[int, str]]:
    """(line, module) of every import of a file at any depth, `import_module` with a constant too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}:{node.lineno} is a relative import; write the full name"
            yield node.lineno, node.module or ""
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute | ast.Name):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id
            if name not in ("import_module", "__import__") or not node.args:
                continue
            if isinstance(node.args[0], ast.Constant):
                yield node.lineno, str(node.args[0].value)


def wrong(path: Path) -> list[str]:
    """Imports of a grammar module that the package may not have."""
    faults = []
    for line, name in imported(path):
        top = name.partition(".")[0]
        own = top == "grammar" or top in LIBRARIES or (top in sys.stdlib_module_names and top not in UNCLEAN)
        if not own:
            faults.append(f"{path.relative_to(path.parents[1])}:{line} imports {name}")
    return faults


@pytest.mark.parametrize("path", modules("grammar"), ids=lambda path: path.stem)
def test_a_grammar_module_imports_only_what_is_pure(path: Path) -> None:
    """The standard library without clock, network and processes; spaCy, pydantic, rapidfuzz, jellyfish; itself."""
    assert not wrong(path)


@pytest.mark.parametrize("path", modules("grammar"), ids=lambda path: path.stem)
def test_a_grammar_module_reads_no_file_but_its_data(path: Path) -> None:
    """Only `data_files` (and the fingerprint, the code tables) open files; nothing writes, prints or asks."""
    calls = {
        node.func.id
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not calls & {"print", "input", "exec", "eval", "compile"}
    writes = {
        node.func.attr
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
    }
    assert not writes & {"write_text", "write_bytes", "unlink", "mkdir", "rename", "touch"}


@pytest.mark.parametrize(
    ("code", "fault"),
    [
        ("import dictate.settings", True),
        ("def f():\n    from dictate import events", True),
        ("import socket", True),
        ("import numpy", True),
        ("import importlib\nimportlib.import_module('dictate.cli')", True),
        ("import re, tomllib\nfrom spacy.tokens import Doc\nfrom grammar.models import Note", False),
    ],
)
def test_the_walk_sees_every_form_of_import(tmp_path: Path, code: str, fault: bool) -> None:
    """The check itself can fail: each forbidden form is reported, the allowed ones are not."""
    path = tmp_path / "grammar" / "module.py"
    path.parent.mkdir()
    path.write_text(code, encoding="utf-8")
    assert bool(wrong(path)) is fault


def test_the_top_level_holds_only_what_it_should() -> None:
    """README, DEVELOPERS, project file, licence, the two packages, tests, samples, and dotfiles."""
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE"}
    allowed |= {"dictate", "grammar", "tests", "samples"}
    made = {"build", "dist", "node_modules"}  # by tools, never committed
    names = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")} - made
    strangers = {name for name in names - allowed if not name.endswith(".egg-info")}
    assert not strangers, f"not at home here: {sorted(strangers)}"
