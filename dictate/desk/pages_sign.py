"""Signing, amending, the signed note as a letter, and its exports."""

from __future__ import annotations

from starlette.responses import Response

from dictate.desk import editing, view, words
from dictate.desk.asking import Ask
from dictate.desk.figures import figure_of
from dictate.errors import DeskError, NoDraftError
from dictate.storage import Signature
from dictate.storage.document import CLOSED_STATES, Document


def show_sign(ask: Ask) -> Response:
    """The note as it will be signed, with what still blocks it."""
    draft = ask.draft()
    if draft.head.state in CLOSED_STATES:
        raise DeskError("This version is signed already; begin an amendment to change it.")
    return ask.page(
        "sign.html",
        head=draft.head,
        document=draft.document,
        stations=view.stations(draft.document),
        queries=view.query_lines(draft.document),
        gaps=view.gap_lines(view.open_slots(draft.document)),
        blocks=editing.what_blocks(draft.document),
        figure=figure_of(draft.document.note),
    )


def sign(ask: Ask) -> Response:
    """Sign the version: password again, nothing undecided, and exactly the revision that was seen."""
    draft = ask.draft()
    blocks = editing.what_blocks(draft.document)
    if blocks:
        raise DeskError(f"It cannot be signed yet: {'; '.join(blocks)}.")
    ask.desk.people.confirm(ask.me, ask.form.get("password", ""))
    with ask.store.writing() as writer:
        writer.sign(ask.number, ask.revision, draft.document, ask.me.username, ask.me.account.name)
    ask.desk.feed.tell(ask.number)
    return ask.go(f"/notes/{ask.number}")


def amend(ask: Ask) -> Response:
    """Begin the next version of a signed draft."""
    reason = ask.text("reason", required="Say why the signed note has to be amended.", longest=500)
    document = ask.draft().document
    with ask.store.writing() as writer:
        writer.amend(ask.number, ask.revision, document, ask.me.username, reason)
    ask.desk.feed.tell(ask.number)
    return ask.go(f"/drafts/{ask.number}")


def show_note(ask: Ask) -> Response:
    """A signed version as a letter, with what changed against the version before."""
    head = ask.head()
    signatures = ask.store.signatures(head.number)
    shown = chosen(signatures, ask.request.query_params.get("version"))
    before = next((s for s in signatures if s.version == shown.version - 1), None)
    changes = words.compared(before.note.findings, shown.note.findings) if before else []
    document = Document.from_note(shown.note)
    return ask.page(
        "note.html",
        head=head,
        signature=shown,
        signatures=signatures,
        whole=ask.store.verify_signature(shown),
        changes=changes,
        before=before,
        stations=view.stations(document),
        gaps=view.gap_lines(view.open_slots(document)),
        figure=figure_of(shown.note, draft=False),
        formats=export_formats(),
    )


def chosen(signatures: tuple[Signature, ...], version: str | None) -> Signature:
    """The signature asked for, the newest by default."""
    for signature in reversed(signatures):
        if version is None or version == str(signature.version):
            return signature
    raise NoDraftError("There is no such signed version.")


def export_formats() -> tuple[str, ...]:
    """The formats that a signed note can be exported in."""
    from dictate.exports.formats import FORMATS

    return tuple(FORMATS)


def export(ask: Ask) -> Response:
    """A signed note in an open format."""
    from dictate.exports.formats import FORMATS, render
    from dictate.storage.exporting import export_input

    head = ask.head()
    name = ask.request.path_params["format"]
    if name not in export_formats():
        raise NoDraftError("There is no such export format.")
    version = ask.request.query_params.get("version")
    shown = chosen(ask.store.signatures(head.number), version)
    subject = export_input(ask.store, head.number, version=shown.version)
    kind = FORMATS[name]
    return Response(
        render(subject, name),
        media_type=kind.media_type,
        headers=attachment(head.number, shown.version, kind.suffix.removeprefix(".")),
    )


def attachment(number: int, version: int, extension: str) -> dict[str, str]:
    """The header that makes the browser save the answer."""
    return {"Content-Disposition": f'attachment; filename="examination-{number}-version-{version}.{extension}"'}
