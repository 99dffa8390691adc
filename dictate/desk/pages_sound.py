"""Sound: listening to a draft (any part of it, RFC 9110 byte ranges) and dictating a short addition."""

from __future__ import annotations

import re
import secrets
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from starlette.responses import JSONResponse, Response, StreamingResponse

from dictate.desk import checking, words
from dictate.desk.asking import Ask
from dictate.errors import DeskError
from dictate.events import Samples, Word

RANGE = re.compile(r"bytes=(\d{0,12})-(\d{0,12})")
STEP = 320_000
FORGET_AFTER_S = 900
MOST_WAITING = 64
MEMORY = Path("/dev/shm")


def listen(ask: Ask) -> Response:
    """A recording as a WAV file, whole or in part."""
    head = ask.head()
    sound = ask.store.sound(head.number, int(ask.request.path_params["recording"]))
    size = sound.size_bytes
    asked = RANGE.fullmatch(ask.request.headers.get("range", ""))
    start, end, status = 0, size, 200
    if asked and any(asked.groups()):
        first, last = asked.groups()
        start = int(first) if first else max(0, size - int(last))
        end = min(size, int(last) + 1) if first and last else size
        status = 206
        if start >= size or start >= end:
            return Response(status_code=416, headers={"Content-Range": f"bytes */{size}"})

    def body() -> Iterator[bytes]:
        for offset in range(start, end, STEP):
            yield sound.read(offset, min(end, offset + STEP))

    headers = {"Accept-Ranges": "bytes", "Content-Length": str(end - start)}
    if status == 206:
        headers["Content-Range"] = f"bytes {start}-{end - 1}/{size}"
    return StreamingResponse(body(), status_code=status, media_type="audio/wav", headers=headers)


@dataclass(frozen=True)
class Dictation:
    """A recognised addition that waits for its person to take it."""

    words: Sequence[Word]
    samples: Samples
    username: str
    number: int
    until: float


class Dictations:
    """Recognised additions by token; kept in memory only, for a quarter of an hour."""

    def __init__(self) -> None:
        self._waiting: dict[str, Dictation] = {}
        self._lock = threading.Lock()

    def put(self, heard: Sequence[Word], samples: Samples, username: str, number: int) -> str:
        """Keep an addition; returns its token."""
        token = secrets.token_urlsafe(16)
        now = time.monotonic()
        with self._lock:
            self._waiting = {key: held for key, held in self._waiting.items() if held.until > now}
            if len(self._waiting) >= MOST_WAITING:
                self._waiting.pop(next(iter(self._waiting)))
            self._waiting[token] = Dictation(heard, samples, username, number, now + FORGET_AFTER_S)
        return token

    def find(self, token: str, username: str, number: int) -> Dictation | None:
        """The waiting addition of this person for this draft; None when there is no token."""
        if not token:
            return None
        with self._lock:
            held = self._waiting.get(token)
            if held is None or held.username != username or held.number != number or held.until < time.monotonic():
                raise DeskError("That dictation is not waiting any more; dictate it again.")
            return held

    def saved(self, token: str) -> None:
        """The addition is in the store now."""
        with self._lock:
            self._waiting.pop(token, None)


def dictate(ask: Ask) -> Response:
    """Recognise a short sound (any file libsndfile reads) and say what the grammar makes of it."""
    draft = ask.draft()
    if not ask.body:
        raise DeskError("No sound arrived; record again or choose a file.")
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else None) as folder:
        path = Path(folder) / "addition.wav"
        path.write_bytes(ask.body)
        heard, samples = ask.desk.hear(path)
    text = " ".join(word.text for word in heard)
    if not text:
        raise DeskError("No words were recognised in that sound; speak closer to the microphone, or type.")
    read = checking.read_phrase(text, draft.document.note)
    token = ask.desk.dictations.put(heard, samples, ask.me.username, ask.number)
    return JSONResponse(
        {
            "dictation": token,
            "text": text,
            "findings": [words.finding_words(finding) for finding in read.findings],
            "unread": [span.text for span in read.unread],
            "queries": [query.message for query in read.queries],
        }
    )


def hear_addition(path: Path) -> tuple[Sequence[Word], Samples]:
    """The words and the sound of a short recording, through the program's own recogniser."""
    from dictate.audio.sound_file import SoundFile
    from dictate.hearing import hear_file

    with_chunks = SoundFile(path)
    if with_chunks.duration_s > 300:
        with_chunks.close()
        raise DeskError("An addition may last five minutes at most; keep longer ones with `dictate hear --keep`.")
    chunks = [chunk.samples for chunk in with_chunks]
    with_chunks.close()
    samples = np.concatenate(chunks) if chunks else np.zeros(0, dtype=np.int16)
    return hear_file(path).words, samples
