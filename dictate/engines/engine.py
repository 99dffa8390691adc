"""The Protocol every recogniser follows.

The listening loop (`dictate/listen.py`) cuts the sound into utterances with its endpointer and hands each
utterance to the engine piece by piece, so a file and a microphone use the same path.
"""

from __future__ import annotations

from typing import Protocol

from dictate.events import FinalText, PartialText, Samples


class Engine(Protocol):
    """A streaming recogniser. Calls come in the order start, accept..., finish, start, ... and at last close.

    An engine may also have `prepare()`: called when the speaker seems to have finished, so that it can work
    ahead during the rest of the endpoint's silence; it returns what `finish` would return now (more sound may
    follow) and must not change what `finish` returns. And it may have `spent`: seconds of each stage of the work
    on the last utterance.
    """

    name: str

    def start(self, start_s: float) -> None:
        """Begin an utterance whose first sample lies at `start_s`."""

    def accept(self, samples: Samples) -> PartialText | None:
        """Take more mono 16 kHz int16 sound of this utterance; may return what is heard so far."""

    def finish(self) -> FinalText:
        """End the utterance and return its words (none when nothing was understood)."""

    def close(self) -> None:
        """Give back memory and files; the engine is not used again."""


def prepare(engine: Engine) -> FinalText | None:
    """Let an engine work ahead that can; None from one that cannot."""
    ahead = getattr(engine, "prepare", None)
    return ahead() if ahead is not None else None


def spent(engine: Engine) -> dict[str, float]:
    """Seconds of each stage of the engine's work on the last utterance, if it counts them."""
    return dict(getattr(engine, "spent", {}))
