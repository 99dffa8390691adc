"""The live examination as one loop: sound on disk -> recogniser -> grammar -> state -> board, terminal,
journal.

`Examination.run` is the loop. What it calls: `capture.py` brings sound that is already on disk, `ears.py`
makes utterances of it, `state.py` reads them with the grammar, `view.py` draws the picture, the screens
show it, and `journal.py` keeps every step, so that `recover.py` can make the same draft again.
"""

from __future__ import annotations

import contextlib
import queue
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from dictate.events import SAMPLE_RATE_HZ, AudioChunk, Event, FinalText, PartialText, SpeechStarted
from dictate.live import journal, recording, sounds, state
from dictate.live.capture import Capture, Mark, Sound
from dictate.live.commands import Command
from dictate.live.ears import Ears, EngineFailed
from dictate.live.folder import LiveFolder
from dictate.live.health import Health
from dictate.live.plan import LivePlan
from dictate.live.screen import Moment, Screen
from dictate.live.view import CLEAR_S, Surroundings, View, picture
from dictate.live.voice import Speaker
from dictate.memory import give_back

TICK_S = 0.2  # how often keys, meter and clock are looked after when no sound comes
METER_EVERY_S = 0.25
MISSING_SHOWN_S = 25.0
ROOM_AWAITED_S = 5.0
AGAIN_S = 2.0  # so much of the newest sound stays in memory while paused, to be heard again after "resume"


class Examination:
    """One live examination in one folder. `press` may be called from any thread."""

    def __init__(self, plan: LivePlan, folder: LiveFolder, ears: Ears, reading: state.Reading) -> None:
        self.plan, self.folder, self.ears, self.reading = plan, folder, ears, reading
        self.screens: list[Screen] = []
        self.recording = recording.Recording(folder.sound)
        self.journal = journal.Journal(folder.journal)
        self.capture = Capture(plan.open_source, self.recording, patient=plan.patient)
        self.health = Health(folder, self.recording, self.journal, self.capture, ears)
        self.state = state.opened(reading, plan.complaint)
        self.heard_s = 0.0  # up to here the recogniser was given the sound
        self.settled_s = 0.0  # up to here its words are in the journal
        self.kept_as: str | None = None
        self._keys: queue.SimpleQueue[Command] = queue.SimpleQueue()
        self._muted_since: float | None = None
        self._newest: deque[Sound] = deque()  # while paused
        self._silent_until_s = 0.0  # before this the disk may have silence for sound that is wanted
        self._missing_until = 0.0
        self._blanked_s = 0.0
        self._meter_due = 0.0
        self._view: View | None = None
        self._shown_around = Surroundings()
        self._stamp = 0.0  # when the sound was taken that the loop is at
        self._read_s = 0.0  # seconds that the grammar took for the last utterance

    def press(self, command: Command) -> None:
        """A key or button: put in line for the loop."""
        self._keys.put(command)

    def speak_with(self, speaker: Speaker) -> None:
        """Answer "what is missing" aloud from now on."""
        self.health.speaker = speaker

    def mute(self, muted: bool) -> None:
        """The tool itself speaks: what the microphone hears now is recorded but not read."""
        self.capture.muted = muted

    def run(self) -> state.LiveState:
        """Take the examination to its end and return its last state; the folder then holds all of it."""
        self._open_journal()
        self._show()
        self.capture.start()
        while self.state.phase != "ended":
            self._obey_keys()
            item = self._next_item()
            if isinstance(item, Sound):
                self._listen(item)
            elif isinstance(item, Mark):
                self._switch(item)
            self._look_around()
        self.capture.stop()
        self.ears.close()
        if self.capture.fault is not None and self.capture.position_s == 0:
            raise self.capture.fault
        return self.state

    def complete(self) -> bool:
        """Is all sound on disk and all of it read? Waits a little for a full disk to be freed."""
        until = time.monotonic() + ROOM_AWAITED_S
        while not (self.recording.drain() and self.journal.drain(sync=True)) and time.monotonic() < until:
            self._show()
            time.sleep(TICK_S)
        return not self.what_waits()

    def what_waits(self) -> str:
        """Why the examination cannot be kept yet, or nothing."""
        if self.recording.waiting_s or self.recording.lost_samples:
            return f"the disk is full and {self.recording.waiting_s:.0f} s of sound are not on it"
        if self.journal.problem is not None:
            return f"the journal cannot be written ({self.journal.problem})"
        return "" if self.ears.working else "the recogniser failed and some sound is unread"

    def close(self, kept_as: str | None) -> None:
        """Say where the draft is kept; close journal and recording."""
        self.kept_as = kept_as
        self._show()
        if kept_as is not None:
            self.journal.append("closed", at_s=self.heard_s, reason="ended", draft=kept_as, sync=True)
        self.journal.close()
        self.recording.close()
        self.folder.give_spare()

    # --- sound and events -------------------------------------------------------------------------------

    def _next_item(self) -> Sound | Mark | None:
        try:
            return self.capture.items.get(timeout=TICK_S)
        except queue.Empty:
            return None

    def _listen(self, sound: Sound) -> None:
        self._stamp = sound.taken
        self._follow_muting(sound)
        if self.state.phase == "paused":
            self._remember(sound)
        elif sound.kept.start_s < self._silent_until_s:  # taken after "resume" was said, before it was understood
            self.recording.fill(round(sound.kept.start_s * SAMPLE_RATE_HZ), sound.real)
        chunk = AudioChunk(sound.real * 0 if sound.muted else sound.real, sound.kept.start_s)
        self.heard_s = chunk.end_s
        try:
            self._take_all(self.ears.hear(chunk))
        except EngineFailed as error:
            self._read_again(error)

    def _take_all(self, events: Sequence[Event]) -> None:
        phase = self.state.phase
        for event in events:
            self._take(event)
            if self.state.phase != phase:  # paused or resumed: what follows was cut for the other phase
                self.ears.fresh()
                self._hear_again()
                break

    def _remember(self, sound: Sound) -> None:
        """Keep the last two seconds in memory while paused; nothing of a pause goes to the disk."""
        self._newest.append(sound)
        while self._newest and self._newest[0].kept.end_s < sound.kept.end_s - AGAIN_S:
            self._newest.popleft()

    def _hear_again(self) -> None:
        """After a spoken "resume": record and hear what was said since that word, while it was being understood."""
        newest, self._newest = list(self._newest), deque()
        if self.state.phase == "listening":
            for sound in newest:
                wanted = sound.since(self.settled_s)
                if wanted is not None:
                    self._listen(wanted)

    def _take(self, event: Event) -> None:
        listening = self.state.phase == "listening"
        if isinstance(event, SpeechStarted) and listening:
            self.journal.append("started", start_s=event.start_s)
        elif isinstance(event, PartialText) and listening and event.text != self.state.partial:
            self.journal.append("partial", start_s=event.start_s, text=event.text)
            self.state = state.hearing(self.state, event.text)
            self._show_partial()
        elif isinstance(event, FinalText):
            self._finish_utterance(event)

    def _finish_utterance(self, final: FinalText) -> None:
        if self.state.phase == "listening" and final.words:
            self.journal.append("utterance", **journal.utterance_facts(final))
        before = self.state
        began = time.monotonic()
        self.state = self._read(final)
        self._read_s = time.monotonic() - began
        if before.phase == "listening":
            self.settled_s = max(self.settled_s, final.end_s)
        self._carry_out(final)
        self._show(final)
        self._signal()
        self.journal.drain(sync=True)
        if not self.plan.keep_sound:
            stretch = (int(self._blanked_s * SAMPLE_RATE_HZ), int(self.settled_s * SAMPLE_RATE_HZ))
            if self.recording.blank(*stretch):  # else it is blanked together with the next utterance
                self._blanked_s = self.settled_s
        give_back()

    def _read(self, final: FinalText) -> state.LiveState:
        try:
            return state.heard(self.reading, self.state, final)
        except Exception as error:  # a fault of ours must not end the examination: the words are journalled
            self.health.tell(f"“{final.text}” could not be read ({error!r}); say it again.", self.heard_s)
            return state.unreadable(self.state)

    def _read_again(self, error: EngineFailed) -> None:
        """The recogniser broke: hear the sound since the last utterance again from disk, with a new one."""
        self.health.tell(f"The recogniser failed ({error}) and was started again; no sound is lost.", self.heard_s)
        self._show()
        stop_s = self.heard_s
        try:
            for chunk in recording.chunks(self.folder.sound, from_sample=int(self.settled_s * SAMPLE_RATE_HZ)):
                if chunk.start_s >= stop_s or self.state.phase != "listening" or not self.ears.working:
                    break
                self._take_all(self.ears.hear(chunk))
        except EngineFailed:
            self.settled_s = self.heard_s
            self.health.tell("A stretch of sound breaks the recogniser and stays unread on the recording.", stop_s)

    def _follow_muting(self, sound: Sound) -> None:
        if sound.muted and self._muted_since is None:
            self._muted_since = sound.kept.start_s
            self._show()
        elif not sound.muted and self._muted_since is not None:
            self.journal.append("muted", start_s=self._muted_since, end_s=sound.kept.start_s)
            self._muted_since = None
            self._show()

    # --- commands ---------------------------------------------------------------------------------------

    def _obey_keys(self) -> None:
        while True:
            try:
                command = self._keys.get_nowait()
            except queue.Empty:
                return
            self._obey(command)

    def _obey(self, command: Command) -> None:
        if command.kind in ("pause", "resume"):
            self.capture.mark("paused" if command.kind == "pause" else "resumed")
        elif command.kind == "end":
            self.capture.stop()  # leaves an "ended" mark behind the last sound
        elif command.kind == "missing":
            self._answer_missing()
        elif command.words is not None and self.state.phase != "paused":
            self.journal.append("typed", at_s=self.heard_s, text=command.words, sync=True)
            self.state = state.typed(self.reading, self.state, command.words, self.heard_s)
            self._show()

    def _carry_out(self, final: FinalText) -> None:
        """Spoken commands that change the program itself; the grammar has done those that change the note."""
        for control in self.state.controls:
            if control.kind == "pause":
                self._silence(self.heard_s, self.capture.keep(False))
                self._pause(self.heard_s, "voice")
            elif control.kind == "resume":
                self._silent_until_s = self.capture.keep(True)
                self._resume(final.end_s, "voice")
            elif control.kind == "missing":
                self._answer_missing()
            elif control.kind == "end":
                self.state = state.ended(self.state)

    def _silence(self, from_s: float, to_s: float) -> None:
        """Take back what was recorded while "pause" was being understood."""
        start, end = round(from_s * SAMPLE_RATE_HZ), round(to_s * SAMPLE_RATE_HZ)
        self.recording.fill(start, np.zeros(max(0, end - start), np.int16))

    def _switch(self, mark: Mark) -> None:
        if mark.kind == "resumed":
            self._resume(mark.at_s, "key")
            self._newest.clear()
            self.ears.fresh()
        else:
            self._flush()
            if mark.kind == "paused":
                self._pause(mark.at_s, "key")
            else:
                self.state = state.ended(self.state)
            self.ears.fresh()
        self._show()

    def _flush(self) -> None:
        try:
            self._take_all(self.ears.flush())
        except EngineFailed as error:
            self._read_again(error)
            with contextlib.suppress(EngineFailed):
                self._take_all(self.ears.flush())

    def _pause(self, at_s: float, by: str) -> None:
        if self.state.phase == "listening":
            self.state = state.paused(self.state)
            self._newest.clear()
            self.journal.append("paused", at_s=at_s, by=by, sync=True)

    def _resume(self, at_s: float, by: str) -> None:
        if self.state.phase == "paused":
            self.state = state.resumed(self.state)
            self.settled_s = max(self.settled_s, at_s)
            self.journal.append("resumed", at_s=at_s, by=by, sync=True)

    def _answer_missing(self) -> None:
        self._missing_until = time.monotonic() + MISSING_SHOWN_S
        view = self._show()
        if self.health.speaker is not None and not self.capture.muted:
            self.health.speaker.say(view.missing)

    # --- what is shown ----------------------------------------------------------------------------------

    def _show(self, final: FinalText | None = None) -> View:
        if final is not None and self.state.fresh:
            self._missing_until = 0.0
        self._shown_around = self._surroundings()
        began = time.monotonic()
        self._view = picture(self.state, self.reading.catalogue, self._shown_around)
        moment = self._moment(final)
        if final is not None:
            now = time.monotonic()
            stages = {**self.ears.spent, "grammar": self._read_s, "picture": now - began}
            moment = replace(moment, after_endpoint_s=now - self._stamp, stages=stages)
        view = self._view
        self._tell_screens(lambda screen: screen.show(view, moment))
        return view

    def _show_partial(self) -> None:
        if self._view is not None:
            view = self._view = self._view.model_copy(update={"partial": self.state.partial})
            moment = self._moment()
            self._tell_screens(lambda screen: screen.show(view, moment))

    def _tell_screens(self, show: Callable[[Screen], None]) -> None:
        """Show something on every screen; one that breaks (a closed pipe, say) is left out from then on."""
        for screen in list(self.screens):
            try:
                show(screen)
            except Exception as error:
                self.screens.remove(screen)
                self.health.tell(f"A view broke ({error!r}); the examination goes on.", self.heard_s)

    def _moment(self, final: FinalText | None = None) -> Moment:
        found = self.state.shown.findings
        fresh = tuple(found[place] for place in self.state.fresh) if final is not None else ()
        return Moment(self.capture.elapsed_s, self.capture.position_s, final, fresh)

    def _surroundings(self) -> Surroundings:
        behind_s = self.capture.position_s - self.heard_s
        return Surroundings(
            behind_s=round(behind_s) if behind_s > CLEAR_S else 0,
            overflows=self.capture.overflows,
            problems=self.health.troubles(self.heard_s),
            keep_sound=self.plan.keep_sound,
            muted=self._muted_since is not None,
            missing_asked=time.monotonic() < self._missing_until,
            kept_as=self.kept_as,
        )

    def _look_around(self) -> None:
        """A few times a second: meter and clock, and whether anything that is shown changed by itself."""
        now = time.monotonic()
        if now < self._meter_due:
            return
        self._meter_due = now + METER_EVERY_S
        moment = self._moment()
        self._tell_screens(lambda screen: screen.meter(self.capture.level, moment))
        if self._surroundings() != self._shown_around:
            self._show()

    def _signal(self) -> None:
        if not self.capture.muted:
            sounds.play(self.state.outcome, self.plan.volume)

    def _open_journal(self) -> None:
        from dictate import __version__

        self.journal.append(
            "opened",
            schema=journal.SCHEMA,
            program=__version__,
            grammar=self.reading.version,
            engine=self.ears.name,
            complaint=list(self.plan.complaint),
            keep_sound=self.plan.keep_sound,
            source=self.plan.source_name,
            patient_ref=self.plan.patient_ref,
            clinician=self.plan.clinician,
            sync=True,
        )
