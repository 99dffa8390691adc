"""A word trigram with interpolated Witten-Bell smoothing, written as an ARPA file.

Maths (Witten IH, Bell TC. The zero-frequency problem. IEEE Trans Inf Theory 1991;37:1085; interpolated
form as in Chen SF, Goodman J. Comput Speech Lang 1999;13:359, section 2.4). For a history h seen c(h)
times, followed by t(h) different words:

    P(w | h) = (c(h w) + t(h) * P(w | h')) / (c(h) + t(h))

with h' the history without its first word; the unigram's lower order is uniform over the vocabulary and </s>.
In back-off form (what ARPA holds) a seen n-gram keeps P(w | h), and the weight of an unseen one is

    b(h) = t(h) / (c(h) + t(h))

which is exact, because for an unseen w the formula above is b(h) * P(w | h'). So every distribution sums
to 1.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from pathlib import Path

START, END = "<s>", "</s>"
NEVER = -99.0
"""log10 probability that ARPA files give to <s>, which is never predicted."""

Gram = tuple[str, ...]


class Trigram:
    """A trained model: `probability(word, history)` and `write_arpa`."""

    def __init__(self, counts: dict[Gram, float], words: Iterable[str]) -> None:
        """Use `train`; `counts` holds 1-, 2- and 3-grams, `words` the vocabulary without <s> and </s>."""
        self.counts = counts
        self.words = tuple(sorted(set(words)))
        self._total: dict[Gram, float] = defaultdict(float)
        self._types: dict[Gram, int] = defaultdict(int)
        for gram, count in counts.items():
            self._total[gram[:-1]] += count
            self._types[gram[:-1]] += 1
        self._uniform = 1.0 / (len(self.words) + 1)

    def probability(self, word: str, history: Gram = ()) -> float:
        """P(word | the last two words of history); words are vocabulary words or </s>."""
        history = history[-2:]
        total = self._total.get(history, 0.0)
        lower = self._uniform if not history else self.probability(word, history[1:])
        if total == 0.0:
            return lower
        types = self._types[history]
        return (self.counts.get((*history, word), 0.0) + types * lower) / (total + types)

    def backoff(self, history: Gram) -> float:
        """The weight b(h) that an unseen continuation of `history` gets."""
        total = self._total.get(history, 0.0)
        return self._types[history] / (total + self._types[history]) if total else 1.0

    def log10(self, sentence: Iterable[str]) -> float:
        """log10 probability of a sentence, its end included."""
        history: Gram = (START,)
        score = 0.0
        for word in (*sentence, END):
            score += math.log10(self.probability(word, history))
            history = (*history, word)[-2:]
        return score

    def write_arpa(self, path: Path) -> None:
        """Write the model as an ARPA text file (log10 numbers)."""
        grams = [sorted(self._order(order)) for order in (1, 2, 3)]
        with path.open("w", encoding="utf-8") as file:
            file.write("\\data\\\n")
            file.writelines(f"ngram {order}={len(found)}\n" for order, found in enumerate(grams, 1))
            for order, found in enumerate(grams, 1):
                file.write(f"\n\\{order}-grams:\n")
                file.writelines(self._lines(found, last=order == 3))
            file.write("\n\\end\\\n")

    def _order(self, order: int) -> Iterator[Gram]:
        if order == 1:
            yield from ((word,) for word in (START, END, *self.words))
            return
        yield from (gram for gram in self.counts if len(gram) == order)

    def _lines(self, grams: Iterable[Gram], *, last: bool) -> Iterator[str]:
        for gram in grams:
            chance = NEVER if gram == (START,) else math.log10(self.probability(gram[-1], gram[:-1]))
            weight = "" if last or gram[-1] == END else f"\t{math.log10(self.backoff(gram)):.4f}"
            yield f"{chance:.4f}\t{' '.join(gram)}{weight}\n"


def train(sentences: Iterable[str], words: Iterable[str] = ()) -> Trigram:
    """Count the sentences (words parted by blanks; a repeated line counts again) and smooth.

    `words` are vocabulary words that need not occur in a sentence.
    """
    counts: dict[Gram, float] = defaultdict(float)
    vocabulary = set(words)
    for sentence in sentences:
        said = sentence.split()
        if not said:
            continue
        vocabulary.update(said)
        padded = [START, *said, END]
        for at in range(1, len(padded)):
            counts[(padded[at],)] += 1.0
            counts[(padded[at - 1], padded[at])] += 1.0
            if at >= 2:
                counts[(padded[at - 2], padded[at - 1], padded[at])] += 1.0
    return Trigram(dict(counts), vocabulary)
