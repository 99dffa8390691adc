"""The listening loop's middle: sound in, events out. An endpointer cuts, an engine recognises.

A file and the microphone use the same path: `feed` each chunk, `flush` at the end.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from dataclasses import replace

from dictate.audio.endpoint import Began, Ended, Endpointer, Hushed, Mark, Sound
from dictate.engines.engine import Engine, prepare, spent
from dictate.events import AudioChunk, Event, FinalText, PartialText, Samples, SpeechStarted, SpeechStopped
from dictate.settings import SoundSettings

MOST_AHEAD = 3.0
"""In an utterance with many short pauses, at most so many times its length is worked through ahead."""


class Listener:
    """Endpointer plus engine: SpeechStarted, PartialText..., SpeechStopped, FinalText for each utterance.

    `spent` has the seconds of each stage of the last utterance: `ahead` during the endpoint's silence, `vain` of that
    when the speaker went on, `finish` after the endpoint, and what the engine counts by itself.
    """

    def __init__(self, engine: Engine, sound: SoundSettings | None = None) -> None:
        self.engine = engine
        self.spent: dict[str, float] = {}
        self._endpointer = Endpointer(sound)
        self._given = self._prepared = self._vain = 0  # samples of this utterance
        self._ahead_s = self._vain_s = 0.0

    def feed(self, chunk: AudioChunk) -> list[Event]:
        """Take the next chunk; return the events it caused (often none)."""
        return self._follow(self._endpointer.feed(chunk))

    def flush(self) -> list[Event]:
        """The source ended: finish the running utterance, if any."""
        return self._follow(self._endpointer.flush())

    def close(self) -> None:
        """Close the engine."""
        self.engine.close()

    def _follow(self, marks: Iterable[Mark]) -> list[Event]:
        events: list[Event] = []
        for mark in marks:
            if isinstance(mark, Began):
                self._given = self._prepared = self._vain = 0
                self._ahead_s = self._vain_s = 0.0
                self.engine.start(mark.start_s)
                events.append(SpeechStarted(mark.start_s))
            elif isinstance(mark, Sound):
                partial = self._hand_on(mark.samples)
                if partial is not None:
                    events.append(partial)
            elif isinstance(mark, Hushed):
                self._work_ahead()
            elif isinstance(mark, Ended):
                events.append(SpeechStopped(mark.end_s))
                final = self._finish()
                events.append(replace(final, remarks=(*final.remarks, *mark.remarks)))
        return events

    def _hand_on(self, samples: Samples) -> PartialText | None:
        if self._prepared:
            self._vain += self._prepared
            self._vain_s, self._ahead_s, self._prepared = self._vain_s + self._ahead_s, 0.0, 0
        self._given += len(samples)
        return self.engine.accept(samples)

    def _work_ahead(self) -> None:
        if self._vain + self._given <= MOST_AHEAD * self._given:
            began = time.perf_counter()
            prepare(self.engine)
            self._ahead_s, self._prepared = time.perf_counter() - began, self._given

    def _finish(self) -> FinalText:
        began = time.perf_counter()
        final = self.engine.finish()
        finish_s = time.perf_counter() - began
        self.spent = {"ahead": self._ahead_s, "vain": self._vain_s, "finish": finish_s, **spent(self.engine)}
        return final


def listen(source: Iterable[AudioChunk], listener: Listener) -> Iterator[Event]:
    """All events of a source, to its end."""
    for chunk in source:
        yield from listener.feed(chunk)
    yield from listener.flush()


def utterances(events: Iterable[Event]) -> Iterator[FinalText]:
    """The finished utterances among events, those without words left out."""
    for event in events:
        if isinstance(event, FinalText) and event.words:
            yield event
