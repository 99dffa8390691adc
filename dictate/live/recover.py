"""Makes the draft of an interrupted examination again: from its journal, from its sound, or from both.

`finish`   journal first, then recognition of the sound that came after the last journalled utterance (quick)
`reread`   recognition of all the kept sound again, with the keys of the journal at their places (the
proof that
           the sound holds the same draft; also the way to read it with a better recogniser)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from dictate.events import SAMPLE_RATE_HZ, AudioChunk, FinalText
from dictate.live import journal, recording, state
from dictate.live.ears import Ears, EngineFailed
from dictate.live.folder import LiveFolder

WARM_UP_S = 30.0
"""So much sound before the tail is heard again, so that the endpointer knows the level of the room, and the recogniser
the speaker, as they did before the accident (PocketSphinx' running mean of the sound looks back over some eight seconds
of speech). With 6 s a word that the accident cut in two could be read otherwise from the tail than from all the
sound."""


@dataclass(frozen=True)
class Recovered:
    """What was restored: the state, seconds of sound, utterances read anew, and torn journal lines."""

    state: state.LiveState
    sound_s: float
    read_anew: tuple[FinalText, ...] = ()
    torn: int = 0


def from_journal(reading: state.Reading, entries: tuple[dict[str, Any], ...]) -> state.LiveState:
    """The state after the journalled utterances and keys."""
    opened = next((entry for entry in entries if entry["kind"] == "opened"), {"complaint": ()})
    now = state.opened(reading, opened["complaint"])
    for entry in entries:
        if entry["kind"] == "utterance":
            now = state.heard(reading, now, journal.utterance_of(entry))
        else:
            now = _apply(reading, now, entry)
    return now


def finish(reading: state.Reading, folder: LiveFolder, ears: Ears | None) -> Recovered:
    """Complete an interrupted examination; without `ears` the tail of the sound stays unread."""
    text = journal.read(folder.journal)
    now = from_journal(reading, text.entries)
    sound_s = recording.length_s(folder.sound)
    anew: tuple[FinalText, ...] = ()
    if ears is not None and now.phase != "paused":
        settled_s = max((_settled(entry) for entry in text.entries), default=0.0)
        anew = tuple(_tail(folder, ears, settled_s))
        for final in anew:
            now = state.heard(reading, now, final)
    return Recovered(now, sound_s, anew, text.torn)


def reread(reading: state.Reading, folder: LiveFolder, ears: Ears) -> Recovered:
    """Recognise the whole recording again; keys, pauses and mutings come from the journal."""
    text = journal.read(folder.journal)
    now = state.opened(reading, text.opened.get("complaint", ()))
    marks = list(text.of_kind("typed", "paused", "resumed"))
    muted = [(entry["start_s"], entry["end_s"]) for entry in text.of_kind("muted")]
    cuts = sorted({round(mark["at_s"] * SAMPLE_RATE_HZ) for mark in marks})
    anew: list[FinalText] = []
    for chunk in _cut(recording.chunks(folder.sound), cuts):
        while marks and marks[0]["at_s"] <= chunk.start_s + 1e-6:
            now = _switch(reading, now, ears, marks.pop(0), anew)
        if now.phase == "paused":
            continue
        silent = any(start <= chunk.start_s < end for start, end in muted)
        heard = AudioChunk(chunk.samples * 0, chunk.start_s) if silent else chunk
        now = _hear(reading, now, ears, heard, anew)
    now = _take(reading, now, ears.flush(), anew)
    for mark in marks:
        now = _switch(reading, now, ears, mark, anew)
    return Recovered(now, recording.length_s(folder.sound), tuple(anew), text.torn)


def _hear(
    reading: state.Reading, now: state.LiveState, ears: Ears, chunk: AudioChunk, anew: list[FinalText]
) -> state.LiveState:
    try:
        return _take(reading, now, ears.hear(chunk), anew, ears)
    except EngineFailed:
        return now


def _take(
    reading: state.Reading,
    now: state.LiveState,
    events: list[Any],
    anew: list[FinalText],
    ears: Ears | None = None,
) -> state.LiveState:
    for event in events:
        if isinstance(event, FinalText) and event.words:
            now = state.heard(reading, now, event)
            anew.append(event)
            if any(control.kind == "pause" for control in now.controls):
                now = state.paused(now)
                if ears is not None:
                    ears.fresh()
                break
    return now


def _switch(
    reading: state.Reading, now: state.LiveState, ears: Ears, mark: dict[str, Any], anew: list[FinalText]
) -> state.LiveState:
    if mark["kind"] == "paused" and now.phase == "listening":
        now = _take(reading, now, ears.flush(), anew)
    if mark["kind"] in ("paused", "resumed"):
        ears.fresh()
    return _apply(reading, now, mark)


def _apply(reading: state.Reading, now: state.LiveState, entry: dict[str, Any]) -> state.LiveState:
    if entry["kind"] == "typed":
        return state.typed(reading, now, entry["text"], entry["at_s"])
    if entry["kind"] == "paused":
        return state.paused(now)
    if entry["kind"] == "resumed":
        return state.resumed(now)
    return now


def _settled(entry: dict[str, Any]) -> float:
    if entry["kind"] == "utterance":
        return float(entry["end_s"])
    return float(entry["at_s"]) if entry["kind"] == "resumed" else 0.0


def _tail(folder: LiveFolder, ears: Ears, settled_s: float) -> Iterator[FinalText]:
    """Utterances after `settled_s`; a few seconds before it are heard too, but not taken again."""
    first = max(0, int((settled_s - WARM_UP_S) * SAMPLE_RATE_HZ))
    for chunk in recording.chunks(folder.sound, from_sample=first):
        try:
            events = ears.hear(chunk)
        except EngineFailed:
            continue
        yield from _after(events, settled_s)
    try:
        yield from _after(ears.flush(), settled_s)
    except EngineFailed:
        return


def _after(events: list[Any], settled_s: float) -> Iterator[FinalText]:
    for event in events:
        if isinstance(event, FinalText) and event.words and (event.start_s + event.end_s) / 2 > settled_s:
            yield event


def _cut(chunks: Iterator[AudioChunk], cuts: list[int]) -> Iterator[AudioChunk]:
    """Chunks cut again so that none reaches over one of the samples in `cuts`."""
    for chunk in chunks:
        start = round(chunk.start_s * SAMPLE_RATE_HZ)
        edges = [
            start,
            *(cut for cut in cuts if start < cut < start + len(chunk.samples)),
            start + len(chunk.samples),
        ]
        for begin, end in pairwise(edges):
            yield AudioChunk(chunk.samples[begin - start : end - start], begin / SAMPLE_RATE_HZ)
