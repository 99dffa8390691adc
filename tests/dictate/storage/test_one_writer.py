"""Only one module of the program changes rows of the store."""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).parents[3] / "dictate"
ALLOWED = {ROOT / "storage" / "writer.py", ROOT / "storage" / "migrations.py"}
CHANGING = {"insert", "update", "delete"}


def changes_rows(path: Path) -> bool:
    """Whether a module takes SQLAlchemy's insert, update or delete, or writes such SQL itself."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sqlalchemy"):
            taken = {alias.name for alias in node.names}
        else:
            taken = set()
        written = node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""
        if CHANGING & taken or written.lstrip().startswith(("INSERT INTO", "UPDATE ", "DELETE FROM")):
            return True
    return False


def test_only_the_writer_and_the_migrations_change_rows() -> None:
    own = (path for path in ROOT.rglob("*.py") if path.parent.name != "archive")  # it has tables of its own
    found = {path for path in own if changes_rows(path)}
    assert found == ALLOWED
