"""`dictate users ...`: accounts of the review desk."""

from __future__ import annotations

import getpass
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from dictate.desk.accounts import People

BY = "command line"
ROLE_HELP = "clinician, secretary, exporter or administrator."


def register(app: typer.Typer) -> None:
    """Add the `users` group."""
    group = typer.Typer(no_args_is_help=True, help="Accounts of the review desk.")
    app.add_typer(group, name="users")

    @group.command()
    def add(
        username: str = typer.Argument(..., help="What the person types to sign in."),
        name: str = typer.Option(..., "--name", help="The name as it shall stand under a signature."),
        role: str = typer.Option(..., "--role", help=ROLE_HELP),
    ) -> None:
        """Add an account; the password is asked for, or read from standard input."""
        with _people(create=True) as people:
            people.add(username, name, role, _password(), by=BY)
        print(f"Account {username} ({role}) was added.")

    @group.command("list")
    def list_accounts(
        as_json: bool = typer.Option(False, "--json", help="Print one JSON object a line."),
    ) -> None:
        """List the accounts."""
        with _people() as people:
            found = people.all()
        for account in found:
            facts = {
                "username": account.username,
                "name": account.name,
                "role": account.role,
                "active": account.active,
            }
            if as_json:
                print(json.dumps(facts, ensure_ascii=False))
            else:
                closed = "" if account.active else "\tclosed"
                print(f"{account.username}\t{account.role}\t{account.name}{closed}")

    @group.command()
    def password(username: str = typer.Argument(...)) -> None:
        """Set a new password and end all sessions of the account."""
        with _people() as people:
            people.set_password(username, _password(), by=BY)
        print(f"The password of {username} was set.")

    @group.command()
    def role(username: str = typer.Argument(...), new_role: str = typer.Argument(..., help=ROLE_HELP)) -> None:
        """Give an account another role."""
        with _people() as people:
            people.set_role(username, new_role, by=BY)
        print(f"{username} is {new_role} now.")

    @group.command()
    def close(username: str = typer.Argument(...)) -> None:
        """Close an account; what the person did stays in the records."""
        with _people() as people:
            people.set_active(username, False, by=BY)
        print(f"The account {username} is closed.")

    @group.command("open")
    def open_again(username: str = typer.Argument(...)) -> None:
        """Open a closed account."""
        with _people() as people:
            people.set_active(username, True, by=BY)
        print(f"The account {username} is open.")


@contextmanager
def _people(*, create: bool = False) -> Iterator[People]:
    from dictate.desk.accounts import People
    from dictate.settings import load_settings
    from dictate.storage import open_store

    with open_store(load_settings(), create=create) as store:
        yield People(store)


def _password() -> str:
    from dictate.errors import InputError

    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first = getpass.getpass("Password: ")
    if first != getpass.getpass("The same again: "):
        raise InputError("The two passwords differ; nothing was saved.")
    return first
