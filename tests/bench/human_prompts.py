"""A real human voice: Debian's recorded telephone prompts, heard with a language model of their own vocabulary.

    python -m tests.bench.human_prompts TEXTS

TEXTS has a line `name|words` for each prompt (the package ships no transcripts; those of the recordings' source may be
used). Every prompt is heard with a model trained on all the others only ("other prompts": new phrases of known words),
in five parts, and with one trained on all ("all": phrases that the model covers). Beside the network's own free reading
each time: the word error rate of the fused search over the network with its adapter, without other ears.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

from dictate.engines.fused.adapter import load_adapter
from dictate.engines.fused.build import everyday_words
from dictate.engines.fused.language import Language, train
from dictate.engines.fused.net import Net
from dictate.engines.fused.search import free_words, search
from dictate.engines.fused.settings import fused_settings
from dictate.events import SAMPLE_RATE_HZ
from tests.bench.speech_sets import PROMPTS, prompt
from tests.bench.talk import padded
from tests.tools.scoring import word_errors

PARTS = 5


def main() -> None:
    """Hear all prompts and print the three error rates."""
    texts = dict(line.split("|", 1) for line in Path(sys.argv[1]).read_text(encoding="utf-8").splitlines() if line)
    files = {path.stem: path for path in PROMPTS.rglob("*.g722") if path.parent.parent == PROMPTS}
    names = sorted(name for name in texts if name in files and re.fullmatch(r"[a-z' ]+", texts[name]))
    numbers = fused_settings()
    net, adapter, weights = Net(), load_adapter(), numbers.search.weights()
    said = numbers.language

    def language(chosen: list[str]) -> Language:
        sentences = [texts[name] for name in chosen] * 5
        mixing = {"escape": said.escape, "strange": said.strange, "strange_letter": said.strange_letter}
        return train(sentences, everyday_words(), **mixing)

    whole = language(names)
    others = [language([name for at, name in enumerate(names) if at % PARTS != part]) for part in range(PARTS)]
    totals = {"free reading": [0, 0], "fused, other prompts": [0, 0], "fused, all": [0, 0]}
    for at, name in enumerate(names):
        samples = padded(prompt(files[name]))
        plain, length_s = net.listen(samples), len(samples) / SAMPLE_RATE_HZ
        voice = plain.adapted(adapter)
        other = search(voice, net.pieces, others[at % PARTS], weights, length_s, free=plain)
        covered = search(voice, net.pieces, whole, weights, length_s)
        heard = {
            "free reading": free_words(other),
            "fused, other prompts": other.readings[0].words if other.readings else (),
            "fused, all": covered.readings[0].words if covered.readings else (),
        }
        for kind, words in heard.items():
            errors, count = word_errors(texts[name], " ".join(words))
            totals[kind][0] += errors
            totals[kind][1] += count
    for kind, (errors, count) in totals.items():
        print(f"{kind:24} {100 * errors / count:5.1f} % of {count} words, {len(names)} prompts")


if __name__ == "__main__":
    main()
