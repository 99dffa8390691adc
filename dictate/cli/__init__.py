"""The `dictate` command: one file a command, each a thin shell over a plain function."""

from __future__ import annotations

import importlib
import sys

import typer

from dictate.errors import DictateError

# One line a command (or group): name shown to the user -> module with a `register(app)` function.
COMMANDS = (
    "hear",
    "read",
    "live",
    "recover",
    "models",
    "doctor",
    "voice",
    "archive",
    "drafts",
    "store",
    "desk",
    "users",
    "audit",
    "check",
    "export",
    "import_",
)


def build() -> typer.Typer:
    """The Typer application with every command registered."""
    app = typer.Typer(
        name="dictate",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        help="Listen offline to a spoken neurological examination and keep it as a coded note with its "
        "omissions. Output is a draft for a licensed clinician to verify; the tool does not diagnose.",
    )

    @app.callback()
    def root() -> None:
        """Keep sub-commands even when only one is registered."""

    for name in COMMANDS:
        importlib.import_module(f"dictate.cli.{name}").register(app)
    return app


def main() -> None:
    """Entry point: run a command; a known fault prints one sentence on stderr and exits non-zero."""
    try:
        build()()
    except DictateError as error:
        print(f"dictate: {error}", file=sys.stderr)
        sys.exit(error.exit_code)
