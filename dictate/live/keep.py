"""Turns the end of a live examination into a kept draft."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from dictate.hearing import finish_note, level_remarks
from dictate.live import journal, recording
from dictate.live.folder import LiveFolder
from dictate.live.state import LiveState
from dictate.storage import Store
from grammar.models import Note


def final_note(state: LiveState) -> Note:
    """The machine-readable note: with times, confidence, doubts, refused speech, remarks on the sound."""
    spoken = [final for final in state.said if final.words]
    return finish_note(state.note, spoken, level_remarks(spoken))


@dataclass(frozen=True)
class Facts:
    """What the store wants to know besides the note."""

    patient_ref: str = ""
    clinician: str = ""
    device: str = ""
    started_at: datetime | None = None
    ended_at: datetime | None = None


def keep(store: Store, state: LiveState, home: LiveFolder, facts: Facts, *, sound: bool) -> int:
    """Put note, words and (when `sound`) the recording into the store; the number of the draft.

    Asking twice for the same folder gives the same draft. StoreError leaves the folder as it is.
    """
    words = [word for final in state.said for word in final.words]
    return store.keep_examination(
        final_note(state),
        words,
        audio=recording.chunks(home.sound) if sound and recording.length_s(home.sound) else None,
        patient_ref=facts.patient_ref,
        clinician=facts.clinician,
        device=facts.device,
        started_at=facts.started_at,
        ended_at=facts.ended_at,
        origin_key=home.name,
    )


def facts_of(log: journal.JournalText) -> Facts:
    """The facts as the journal has them (for a recovered examination)."""
    opened = log.opened
    moments = [datetime.fromisoformat(entry["at"]) for entry in log.entries]
    return Facts(
        patient_ref=str(opened.get("patient_ref", "")),
        clinician=str(opened.get("clinician", "")),
        device=str(opened.get("source", "")),
        started_at=moments[0] if moments else None,
        ended_at=moments[-1] if moments else None,
    )
