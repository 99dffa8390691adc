"""`dictate drafts` and `dictate forget`: what is in the store, and removing a patient from it."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from dictate.storage import DraftHead


def register(app: typer.Typer) -> None:
    """Add the `drafts` and `forget` commands."""

    @app.command()
    def drafts(
        find: str = typer.Argument("", help="Part of a patient reference, or a draft number."),
        state: list[str] = typer.Option(
            [], "--state", help="draft, asked_back, ready, signed or amended; may be given several times."
        ),
        limit: int = typer.Option(50, "--limit", min=1, max=100_000, help="How many at most, newest first."),
        as_json: bool = typer.Option(False, "--json", help="Print one JSON object a line."),
    ) -> None:
        """List the drafts in the store with their state, omissions and queries."""
        from dictate.errors import InputError
        from dictate.settings import load_settings
        from dictate.storage import Wanted, open_store
        from dictate.storage.document import CLOSED_STATES, OPEN_STATES

        known = (*OPEN_STATES, *CLOSED_STATES)
        for name in state:
            if name not in known:
                raise InputError(f"There is no state {name!r}; choose one of {', '.join(known)}.")
        with open_store(load_settings(), create=False) as store:
            wanted = Wanted(text=find, states=tuple(s for s in known if s in state), limit=limit)
            listing = store.listing(wanted)
        if as_json:
            for head in listing.drafts:
                print(json.dumps(_facts(head), ensure_ascii=False))
            return
        _print_table(listing.drafts)
        if listing.total > len(listing.drafts):
            print(f"{len(listing.drafts)} of {listing.total}; --limit shows more.", file=sys.stderr)

    @app.command()
    def forget(
        patient_ref: str = typer.Argument(..., metavar="PATIENT-REF", help="The clinic's reference of the patient."),
        yes: bool = typer.Option(False, "--yes", help="Do not ask."),
    ) -> None:
        """Remove all data of a patient (signed notes too); the audit log keeps the proof that it was done."""
        from dictate.errors import InputError
        from dictate.settings import load_settings
        from dictate.storage import open_store

        with open_store(load_settings(), create=False) as store:
            if not yes:
                if not sys.stdin.isatty():
                    raise InputError(
                        "Removing a patient's data cannot be undone; add --yes to do it without a question."
                    )
                typer.confirm(f"Remove all examinations of {patient_ref} for ever?", abort=True)
            gone = store.forget(patient_ref, "command line")
        if not gone:
            raise InputError(f"No examination of patient {patient_ref!r} is in the store; nothing was removed.")
        print(f"Removed {len(gone)} examination(s) of that patient: {', '.join(map(str, gone))}.")
        print("Backups made earlier still hold them; delete those too.", file=sys.stderr)


def _facts(head: DraftHead) -> dict[str, Any]:
    return {
        "number": head.number,
        "patient_ref": head.patient_ref,
        "complaint": list(head.complaint),
        "clinician": head.clinician,
        "state": head.state,
        "started_at": head.started_at.isoformat(),
        "signed_at": head.signed_at.isoformat() if head.signed_at else None,
        "version": head.version,
        "revision": head.revision,
        "omissions": head.omissions,
        "queries": head.queries,
        "unread": head.unread,
        "sound": head.sound,
    }


def _print_table(heads: tuple[DraftHead, ...]) -> None:
    """A table on a terminal; lines with tabs when piped."""
    titles = (
        "No.",
        "Patient",
        "Complaint",
        "State",
        "Clinician",
        "Examined",
        "Omissions",
        "Queries",
        "Unread",
    )
    rows = [
        (
            str(head.number),
            head.patient_ref or "-",
            ", ".join(head.complaint) or "-",
            head.state,
            head.clinician or "-",
            head.started_at.astimezone().strftime("%Y-%m-%d %H:%M"),
            *(str(count) for count in (head.omissions, head.queries, head.unread)),
        )
        for head in heads
    ]
    if not sys.stdout.isatty():
        for row in (titles, *rows):
            print("\t".join(row))
        return
    from rich.console import Console
    from rich.table import Table

    table = Table(*titles)
    for row in rows:
        table.add_row(*row)
    Console().print(table)
