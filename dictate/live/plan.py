"""What is chosen before a live examination begins."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from dictate.audio.source import Source
from dictate.live import sounds


@dataclass(frozen=True)
class LivePlan:
    """What was chosen at the start of an examination."""

    open_source: Callable[[], Source]
    source_name: str
    patient: bool = False  # replay no faster than it is read
    complaint: tuple[str, ...] = ()
    keep_sound: bool = True
    volume: sounds.Volume = "off"
    patient_ref: str = ""
    clinician: str = ""
