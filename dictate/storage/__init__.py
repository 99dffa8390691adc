"""The store: examinations, their sound, every revision, signatures, accounts and the audit log, encrypted
at rest.

How a finished examination becomes a draft (`dictate live`, `dictate recover`, `dictate hear --keep`):

    from dictate.storage import open_store

    with open_store(settings) as store:                  # made on first use; StoreError: one sentence
        number = store.keep_examination(
            note,                                        # grammar.models.Note, with times (note_with_times)
            words,                                       # every dictate.events.Word of the transcript, in
            order audio=path,                                  # Path, int16 mono 16 kHz samples,
            AudioChunks, or None patient_ref="P-17", clinician="mary",        # clinician: user name at the
            desk started_at=start, ended_at=end, device="USB microphone", origin_key=journal_folder.name,
            # same key again: same draft, never two
        )

Reading back: `store.machine_note(number)` is the note exactly as it was given, `store.note(number)` the
note as it stands after edits, `store.signed_note(number)` the signed one; `store.listing(Wanted(...))` the
list of drafts; `store.recordings(number)` words, `store.sound(number)` the sound as a WAV file of which any
part can be read.

For exports: `dictate.storage.exporting.export_input(store, number)` gives the signed examination (or, with
`draft=True`, the draft) as `dictate.exports.subject.ExportInput`; `all_signed(store)` gives every signed one.

With `key = "passphrase"` ask early (open the store before the examination starts, keep it open): a missing
passphrase must not be found out when the patient has left.
"""

from dictate.settings import StoreSettings
from dictate.storage.backup import BackupReport, back_up, restore
from dictate.storage.check import CheckReport, check_store
from dictate.storage.document import Change, Document, KeptWord, State
from dictate.storage.reading import Draft, DraftHead, Listing, Recording, RevisionLine, Signature, Wanted
from dictate.storage.sound import KeptSound
from dictate.storage.store import Store, open_store

__all__ = [
    "BackupReport",
    "Change",
    "CheckReport",
    "Document",
    "Draft",
    "DraftHead",
    "KeptSound",
    "KeptWord",
    "Listing",
    "Recording",
    "RevisionLine",
    "Signature",
    "State",
    "Store",
    "StoreSettings",
    "Wanted",
    "back_up",
    "check_store",
    "open_store",
    "restore",
]
