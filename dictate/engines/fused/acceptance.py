"""Was this utterance said to the tool? A recogniser of examinations turns any talk into examination words.

Seven signs of the whole utterance make a probability that it was, by logistic regression; below the
threshold the utterance is rejected and becomes unread text. Weights and threshold are in data/fused.toml,
with the curve they were taken from; `tests/bench/talk.py --fit` draws it anew.

- how much of the steered reading the network's own free reading and the second ear share with it; - how
many nats a piece the network likes its free reading better; - how much likelier the examination's language
finds the steered words, and the free words, than everyday language does
  (log-likelihood ratio a word: the classical competitor model, with text in the place of phones);
- the mean posterior of the words; how short the utterance is (1 / words).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from dictate.engines.fused.certainty import WordEvidence, logistic
from dictate.engines.fused.language import Language
from dictate.engines.fused.search import Heard, free_words
from dictate.engines.fused.settings import fused_settings

RATIO_LIMIT = 6.0
SHARES = {True: 1.0, None: 0.5, False: 0.0}
"""What a word adds to the share of words that an ear heard as well; None: one of two ears did."""


def is_accepted(heard: Heard, evidence: Sequence[WordEvidence], language: Language) -> bool:
    """Whether the utterance is taken as spoken to the tool."""
    return acceptance(heard, evidence, language) >= fused_settings().acceptance.threshold


def acceptance(heard: Heard, evidence: Sequence[WordEvidence], language: Language) -> float:
    """The probability that the utterance belongs to an examination; 0 when no words were found."""
    if not evidence:
        return 0.0
    return logistic(signs(heard, evidence, language), fused_settings().acceptance.weights)


def signs(heard: Heard, evidence: Sequence[WordEvidence], language: Language) -> tuple[float, ...]:
    """1 and the seven signs, in the order of the module's head."""
    count = len(evidence)
    steered = [word.text for word in evidence]
    gap = (heard.free_network - heard.readings[0].network) / max(1, heard.free_pieces)
    return (
        1.0,
        sum(word.free is True for word in evidence) / count,
        sum(SHARES[word.ear] for word in evidence) / count,
        max(-1.0, min(5.0, gap)),
        ratio(steered, language),
        ratio(free_words(heard), language),
        sum(word.posterior for word in evidence) / count,
        1.0 / count,
    )


def ratio(words: Sequence[str], language: Language) -> float:
    """Mean over the words of log P(word | examination) - log P(word | everyday), each kept within limits."""
    if not words:
        return 0.0
    history, total = language.start, 0.0
    for word in words:
        gain = language.word(history, word) - language.everyday_word(word)
        total += max(-RATIO_LIMIT, min(RATIO_LIMIT, gain))
        history = language.after(history, word)
    return total / len(words) if math.isfinite(total) else 0.0
