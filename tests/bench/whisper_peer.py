"""Whisper through faster-whisper as a peer in the speech bench: needs a model folder that someone installed."""

from __future__ import annotations

import numpy as np

from dictate.events import SAMPLE_RATE_HZ, FinalText, PartialText, Samples, Word

PROMPT = "Neurological examination. Romberg negative. Right knee jerk two plus. Plantar flexor. No pronator drift."


class WhisperEngine:
    """Collects an utterance and hears it whole, one processor thread, greedy search, with a domain prompt."""

    name = "whisper"

    def __init__(self, model: str) -> None:
        from faster_whisper import WhisperModel

        self._model = WhisperModel(model, device="cpu", compute_type="int8", cpu_threads=1)
        self._pieces: list[Samples] = []
        self._start_s = 0.0

    def start(self, start_s: float) -> None:
        """Begin an utterance."""
        self._pieces, self._start_s = [], start_s

    def accept(self, samples: Samples) -> PartialText | None:
        """Collect sound; no partial results."""
        self._pieces.append(samples)
        return None

    def finish(self) -> FinalText:
        """The words with times and probabilities."""
        sound = np.concatenate(self._pieces).astype(np.float32) / 32768.0
        segments, _ = self._model.transcribe(
            sound,
            language="en",
            beam_size=1,
            word_timestamps=True,
            initial_prompt=PROMPT,
            condition_on_previous_text=False,
        )
        words = tuple(
            Word(word.word.strip().lower(), self._start_s + word.start, self._start_s + word.end, word.probability)
            for segment in segments
            for word in segment.words or ()
        )
        return FinalText(words, self._start_s, self._start_s + len(sound) / SAMPLE_RATE_HZ)

    def close(self) -> None:
        """Nothing to free."""
