"""`dictate audit ...`: show and verify the log of every access and change."""

from __future__ import annotations

import json
from dataclasses import asdict

import typer


def register(app: typer.Typer) -> None:
    """Add the `audit` group."""
    group = typer.Typer(no_args_is_help=True, help="The chained log of every access to clinical data.")
    app.add_typer(group, name="audit")

    @group.command()
    def verify(
        expect: str | None = typer.Option(
            None, "--expect", metavar="COUNT:HASH", help="A head noted earlier with `dictate audit head`."
        ),
        as_json: bool = typer.Option(False, "--json", help="Print the result as JSON."),
    ) -> None:
        """Find any change, insertion or removal in the log; exit 1 if there is one."""
        from dictate.settings import load_settings
        from dictate.storage import open_store

        with open_store(load_settings(), create=False) as store:
            report = store.audit_report(expect)
        if as_json:
            print(json.dumps(asdict(report)))
        elif report.sound:
            print(f"The audit log is whole: {report.entries} entries.")
        else:
            print(report.fault)
        if not report.sound:
            raise typer.Exit(1)

    @group.command()
    def head() -> None:
        """Print COUNT:HASH of the newest entry, to be noted down outside this computer."""
        from dictate.errors import StoreError
        from dictate.settings import load_settings
        from dictate.storage import open_store

        with open_store(load_settings(), create=False) as store:
            report = store.audit_report()
        if not report.sound:
            raise StoreError(f"{report.fault} The head is not worth noting down.")
        print(f"{report.entries}:{report.head}")

    @group.command()
    def show(
        after: int = typer.Option(0, "--after", min=0, help="Leave out entries up to this number."),
        as_json: bool = typer.Option(False, "--json", help="Print one JSON object a line."),
    ) -> None:
        """Print the log (numbers and states, never patient references or findings)."""
        from dictate.settings import load_settings
        from dictate.storage import open_store

        with open_store(load_settings(), create=False) as store, store.reading() as reader:
            for entry in reader.audit_entries(after):
                if as_json:
                    print(json.dumps(asdict(entry)))
                else:
                    facts = (
                        entry.id,
                        entry.at,
                        entry.outcome,
                        entry.actor,
                        entry.action,
                        entry.target,
                        entry.detail,
                    )
                    print("\t".join(str(fact) for fact in facts))
