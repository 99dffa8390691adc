"""The third ear: words from phones, over the examination's own language.

The network of phones (`phones.py`) says for each frame t how likely each phone is; the dictionary spells each word in
phones; the trigram says which words follow each other. The words W are looked for with the greatest

    sum over t of log P(phone at t | sound)  +  a * log P(W)  +  b * number of words,

a phone lasting one frame or more, silence being free between words. That is the lexicon-constrained beam search of
Collobert R, Puhrsch C, Synnaeve G (Wav2Letter, 2016, arXiv:1609.03193), made by the package flashlight-text (MIT
licence) with its trigram from the same ARPA file that PocketSphinx reads (KenLM; Heafield K, WMT 2011). In that search
the last phone of a word ends with its first frame; so a word may end in its last phone, or in a twin of it that sounds
the same: the last phone, too, lasts as long as it sounds.

The readings that the search kept, weighed by a softmax, give each word its certainty.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from dictate.engines.fused.certainty import posteriors
from dictate.engines.fused.phones import PHONES, PhoneNet, load_phone_net
from dictate.engines.fused.search import Reading
from dictate.engines.fused.settings import PhoneNumbers, fused_settings
from dictate.engines.lexicon import read_dictionary
from dictate.engines.model_build import BuiltModel, ensure_model

Floats = npt.NDArray[np.float32]
SILENCE_TOKEN, UNKNOWN = 0, "<unk>"
READINGS = 12
"""So many readings are weighed for a word's certainty."""


@dataclass(frozen=True, slots=True)
class PhoneWord:
    """A word and its certainty, 0 to 1."""

    text: str
    certainty: float


class PhoneEar:
    """Hears words in the states of an utterance."""

    def __init__(self, net: PhoneNet, model: BuiltModel, numbers: PhoneNumbers) -> None:
        """Load the trigram and the dictionary. Raises ImportError without the package flashlight-text."""
        self._net, self._numbers = net, numbers
        self._decoder = _decoder(model.language_model, read_dictionary(model.dictionary), numbers)

    def hear(self, raw: Floats, quiet: Floats) -> tuple[PhoneWord, ...]:
        """The words of an utterance from the encoder's states of its raw and its quieted sound (frames x width)."""
        frames = min(len(raw), len(quiet))
        chances = self._net.read(np.concatenate([raw[:frames], quiet[:frames]], axis=1))
        readings = self.readings(chances - self._numbers.prior * self._net.prior)
        return tuple(
            PhoneWord(word, share)
            for word, (share, _) in zip(
                readings[0].words if readings else (), posteriors(readings, self._numbers.temperature), strict=True
            )
        )

    def readings(self, chances: Floats) -> list[Reading]:
        """The best readings, best first, of rows of scores (frames x phones)."""
        both = np.ascontiguousarray(np.concatenate([chances, chances[:, 1:]], axis=1), dtype=np.float32)
        decoder, words = self._decoder
        found: dict[tuple[str, ...], Reading] = {}
        for result in decoder.decode(both.ctypes.data, *both.shape)[: 4 * READINGS]:
            said = tuple(words.get_entry(number) for number in result.words if number >= 0)
            if said not in found:
                found[said] = Reading(said, result.score, result.score)
        return list(found.values())[:READINGS]


def open_phone_ear(cache: Path, clinic: tuple[str, ...] = ()) -> PhoneEar | None:
    """The ear with the examination's words from the cache folder; None without the package flashlight-text."""
    try:
        return PhoneEar(load_phone_net(), ensure_model(cache, clinic), fused_settings().phones)
    except ImportError:
        return None


def _decoder(language_model: Path, ways: dict[str, tuple[tuple[str, ...], ...]], numbers: PhoneNumbers) -> Any:
    """(decoder, word table) of flashlight-text."""
    from flashlight.lib.text import decoder as flashlight
    from flashlight.lib.text.decoder.kenlm import KenLM
    from flashlight.lib.text.dictionary import Dictionary

    spellings = {word: [spelling for phones in said for spelling in spelt(phones)] for word, said in ways.items()}
    words = Dictionary()
    for word in (*spellings, UNKNOWN):
        words.add_entry(word)
    words.set_default_index(words.get_index(UNKNOWN))
    with _unheard():
        trigram = KenLM(str(language_model), words)
    tokens = 2 * len(PHONES) - 1
    tree = flashlight.Trie(tokens, SILENCE_TOKEN)
    begin = trigram.start(False)
    for word, ways_of_word in spellings.items():
        number = words.get_index(word)
        chance = trigram.score(begin, number)[1]
        for spelling in ways_of_word:
            tree.insert(spelling, number, chance)
    tree.smear(flashlight.SmearingMode.MAX)
    options = flashlight.LexiconDecoderOptions(
        beam_size=numbers.beam,
        beam_size_token=numbers.tokens,
        beam_threshold=numbers.threshold,
        lm_weight=numbers.language,
        word_score=numbers.word_bonus,
        unk_score=-np.inf,
        sil_score=0.0,
        log_add=False,
        criterion_type=flashlight.CriterionType.ASG,
    )
    made = flashlight.LexiconDecoder(
        options, tree, trigram, SILENCE_TOKEN, -1, words.get_index(UNKNOWN), [0.0] * (tokens * tokens), False
    )
    return made, words


@contextmanager
def _unheard() -> Iterator[None]:
    """Keep what KenLM writes of its progress from the terminal: it writes past Python, to the process's own stderr."""
    try:
        kept = os.dup(2)
    except OSError:  # a program without a terminal may have none
        yield
        return
    try:
        with open(os.devnull, "wb") as nowhere:
            os.dup2(nowhere.fileno(), 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


def spelt(phones: Sequence[str]) -> list[list[int]]:
    """A word's two spellings in numbers of phones: ending in its last phone's first frame, or in that phone's twin."""
    numbers = [PHONES.index(phone) for phone in phones]
    return [numbers, [*numbers, numbers[-1] + len(PHONES) - 1]]
