"""From the store to an export: one examination as `ExportInput`, signed unless a draft is asked for."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dictate.errors import StoreError
from dictate.exports.subject import UNKNOWN_PATIENT, ExportInput, NoteStatus, Signature
from dictate.storage.people import accounts
from dictate.storage.reading import DraftHead, Wanted
from dictate.storage.store import Store

PAGE = 500


def export_input(store: Store, number: int, *, version: int | None = None, draft: bool = False) -> ExportInput:
    """The examination ready for any format: the newest signed version, the one named, or the draft as it
    stands.

    Raises NoDraftError when there is no such draft, StoreError when it is not signed and no draft was
    asked for.
    """
    head = store.head(number)
    if draft:
        return ExportInput(**_facts(store, head), note=store.note(number))
    if not head.signed_version:
        raise StoreError(f"Draft {number} is not signed; sign it at the desk, or ask for the draft with --draft.")
    signed = store.signed_note(number, version)
    reasons = {
        line.version: line.change.text.removeprefix("Amendment begun: ")
        for line in store.history(number)
        if line.action == "amend"
    }
    facts = _facts(store, head) | {"clinician": signed.signer_name}
    signature = Signature(
        signed_by=signed.signer_name,
        signed_at=signed.at,
        fingerprint=signed.digest,
        reason=reasons.get(signed.version),
    )
    status: NoteStatus = "signed" if signed.version == 1 else "amended"
    return ExportInput(**facts, status=status, signature=signature, note=signed.note)


def all_signed(store: Store) -> Iterator[ExportInput]:
    """Every examination with a signed version, oldest first; read page by page."""
    offset = 0
    while True:
        wanted = Wanted(signed_only=True, sort="number", descending=False, limit=PAGE, offset=offset)
        heads = store.listing(wanted).drafts
        for head in heads:
            yield export_input(store, head.number)
        if len(heads) < PAGE:
            return
        offset += PAGE


def _facts(store: Store, head: DraftHead) -> dict[str, Any]:
    with store.database.reading() as connection:
        found = accounts(connection, head.clinician) if head.clinician else ()
    ended = head.ended_at if head.ended_at and head.ended_at >= head.started_at else None
    return {
        "examination_id": str(head.number),
        "patient_ref": head.patient_ref.strip() or UNKNOWN_PATIENT,
        "clinician": found[0].name if found else head.clinician or None,
        "started_at": head.started_at,
        "ended_at": ended,
    }
