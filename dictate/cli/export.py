"""`dictate export`: signed examinations, or note files, in open formats."""

from __future__ import annotations

from pathlib import Path

import typer


def register(app: typer.Typer) -> None:
    """Add the `export` command."""

    @app.command()
    def export(
        what: list[str] = typer.Argument(
            None,
            metavar="[NUMBER|FILE]...",
            help="Examinations of the store by number, or note files; - is standard input.",
        ),
        formats: list[str] = typer.Option([], "--format", help="Format; may be given several times. See --formats."),
        out: str = typer.Option(".", "--out", help="Folder for the files; - prints one format to standard output."),
        all_signed: bool = typer.Option(False, "--all-signed", help="Every signed examination of the store."),
        draft: bool = typer.Option(False, "--draft", help="Allow drafts; they are marked as such in every format."),
        replace: bool = typer.Option(False, "--replace", help="Overwrite files that are there already."),
        template: Path | None = typer.Option(None, "--template", help="A clinic's own letter: Jinja2 text, or .docx."),
        table: bool = typer.Option(False, "--table", help="Letters with tables instead of sentences."),
        codes: list[Path] = typer.Option(
            [], "--codes", help="A clinic's own code table (CSV); may be given several times."
        ),
        deidentify: bool = typer.Option(False, "--deidentify", help="For research; needs --key-file."),
        key_file: Path | None = typer.Option(
            None, "--key-file", help="File with the key of the hashes, 16 bytes or more."
        ),
        patient_ref: str | None = typer.Option(None, "--patient-ref", help="Patient of a bare note file."),
        clinician: str | None = typer.Option(None, "--clinician", help="Clinician of a bare note file."),
        list_formats: bool = typer.Option(False, "--formats", help="List the formats and stop."),
        schema: str | None = typer.Option(
            None, "--schema", help="Print the JSON Schema of 'note' or 'examination' and stop."
        ),
        as_json: bool = typer.Option(False, "--json", help="Print what was written as JSON."),
    ) -> None:
        """Write signed examinations, or note files, in open formats."""
        from dictate.exports import command

        if list_formats:
            command.print_formats(as_json=as_json)
        elif schema is not None:
            command.print_schema(schema)
        else:
            command.run(
                command.Wish(
                    what=tuple(what or ()),
                    formats=tuple(formats),
                    out=out,
                    all_signed=all_signed,
                    draft=draft,
                    replace=replace,
                    template=template,
                    table=table,
                    codes=tuple(codes),
                    key_file=key_file if deidentify or key_file else None,
                    deidentify=deidentify,
                    patient_ref=patient_ref,
                    clinician=clinician,
                    as_json=as_json,
                )
            )
