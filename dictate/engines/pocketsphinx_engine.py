"""PocketSphinx behind the Engine Protocol: its bundled US-English sounds, our own words.

Works right after installation. The search parameters were chosen by measurement on synthetic dictations
of three voices (wide beams and a language weight of 6.5 halve the errors of the defaults). A word's
confidence is its posterior in the word lattice, which this recogniser gives as a linear probability.

Its second pass can be made ahead (`prepare`). When the speaker goes on after all, the utterance is begun anew with
all its sound and with the running mean of the sound's spectrum as it was at its start, so that the words are those of
an utterance heard in one go.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from dictate.engines.model_build import ensure_model
from dictate.errors import EngineError
from dictate.events import FinalText, PartialText, Samples, Word

FRAME_S = 0.01
SEARCH = {
    "lw": 6.5,
    "beam": 1e-70,
    "pbeam": 1e-70,
    "wbeam": 1e-45,
    "fwdflatbeam": 1e-80,
    "fwdflatwbeam": 1e-40,
}
PARTIAL_EVERY = 4_800
"""Samples between two partial results (0.3 s): asking costs a backtrace."""


class PocketsphinxEngine:
    """A streaming recogniser over the examination's own language model (or a given one)."""

    name = "pocketsphinx"

    def __init__(self, language_model: Path | None = None, dictionary: Path | None = None, **search: Any) -> None:
        """Load the acoustic model; without files, pocketsphinx's general model is used."""
        try:
            import pocketsphinx
        except ImportError as error:
            raise EngineError("The pocketsphinx package is missing; run `pip install pocketsphinx`.") from error
        options: dict[str, Any] = {**SEARCH, "loglevel": "FATAL", **search}
        if language_model is not None and dictionary is not None:
            options |= {"lm": str(language_model), "dict": str(dictionary)}
        try:
            self._decoder = pocketsphinx.Decoder(**options)
        except (RuntimeError, ValueError) as error:
            raise EngineError(f"PocketSphinx cannot load its model ({error}); run `dictate models build`.") from error
        self._start_s = 0.0
        self._samples = 0
        self._asked = 0
        self._open = False
        self._sound: list[Samples] = []
        self._mean = ""
        self._prepared: FinalText | None = None

    @classmethod
    def for_examination(cls, cache: Path, clinic: tuple[str, ...] = ()) -> PocketsphinxEngine:
        """The engine with the language model built from the project's data (built now if need be)."""
        model = ensure_model(cache, clinic)
        return cls(model.language_model, model.dictionary)

    def start(self, start_s: float) -> None:
        """Begin an utterance."""
        if self._open:
            self._decoder.end_utt()
        self._start_s, self._samples, self._asked = start_s, 0, 0
        self._sound, self._prepared = [], None
        self._mean = self._decoder.get_cmn(False)
        self._begin()

    def accept(self, samples: Samples) -> PartialText | None:
        """Recognise more sound; a partial result every 0.3 s."""
        if self._prepared is not None:
            self._prepared = None
            self._decoder.reinit_feat()  # else traces of the ended utterance stay in its front end
            self._begin()
            for piece in self._sound:  # piece by piece: how sound is cut changes confidences in the fourth place
                self._search(piece)
        self._sound.append(samples)
        self._samples += len(samples)
        self._search(samples)
        if self._samples - self._asked < PARTIAL_EVERY:
            return None
        self._asked = self._samples
        found = self._decoder.hyp()
        return PartialText(found.hypstr, self._start_s) if found is not None and found.hypstr else None

    def prepare(self) -> FinalText:
        """The speaker seems to have finished: make the second pass now."""
        if self._prepared is None:
            self._prepared = self._ended()
        return self._prepared

    def finish(self) -> FinalText:
        """Second pass and lattice: the words with times and confidence."""
        final = self.prepare()
        self._sound, self._prepared = [], None
        return final

    def _begin(self) -> None:
        self._decoder.set_cmn(self._mean)
        self._decoder.start_utt()
        self._open = True

    def _search(self, samples: Samples) -> None:
        self._decoder.process_raw(np.ascontiguousarray(samples).tobytes(), no_search=False, full_utt=False)

    def _ended(self) -> FinalText:
        self._decoder.end_utt()
        self._open = False
        end_s = self._start_s + self._samples / 16_000
        found = self._decoder.hyp()
        words = tuple(self._words()) if found is not None and found.hypstr else ()
        return FinalText(words, self._start_s, end_s)

    def close(self) -> None:
        """Free the decoder."""
        self._decoder = None

    def _words(self) -> list[Word]:
        words = []
        for segment in self._decoder.seg():
            text = segment.word
            if text.startswith(("<", "[", "++")):
                continue
            words.append(
                Word(
                    text=text.split("(")[0],
                    start_s=self._start_s + segment.start_frame * FRAME_S,
                    end_s=self._start_s + (segment.end_frame + 1) * FRAME_S,
                    confidence=float(min(1.0, max(0.0, segment.prob))),
                )
            )
        return words
