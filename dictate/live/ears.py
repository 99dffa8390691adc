"""Recognition that may fail without stopping the examination: engine and Listener, new after a crash."""

from __future__ import annotations

from collections.abc import Callable

from dictate.engines.engine import Engine
from dictate.events import AudioChunk, Event
from dictate.listen import Listener
from dictate.settings import SoundSettings

MOST_RESTARTS = 5


class EngineFailed(Exception):
    """The recogniser broke; it was started anew, and the sound since the last utterance is unread."""


class Ears:
    """`hear` sound and get events. `make_engine` is called at the start and after each crash."""

    def __init__(self, make_engine: Callable[[], Engine], sound: SoundSettings | None = None) -> None:
        self._make_engine, self._sound = make_engine, sound
        self.restarts = 0
        self._engine: Engine | None = make_engine()
        self.name = self._engine.name
        self._listener = Listener(self._engine, sound)

    @property
    def working(self) -> bool:
        """False once the recogniser broke too often; sound is then kept for later."""
        return self._engine is not None

    @property
    def spent(self) -> dict[str, float]:
        """Seconds of each stage of recognising the last utterance."""
        return self._listener.spent

    def hear(self, chunk: AudioChunk) -> list[Event]:
        """The events of the next chunk. Raises EngineFailed after a crash (the engine is new by then)."""
        return self._guarded(lambda: self._listener.feed(chunk))

    def flush(self) -> list[Event]:
        """The sound ended: the events of the utterance that was running."""
        return self._guarded(self._listener.flush)

    def fresh(self) -> None:
        """Forget the running utterance and the level of the room; keep the engine."""
        if self._engine is not None:
            self._listener = Listener(self._engine, self._sound)

    def close(self) -> None:
        if self._engine is not None:
            self._engine.close()

    def _guarded(self, work: Callable[[], list[Event]]) -> list[Event]:
        if self._engine is None:
            return []
        try:
            return work()
        except Exception as error:  # whatever a recogniser throws, the examination goes on
            self._restart()
            raise EngineFailed(f"{type(error).__name__}: {error}") from error

    def _restart(self) -> None:
        self.restarts += 1
        self._engine = None
        if self.restarts <= MOST_RESTARTS:
            try:
                self._engine = self._make_engine()
                self._listener = Listener(self._engine, self._sound)
            except Exception:  # it cannot even start: sound is kept, `dictate recover` reads it later
                self._engine = None
