"""Watches disk, microphone, recogniser and voice of an examination and puts their troubles into sentences."""

from __future__ import annotations

import time

from dictate.live.capture import Capture
from dictate.live.ears import Ears
from dictate.live.folder import LiveFolder
from dictate.live.journal import Journal
from dictate.live.recording import Recording
from dictate.live.voice import Speaker

PASSING_S = 20.0


class Health:
    """`troubles` lists what is wrong now; each new trouble is written to the journal once."""

    def __init__(
        self, folder: LiveFolder, recording: Recording, journal: Journal, capture: Capture, ears: Ears
    ) -> None:
        self._folder, self._recording, self._journal = folder, recording, journal
        self._capture, self._ears = capture, ears
        self.speaker: Speaker | None = None
        self._passing: list[tuple[float, str]] = []
        self._spare_used: str | None = None
        self._noted: set[str] = set()

    def tell(self, text: str, at_s: float) -> None:
        """A trouble that passed by itself: journal it, and show it for a while."""
        self._passing.append((time.monotonic() + PASSING_S, text))
        self._journal.append("problem", at_s=at_s, text=text, sync=True)

    def troubles(self, at_s: float) -> tuple[str, ...]:
        """Sentences for everything that is wrong now; tries the disk again when it was full."""
        lasting = [*self._disk(), *(text for text in (self._capture.problem,) if text)]
        if not self._ears.working:
            lasting.append("The recogniser does not work. Sound is still recorded; `dictate recover` reads it later.")
        if self.speaker is not None and self.speaker.problem:
            lasting.append(self.speaker.problem)
        for text in lasting:
            kind = text[:40]  # the seconds in a sentence change, the trouble does not
            if kind not in self._noted:
                self._noted.add(kind)
                self._journal.append("problem", at_s=at_s, text=text)
        now = time.monotonic()
        self._passing = [(until, text) for until, text in self._passing if until > now]
        return (*lasting, *(text for _, text in self._passing))

    def _disk(self) -> list[str]:
        reason = self._recording.problem or self._journal.problem
        if reason is not None and self._folder.give_spare():
            self._spare_used = reason
        if reason is not None and self._recording.drain() and self._journal.drain(sync=True):
            reason = None
        if self._recording.lost_samples:
            return ["The disk is full and sound is being lost. End the examination and write by hand."]
        if reason is not None:
            return [
                f"The disk refuses the sound ({reason}). {self._recording.waiting_s:.0f} s of it wait in "
                "memory: free some space now."
            ]
        if self._spare_used is not None:
            return [
                f"The disk is full ({self._spare_used}). The room set aside is in use: free some space or end soon."
            ]
        return []
