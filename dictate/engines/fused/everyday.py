"""Rebuilds data/everyday.tsv: python -m dictate.engines.fused.everyday

The words are the 10,000 likeliest of the general English trigram that PocketSphinx bundles (BSD licence),
as far as they are plain words; single letters other than "a" and "i" are left to the examination's own
sentences.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

WORDS = 10_000
LOG_BASE = math.log(1.0001)
_PLAIN = re.compile(r"[a-z]{2,}('[a-z]+)?|[ai]")
HEAD = """\
# The 10,000 likeliest English words of the general trigram that PocketSphinx 5.1.1 bundles
# (model/en-us/en-us.lm.bin), with their unigram chances per million. Licence: BSD-2-Clause (CMU and Alpha
# Cephei; see that package's model README). Rebuild: python -m dictate.engines.fused.everyday
"""


def likely_words(count: int = WORDS) -> list[tuple[str, float]]:
    """(word, chance per million), likeliest first."""
    import pocketsphinx

    folder = Path(pocketsphinx.get_model_path("en-us"))
    model = pocketsphinx.NGramModel.readfile(str(folder / "en-us.lm.bin"))
    lines = (folder / "cmudict-en-us.dict").read_text(encoding="utf-8").splitlines()
    words = {line.split(" ", 1)[0] for line in lines}
    # The model counts log-probabilities in units of log 1.0001.
    scored = [(model.prob([word]) * LOG_BASE, word) for word in words if _PLAIN.fullmatch(word)]
    best = sorted(scored, key=lambda pair: (-pair[0], pair[1]))[:count]
    return [(word, 1e6 * math.exp(score)) for score, word in best]


if __name__ == "__main__":
    rows = "".join(f"{word}\t{chance:.2f}\n" for word, chance in likely_words())
    (Path(__file__).parent / "data" / "everyday.tsv").write_text(HEAD + rows, encoding="utf-8")
