"""The listening loop's middle: sound in, events out. An endpointer cuts, an engine recognises.

A file and the microphone use the same path: `feed` each chunk, `flush` at the end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from dictate.audio.endpoint import Began, Ended, Endpointer, Hushed, Mark, Sound
from dictate.engines.engine import Engine
from dictate.events import AudioChunk, Event, FinalText, SpeechStarted, SpeechStopped
from dictate.settings import SoundSettings


class Listener:
    """Endpointer plus engine: SpeechStarted, PartialText..., SpeechStopped, FinalText for each utterance."""

    def __init__(self, engine: Engine, sound: SoundSettings | None = None) -> None:
        self.engine = engine
        self._endpointer = Endpointer(sound)

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
                self.engine.start(mark.start_s)
                events.append(SpeechStarted(mark.start_s))
            elif isinstance(mark, Sound):
                partial = self.engine.accept(mark.samples)
                if partial is not None:
                    events.append(partial)
            elif isinstance(mark, Hushed):
                prepare = getattr(self.engine, "prepare", None)
                if prepare is not None:
                    prepare()
            elif isinstance(mark, Ended):
                events.append(SpeechStopped(mark.end_s))
                final = self.engine.finish()
                events.append(replace(final, remarks=(*final.remarks, *mark.remarks)))
        return events


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
