"""A tiny acoustic model and a brute-force search over it, to check the real search against."""

from __future__ import annotations

import itertools
import math

import numpy as np

from dictate.engines.fused.language import Language
from dictate.engines.fused.layers import log_softmax
from dictate.engines.fused.pieces import END_TOKEN, SPACE_MARK, Pieces, pieces_from

PIECES = pieces_from(
    [
        "<unk>",
        "<s>",
        "</s>",
        *(SPACE_MARK + text for text in ("le", "knee", "Knee", "jerk")),
        "ft",
        ",",
        "1",
    ]
)


class TinyAcoustics:
    """Next-piece chances that depend on the folded text so far only, so that recombination is exact."""

    def __init__(self, seed: int, pieces: Pieces = PIECES, sharpness: float = 1.5) -> None:
        self.seed, self.pieces, self.sharpness = seed, pieces, sharpness
        self._texts: list[str] = []

    def row(self, text: str) -> np.ndarray:
        """The chances after a folded text; the same text always gives the same row."""
        dice = np.random.default_rng([self.seed, *text.encode()])
        logits = dice.normal(scale=self.sharpness, size=len(self.pieces.kinds)).astype(np.float32)
        return log_softmax(logits[None, :])[0]

    def first(self) -> np.ndarray:
        self._texts = [""]
        return self.row("")[None, :]

    def step(self, parents: np.ndarray, tokens: np.ndarray) -> np.ndarray:
        self._texts = [
            self.grown(self._texts[parent], int(token)) for parent, token in zip(parents, tokens, strict=True)
        ]
        return np.stack([self.row(text) for text in self._texts])

    def grown(self, text: str, token: int) -> str:
        """The folded text after one more piece."""
        return text + (" " if self.pieces.written[token].startswith(SPACE_MARK) else "") + self.pieces.folded[token]


def brute_force(
    acoustics: TinyAcoustics, language: Language, weight: float, bonus: float, longest: int
) -> dict[tuple[str, ...], float]:
    """S(W) of every W that `longest` pieces can spell, by trying every row of pieces."""
    usable = [token for token, text in enumerate(acoustics.pieces.folded) if text.isalpha()]
    mass: dict[tuple[str, ...], float] = {}
    for length in range(longest + 1):
        for tokens in itertools.product(usable, repeat=length):
            text, chance = "", 0.0
            for token in tokens:
                chance += float(acoustics.row(text)[token])
                text = acoustics.grown(text, token)
            chance += float(acoustics.row(text)[END_TOKEN])
            words = tuple(text.split())
            mass[words] = float(np.logaddexp(mass.get(words, -math.inf), chance))
    return {words: chance + weight * language.sentence(words) + bonus * len(words) for words, chance in mass.items()}
