"""Sound to note: hear a file, parse its utterances, and put the words' times and confidence on the note.

The transcript is the utterances joined with a line break, words joined with a blank; so every word of the
recogniser has its characters in the note, and every finding its seconds and its weakest word.

An utterance that the engine rejected (speech, but not for the tool) is not parsed: it is woven into the
transcript afterwards as unread text, at its place, with its times.
"""

from __future__ import annotations

import itertools
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from dictate.audio.sound_file import SoundFile
from dictate.engines.engine import Engine
from dictate.events import FinalText, Word
from dictate.listen import Listener, listen
from dictate.settings import Settings, load_settings
from grammar.models import CoverSpan, Finding, Note, Query, TextSpan

Progress = Callable[[float, float], None]
"""Called with seconds heard and seconds in all."""

T = TypeVar("T", Finding, TextSpan)


@dataclass(frozen=True, slots=True)
class HeardNote:
    """What a recording held. `remarks`: about the sound (channel, level, damage), one sentence each."""

    note: Note
    words: tuple[Word, ...]
    utterances: tuple[FinalText, ...]
    remarks: tuple[str, ...]
    duration_s: float


def hear_file(
    path: Path | str,
    *,
    engine: Engine | None = None,
    settings: Settings | None = None,
    complaint: Sequence[str] = (),
    progress: Progress | None = None,
) -> HeardNote:
    """Hear a whole sound file, streaming. Raises InputError or EngineError with one sentence.

    A given engine stays open; without one the best is chosen (`dictate.engines.choose`) and closed.
    """
    settings = settings or load_settings()
    with SoundFile(path) as source:
        if engine is None:
            from dictate.engines.choose import choose_engine

            opened = choose_engine(settings=settings)
            try:
                utterances = _hear(source, opened, settings, progress)
            finally:
                opened.close()
        else:
            utterances = _hear(source, engine, settings, progress)
        remarks = (*source.remarks, *level_remarks(utterances))
        duration_s = source.duration_s
    folders = (settings.speech.phrases,) if settings.speech.phrases else ()
    note = note_of(utterances, complaint=complaint, remarks=remarks, folders=folders)
    words = tuple(word for utterance in utterances for word in utterance.words)
    return HeardNote(note, words, tuple(utterances), remarks, duration_s)


def note_of(
    utterances: Sequence[FinalText],
    *,
    complaint: Sequence[str] = (),
    remarks: Iterable[str] = (),
    folders: Sequence[Path] = (),
) -> Note:
    """Parse utterances as one examination; rejected ones become unread text. `folders`: a clinic's own data."""
    from grammar import parse

    heard = "\n".join(utterance.text for utterance in utterances if utterance.words and not utterance.rejected)
    note = parse(heard, complaint=tuple(complaint), folders=tuple(folders)).note
    return finish_note(note, utterances, remarks)


def finish_note(note: Note, utterances: Sequence[FinalText], remarks: Iterable[str] = ()) -> Note:
    """Complete a note parsed from the accepted utterances: rejected text, times, confidence, sound
    remarks."""
    from dictate.doubt import add_doubts

    said = [utterance for utterance in utterances if utterance.words]
    note = weave_rejected(note, said)
    note = note_with_times(note, [word for utterance in said for word in utterance.words])
    note = add_doubts(note, said)
    queries = [Query(kind="sound", message=remark) for remark in remarks]
    return note.model_copy(update={"queries": (*note.queries, *queries)}) if queries else note


def note_with_times(note: Note, words: Iterable[Word]) -> Note:
    """The note with start, end and lowest word confidence on every finding, unread and context span.

    `words` are the words of the transcript in order.
    """
    placed = PlacedWords(note.transcript, words)
    if not placed:
        return note

    def timed(span: T) -> T:
        inside = placed.under(span)
        if not inside:
            return span
        found: dict[str, Any] = {
            "start_s": round(min(word.start_s for word in inside), 3),
            "end_s": round(max(word.end_s for word in inside), 3),
        }
        if isinstance(span, Finding):
            found["confidence"] = round(min(word.confidence for word in inside), 3)
        return span.model_copy(update=found)

    return note.model_copy(
        update={
            "findings": tuple(timed(finding) for finding in note.findings),
            "withdrawn": tuple(timed(finding) for finding in note.withdrawn),
            "unread": tuple(timed(span) for span in note.unread),
            "context": tuple(timed(span) for span in note.context),
        }
    )


def weave_rejected(note: Note, utterances: Sequence[FinalText]) -> Note:
    """Put rejected utterances into the transcript as unread text, moving all offsets behind them."""
    if not any(utterance.rejected for utterance in utterances):
        return note
    lines, moves, unread, cover = [], [], [], []
    old = new = 0
    for utterance in utterances:
        text = utterance.text
        if utterance.rejected:
            unread.append(TextSpan(text=text, start_char=new, end_char=new + len(text)))
            cover.append(CoverSpan(kind="unread", start_char=new, end_char=new + len(text) + 1))
        else:
            moves.append((old, new - old))
            old += len(text) + 1
        lines.append(text)
        new += len(text) + 1
    transcript = "\n".join(lines)

    def move(place: int, *, end: bool = False) -> int:
        at = place - 1 if end and place > 0 else place
        return place + max((shift for start, shift in moves if start <= at), default=0)

    def moved(span: Any) -> Any:
        update: dict[str, Any] = {}
        if span.start_char is not None:
            update = {"start_char": move(span.start_char), "end_char": move(span.end_char, end=True)}
        if isinstance(span, Finding):
            update["spans"] = tuple((move(start), move(stop, end=True)) for start, stop in span.spans)
            update["repaired"] = tuple(moved(repair) for repair in span.repaired)
        return span.model_copy(update=update)

    updated = {
        name: tuple(moved(span) for span in getattr(note, name))
        for name in ("findings", "withdrawn", "queries", "unread", "context")
    }
    updated["cover"] = tuple(moved(span) for span in _split(note.cover, [start for start, _ in moves]))
    updated["unread"] = tuple(sorted((*updated["unread"], *unread), key=lambda span: span.start_char))
    whole = sorted((*updated["cover"], *cover), key=lambda span: span.start_char)
    updated["cover"] = tuple(_trim(whole, len(transcript)))
    return note.model_copy(update={**updated, "transcript": transcript})


class PlacedWords:
    """The words at their characters of the transcript, to be asked which of them a span of text rests on."""

    def __init__(self, transcript: str, words: Iterable[Word]) -> None:
        placed = place_words(transcript, words)
        self._words = [word for word, _, _ in placed]
        self._starts = [start for _, start, _ in placed]
        self._ends = [end for _, _, end in placed]

    def __len__(self) -> int:
        return len(self._words)

    def under(self, span: Finding | TextSpan) -> list[Word]:
        """The words that the span's pieces touch, in order. Quick however long the transcript is."""
        pieces = getattr(span, "spans", ()) or ((span.start_char, span.end_char),)
        touched: set[int] = set()
        for begin, stop in pieces:
            touched.update(range(bisect_right(self._ends, begin), bisect_left(self._starts, stop)))
        return [self._words[place] for place in sorted(touched)]


def place_words(transcript: str, words: Iterable[Word]) -> list[tuple[Word, int, int]]:
    """Each word with its characters [start, end) in the transcript; words that are not there are left out."""
    placed, at = [], 0
    for word in words:
        start = transcript.find(word.text, at)
        if start < 0:
            continue
        at = start + len(word.text)
        placed.append((word, start, at))
    return placed


def level_remarks(utterances: Sequence[FinalText]) -> tuple[str, ...]:
    """One sentence each when a good part of the utterances was clipped or too quiet."""
    found = []
    for remark, sentence in (
        ("clipped", "The sound is clipped in {n} of {all} utterances; lower the microphone's level."),
        ("too quiet", "The sound is very quiet in {n} of {all} utterances; come closer to the microphone."),
    ):
        count = sum(remark in utterance.remarks for utterance in utterances)
        if count and count >= 0.1 * len(utterances):
            found.append(sentence.format(n=count, all=len(utterances)))
    return tuple(found)


def _hear(source: SoundFile, engine: Engine, settings: Settings, progress: Progress | None) -> list[FinalText]:
    listener = Listener(engine, settings.sound)
    found = []
    for event in listen(_watched(source, progress), listener):
        if isinstance(event, FinalText):
            found.append(event)
    return found


def _watched(source: SoundFile, progress: Progress | None) -> Iterable[Any]:
    for chunk in source:
        yield chunk
        if progress is not None:
            progress(chunk.end_s, source.duration_s)


def _split(spans: Iterable[CoverSpan], borders: Sequence[int]) -> Iterable[CoverSpan]:
    """Cut the pieces of the cover at the borders of utterances."""
    for span in spans:
        cuts = [
            span.start_char,
            *(at for at in borders if span.start_char < at < span.end_char),
            span.end_char,
        ]
        for start, end in itertools.pairwise(cuts):
            yield span.model_copy(update={"start_char": start, "end_char": end})


def _trim(spans: Iterable[CoverSpan], length: int) -> Iterable[CoverSpan]:
    """Make the cover gapless and end it with the transcript: each piece reaches to the next one's start."""
    ordered = list(spans)
    for place, span in enumerate(ordered):
        end = ordered[place + 1].start_char if place + 1 < len(ordered) else length
        yield span.model_copy(update={"end_char": end})
