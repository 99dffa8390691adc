"""Any Vosk model behind the Engine Protocol, listening for the examination's own phrases where the model can.

The phrases are sampled sentences of the corpus: Vosk trains a bigram on them, so repeated lines count. Models
with a fixed graph cannot take phrases; they then hear as they are, and a sentence says so. The model is
always opened by path, because Vosk would otherwise go to the network for one.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from dictate.engines.corpus import training_sentences
from dictate.engines.model_files import FoundModel
from dictate.engines.vosk_words import Fitted, fit, restore
from dictate.errors import EngineError
from dictate.events import SAMPLE_RATE_HZ, FinalText, PartialText, Samples, Word

PHRASE_LINES = 15_000
UNKNOWN = "[unk]"
PARTIAL_EVERY = 4_800


class VoskEngine:
    """A streaming recogniser; `fitted` tells which words the model lacks."""

    name = "vosk"

    def __init__(self, model: Path, lines: Iterable[str] | None = None) -> None:
        """Load a model folder; `lines` are the phrases to listen for (None: the model's own language)."""
        try:
            import vosk
        except ImportError as error:
            raise EngineError("The vosk package is missing; run `pip install vosk`.") from error
        vosk.SetLogLevel(-1)
        try:
            self._model = vosk.Model(model_path=str(model))
        except Exception as error:  # vosk raises a bare Exception
            raise EngineError(f"The Vosk model {model} cannot be loaded; unpack it again.") from error
        self.fitted = Fitted(())
        if lines is None:
            self._recognizer = vosk.KaldiRecognizer(self._model, SAMPLE_RATE_HZ)
        else:
            self.fitted = fit(lines, self.knows)
            phrases = [*self.fitted.lines, *([UNKNOWN] * 20 if self.knows(UNKNOWN) else ())]
            if not self.fitted.lines:
                raise EngineError(
                    f"The Vosk model {model} has none of the words of the examination; it is "
                    "for another language. Choose an English one."
                )
            self._recognizer = vosk.KaldiRecognizer(
                self._model, SAMPLE_RATE_HZ, json.dumps(phrases, ensure_ascii=False)
            )
        self._recognizer.SetWords(True)
        self._fed = 0
        self._begin = 0
        self._start_s = 0.0
        self._asked = 0
        self._words: list[Word] = []

    @classmethod
    def for_examination(
        cls, model: FoundModel, clinic: tuple[str, ...] = (), say: Callable[[str], None] = print
    ) -> VoskEngine:
        """The engine with the examination's phrases; `say` gets one sentence about words it lacks."""
        if not model.accepts_phrases:
            say(
                f"The Vosk model {model.name} cannot be given the phrases of the examination (its graph is "
                "fixed); it hears with its own language. A model with graph/HCLr.fst hears better."
            )
            return cls(model.path)
        engine = cls(model.path, islice(training_sentences(PHRASE_LINES, clinic), None))
        sentence = engine.fitted.report()
        if sentence:
            say(sentence)
        return engine

    def knows(self, word: str) -> bool:
        """Whether the model's vocabulary holds a word."""
        return int(self._model.vosk_model_find_word(word)) >= 0

    def start(self, start_s: float) -> None:
        """Begin an utterance."""
        self._recognizer.Reset()
        self._start_s, self._begin, self._asked = start_s, self._fed, self._fed
        self._words = []

    def accept(self, samples: Samples) -> PartialText | None:
        """Recognise more sound; a partial result every 0.3 s."""
        self._fed += len(samples)
        if self._recognizer.AcceptWaveform(np.ascontiguousarray(samples).tobytes()):
            self._take(json.loads(self._recognizer.Result()))
        if self._fed - self._asked < PARTIAL_EVERY:
            return None
        self._asked = self._fed
        partial = json.loads(self._recognizer.PartialResult()).get("partial", "")
        heard = " ".join([*(word.text for word in self._words), partial]).strip()
        return PartialText(heard, self._start_s) if heard else None

    def finish(self) -> FinalText:
        """The words with times and confidence (posterior by minimum Bayes risk decoding)."""
        self._take(json.loads(self._recognizer.FinalResult()))
        words = tuple(restore(self._words, self.fitted.substitutes))
        return FinalText(words, self._start_s, self._start_s + (self._fed - self._begin) / SAMPLE_RATE_HZ)

    def close(self) -> None:
        """Free the model."""
        self._recognizer = None
        self._model = None

    def _take(self, result: dict[str, Any]) -> None:
        """Add a result's words; Vosk counts seconds over all sound it was ever fed."""
        shift = self._start_s - self._begin / SAMPLE_RATE_HZ
        self._words += [
            Word(entry["word"], shift + entry["start"], shift + entry["end"], float(entry["conf"]))
            for entry in result.get("result", ())
            if entry["word"] != UNKNOWN
        ]
