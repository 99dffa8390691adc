"""The fused recogniser behind the Engine Protocol.

Three recognisers listen. The second ear (PocketSphinx with the examination's own model) hears while somebody still
speaks; the third (`phone_ear.py`) reads phones from what the neural encoder made of the finished utterance, raw and, in
noise, quieted. The words that they found are hints to the search (`search.py`), which may take them or leave them. The
search hears through the neural network with its adapter for examinations (`adapter.py`); the network as it came reads
the same sound beside it, freely: it is the better judge of talk that is not for the tool. Among close readings the
grammar has a say (`choice.py`). Then the words are placed in time, each gets a confidence (`certainty.py`), for which
the ears bear witness: both in quiet sound, in noise, which PocketSphinx never learnt, the third alone. Last the whole
is judged: was it said to the tool at all (`acceptance.py`)?
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from dictate.engines.engine import Engine, prepare
from dictate.engines.fused.acceptance import is_accepted
from dictate.engines.fused.adapter import Adapter, load_adapter
from dictate.engines.fused.build import ensure_language
from dictate.engines.fused.certainty import WordEvidence, certainty, gather, joined
from dictate.engines.fused.choice import Unread, grammar_unread, sensible
from dictate.engines.fused.ear import PRE_ROLL, QuietedEar, is_noisy, quiet_copy
from dictate.engines.fused.language import Language
from dictate.engines.fused.net import SHORTEST_SAMPLES, Net, Voice
from dictate.engines.fused.phone_ear import PhoneEar, PhoneWord, open_phone_ear
from dictate.engines.fused.search import Heard, free_words, search
from dictate.engines.fused.settings import fused_settings
from dictate.engines.fused.times import Aligner
from dictate.engines.pocketsphinx_engine import PocketsphinxEngine
from dictate.events import SAMPLE_RATE_HZ, FinalText, PartialText, Samples, Word
from dictate.memory import give_back

FIRST_PARTIAL_S, PARTIAL_STEP_S, PARTIAL_GROWTH = 0.8, 0.8, 0.35
LONGEST_S = 18.0
"""A longer stretch is cut at its quietest place: the network was trained on shorter ones."""
CUT_SEARCH_S = 5.0


@dataclass(frozen=True, slots=True)
class Judged:
    """What is known of one stretch of sound: the search's results and the evidence for each word."""

    heard: Heard
    ear: tuple[str, ...]
    evidence: tuple[WordEvidence, ...]


class FusedEngine:
    """A recogniser that knows the examination's language. `judged` keeps what lay behind the last result."""

    name = "fused"
    partials = True
    """False: give no partial results (another engine beside this one does, more cheaply)."""

    def __init__(
        self,
        net: Net,
        language: Language,
        ear: Engine | None = None,
        unread: Unread | None = None,
        phones: PhoneEar | None = None,
        adapter: Adapter | None = None,
    ) -> None:
        """`unread`: the grammar's say (`choice.grammar_unread`); without it the best score alone decides. `phones`: the
        third ear. `adapter`: what the network learnt of examinations."""
        numbers = fused_settings()
        self._net, self._language, self._numbers = net, language, numbers
        self._weights, self._quick = numbers.search.weights(), numbers.partial.weights()
        self._ear, self._phones, self._aligner, self._unread = ear, phones, Aligner(), unread
        self._adapter = adapter
        self._pieces: list[Samples] = []
        self._start_s = 0.0
        self._length = 0
        self._next_partial_s = FIRST_PARTIAL_S
        self._prepared: FinalText | None = None
        self.judged: list[Judged] = []
        self.spent: dict[str, float] = {}

    def start(self, start_s: float) -> None:
        """Begin an utterance."""
        self._pieces, self._length, self._start_s = [], 0, start_s
        self._next_partial_s = FIRST_PARTIAL_S
        self._prepared = None
        if self._ear is not None:
            self._ear.start(start_s)

    def accept(self, samples: Samples) -> PartialText | None:
        """Collect sound. The partial result is the second ear's; without an ear the network gives one, after ever more
        sound, so that a long utterance stays cheap."""
        heard = self._ear.accept(samples) if self._ear is not None else None
        self._prepared = None
        self._pieces.append(samples)
        self._length += len(samples)
        if self._ear is not None or not self.partials:
            return heard if self.partials else None
        length_s = self._length / SAMPLE_RATE_HZ
        if length_s < self._next_partial_s or length_s > LONGEST_S:
            return None
        self._next_partial_s = length_s + max(PARTIAL_STEP_S, PARTIAL_GROWTH * length_s)
        voice = self._adapted(self._net.listen(np.concatenate(self._pieces)), None)
        found = search(voice, self._net.pieces, self._language, self._quick, length_s)
        text = " ".join(found.readings[0].words) if found.readings else ""
        return PartialText(text, self._start_s) if text else None

    def prepare(self) -> FinalText | None:
        """Work ahead: search what was said so far, while the endpointer still waits to be sure."""
        if self._prepared is None:
            began = time.perf_counter()
            ear = prepare(self._ear) if self._ear is not None else FinalText((), 0.0, 0.0)
            if ear is not None:
                self._prepared = self._search_all(ear.words, began)
        return self._prepared

    def finish(self) -> FinalText:
        """The whole utterance with its words' times, confidence and rivals.

        A rejected utterance holds the network's own reading instead: free talk is what that is best at.
        """
        began = time.perf_counter()
        ear = self._ear.finish().words if self._ear is not None and self._pieces else ()
        final = self._prepared if self._prepared is not None else self._search_all(ear, began)
        self._pieces, self._prepared = [], None
        return final

    def _search_all(self, ear: Sequence[Word], began: float) -> FinalText:
        self.spent = {"ear": time.perf_counter() - began, "network": 0.0, "phones": 0.0, "search": 0.0, "times": 0.0}
        samples = np.concatenate(self._pieces) if self._pieces else np.zeros(0, dtype=np.int16)
        self.judged = []
        lead = samples[:PRE_ROLL]
        parts: list[tuple[Samples, float]] = []
        start_s = self._start_s
        for part in cut(samples):
            end_s = start_s + len(part) / SAMPLE_RATE_HZ
            hints = [word for word in ear if start_s <= (word.start_s + word.end_s) / 2 < end_s]
            self.judged.append(self._judge(part, hints, lead))
            parts.append((part, start_s))
            start_s = end_s
        meant = any(is_accepted(judged.heard, judged.evidence, self._language) for judged in self.judged)
        rejected = not meant and any(judged.evidence for judged in self.judged)
        words: list[Word] = []
        for (part, began_s), judged in zip(parts, self.judged, strict=True):
            free = [WordEvidence(word) for word in free_words(judged.heard)] if rejected else []
            words += self._placed(part, began_s, free or judged.evidence)
        return FinalText(tuple(words), self._start_s, start_s, rejected)

    def close(self) -> None:
        """Let go of the models."""
        if self._ear is not None:
            self._ear.close()
        del self._net, self._language, self._aligner, self._phones, self._adapter

    def _judge(self, samples: Samples, ear: Sequence[Word], lead: Samples) -> Judged:
        if len(samples) < SHORTEST_SAMPLES:
            return Judged(Heard(()), (), ())
        raw, quiet = self._listened(samples), self._quieted(samples, lead)
        said, spelt = tuple(word.text for word in ear), self._spelt(raw, quiet or raw)
        rows = [said, tuple(word.text for word in spelt)]
        heard = self._searched(self._adapted(raw, quiet), raw, rows, samples)
        if self._unread is not None:
            heard = sensible(heard, self._unread, self._numbers.choice.close, self._numbers.choice.most)
        return Judged(heard, rows[0], self._witnessed(heard, ear, spelt, noisy=is_noisy(lead)))

    def _witnessed(
        self, heard: Heard, ear: Sequence[Word], spelt: Sequence[PhoneWord], *, noisy: bool
    ) -> tuple[WordEvidence, ...]:
        """The evidence for each word, with the ears that can be trusted in such sound as witnesses."""
        sure = self._numbers.confidence.ear_sure
        second = gather(
            heard,
            [word.text for word in ear],
            has_ear=self._ear is not None,
            sure=[word.confidence >= sure for word in ear],
        )
        if self._phones is None:
            return second
        third = gather(
            heard, [word.text for word in spelt], has_ear=True, sure=[word.certainty >= sure for word in spelt]
        )
        return third if noisy or self._ear is None else joined(second, third)

    def _listened(self, samples: Samples) -> Voice:
        began = time.perf_counter()
        voice = self._net.listen(samples)
        self.spent["network"] += time.perf_counter() - began
        return voice

    def _quieted(self, samples: Samples, lead: Samples) -> Voice | None:
        """The utterance with less noise; None when there is none to take."""
        quiet = quiet_copy(samples, lead)
        return None if quiet is None else self._listened(quiet)

    def _spelt(self, raw: Voice, quiet: Voice) -> tuple[PhoneWord, ...]:
        """What the third ear hears."""
        began = time.perf_counter()
        found = self._phones.hear(raw.states, quiet.states) if self._phones is not None else ()
        self.spent["phones"] += time.perf_counter() - began
        return found

    def _adapted(self, raw: Voice, quiet: Voice | None) -> Voice:
        return raw if self._adapter is None else raw.adapted(self._adapter, quiet)

    def _searched(self, voice: Voice, plain: Voice, ears: Sequence[Sequence[str]], samples: Samples) -> Heard:
        """The readings of the adapted voice, and the free one of the plain voice."""
        began = time.perf_counter()
        hints = [[(word, nats) for word in row] for row, nats in zip(ears, self._numbers.hints.rows(), strict=True)]
        length_s = len(samples) / SAMPLE_RATE_HZ
        heard = search(voice, self._net.pieces, self._language, self._weights, length_s, free=plain, hints=hints)
        voice.forget()
        plain.forget()
        self.spent["search"] += time.perf_counter() - began
        return heard

    def _placed(self, samples: Samples, start_s: float, evidence: Sequence[WordEvidence]) -> list[Word]:
        began = time.perf_counter()
        spans = self._aligner.spans([word.text for word in evidence], samples)
        self.spent["times"] += time.perf_counter() - began
        return [
            Word(word.text, start_s + start, start_s + end, certainty(word), (*word.rivals, *word.beside))
            for word, (start, end) in zip(evidence, spans, strict=True)
        ]


def cut(samples: Samples) -> list[Samples]:
    """The utterance in stretches of at most `LONGEST_S`, each cut at the quietest 0.1 s near its end."""
    parts: list[Samples] = []
    longest, back, frame = (
        int(LONGEST_S * SAMPLE_RATE_HZ),
        int(CUT_SEARCH_S * SAMPLE_RATE_HZ),
        SAMPLE_RATE_HZ // 10,
    )
    while len(samples) > longest:
        tail = samples[longest - back : longest].astype(np.float64).reshape(-1, frame)
        quietest = int((tail**2).mean(axis=1).argmin())
        border = longest - back + quietest * frame + frame // 2
        parts.append(samples[:border])
        samples = samples[border:]
    return [*parts, samples] if len(samples) else parts


def open_engine(
    cache: Path, clinic: tuple[str, ...] = (), ear: Engine | None = None, folders: Sequence[Path] = ()
) -> FusedEngine:
    """The engine with the language model from the cache folder; `ear`: another second ear than its own; `folders`: a
    clinic's own data for the grammar. Raises EngineError when a package is missing."""
    net = Net()
    if ear is None:
        ear = QuietedEar(PocketsphinxEngine.for_examination(cache, clinic))
    language, phones = ensure_language(cache, clinic), open_phone_ear(cache, clinic)
    engine = FusedEngine(net, language, ear, grammar_unread(folders), phones, load_adapter())
    give_back()
    return engine
