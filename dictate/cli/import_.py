"""`dictate import FILE...`: notes back from our JSON and FHIR exports."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from dictate.exports.subject import ExportInput
    from dictate.storage import Store


def register(app: typer.Typer) -> None:
    """Add the `import` command."""

    @app.command("import")
    def import_(
        files: list[str] = typer.Argument(..., metavar="FILE...", help="JSON or FHIR exports; - is standard input."),
        as_json: bool = typer.Option(False, "--json", help="Print one JSON object a line."),
        out: Path | None = typer.Option(None, "--out", help="Write to this file instead of the terminal."),
        keep: bool = typer.Option(
            False, "--keep", help="Keep each note as a draft for the desk; the same one only once."
        ),
        clinician: str = typer.Option("", "--clinician", help="With --keep: user name at the desk."),
    ) -> None:
        """Read notes back from exports; what was changed on the way is refused.

        With --keep a note becomes a draft to be checked and signed here: a signature made elsewhere does not count.
        """
        from dictate.exports.sources import read_examinations
        from dictate.exports.subject import require_signed
        from dictate.output import write_notes
        from dictate.settings import load_settings
        from dictate.storage import open_store

        subjects = [subject for name in files for subject in read_examinations(name)]
        for subject in subjects:
            require_signed(subject, allow_draft=True)
        if keep:
            with open_store(load_settings()) as store:
                for subject in subjects:
                    number = kept(store, subject, clinician)
                    print(f"dictate: {subject.examination_id} is kept as draft {number}.", file=sys.stderr)
        write_notes(((s.examination_id, s.note) for s in subjects), as_json=as_json, out=out, explain=False)


def kept(store: Store, subject: ExportInput, clinician: str) -> int:
    """The number of the draft made from an imported examination; the same one is never kept twice."""
    from dictate.exports.subject import UNKNOWN_PATIENT, fingerprint

    known = "" if subject.patient_ref == UNKNOWN_PATIENT else subject.patient_ref
    return store.keep_examination(
        subject.note,
        patient_ref=known,
        clinician=clinician,
        started_at=subject.started_at,
        ended_at=subject.ended_at,
        device="import",
        origin_key=f"import:{subject.examination_id}:{fingerprint(subject.note)}",
    )
