"""The sentences a recogniser should expect: drawn from a weighted phrase grammar, the same ones every time.

`training_sentences()` feeds every language model of this package. Its sources:

- `data/talk.toml`: how an examination is talked through (findings, grades, instructions, repair, control
  words, reasons, small talk); the notation is described there;
- the grammar's own phrase data (`grammar/data/phrases/*.toml`): each spoken wording of an item joins that
  item's sentences, so that a phrase added to the grammar is also heard;
- `data/templates.toml`: the same by another hand, which halves the surprise (perplexity 75 to 44 on the
  golden dictations): people differ in how they say things;
- `data/telling.toml`: findings told in whole sentences, with history, comparison, doubt and plans (perplexity 290 to
  164 on held-out dictations of that kind, 32.5 to 29.9 on lists of findings);
- a clinic's own phrases (TOML files, `phrases = ["..."]`).

Nothing here gives meaning to words. Drawing uses a fixed seed: same data, same sentences.
"""

from __future__ import annotations

import random
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from dictate.engines.templates import joined_sentences, template_words
from dictate.errors import EngineError, InputError

SENTENCES = 40_000
SEED = 20_110
MAX_DEPTH = 12

SHAPES = {
    "{finding}": 40,
    "{finding} {finding}": 14,
    "{finding} {and} {finding}": 8,
    "{finding} {finding} {finding}": 6,
    "{repaired}": 5,
    "{not_done}": 4,
    "{control}": 4,
    "{station}": 3,
    "{station} {finding}": 3,
    "{instruction}": 4,
    "{instruction} {praise} {finding}": 4,
    "{instruction} {instruction} {finding}": 2,
    "{praise}": 2,
    "{praise} {finding}": 2,
    "{filler} {finding}": 3,
    "on the {side} {finding}": 3,
    "{maybe} {finding}": 2,
    "{context}": 2,
    "{patient}": 1,
    "{finding} {not_done}": 1,
    "{finding} (the {side} [side] is|{side} side) {fine}": 2,
    "{finding} (the same|same|ditto) (on the {side}|{two})": 2,
    "{finding} {fine} on the {side}": 2,
    "(there's|there is|he has|she has|we have) {finding}": 2,
    "{finding} with {finding}": 1,
    "{praise} {praise}": 1,
    "{filler} {finding} {filler} {finding}": 1,
}
"""What an utterance is made of, and how often."""

ITEM_WEIGHT = {
    "reflex": 10,
    "power": 9,
    "sensation": 6,
    "plantar": 4,
    "tone": 4,
    "pupils": 3,
    "fundi": 3,
    "cognition": 3,
    "facial_power": 3,
    "arm_drift": 3,
    "finger_nose": 3,
    "muscle_bulk": 2,
}
"""How often an item is spoken of in comparison with the others (1); common practice."""

SENTENCES_A_WORDING = 3
FRAMES = {
    "any": (
        "{W} [is] {result} [{where}]",
        "{side} {W} [is] {result}",
        "{W} [is] {result}",
        "{W} {result} on the {side} {result} on the {side}",
    ),
    "one": ("{side} {W} [is] {result}", "{W} {result} on the {side}", "the {side} {W} [is] {result}"),
    "many": ("{W} [are] {result} [{two}]", "{W} [are] {result}", "both {W} [are] {result}"),
    "sign": (
        "no {W}",
        "[{much}] {W} [on the {side}]",
        "there is {W} on the {side}",
        "no {W} [{two}]",
        "{W} on the {side}",
    ),
    "talk": ("{W}",),
}
"""How a wording of the grammar's phrase data becomes sentences, by the key it stands under there."""

RESULT_OF = {
    "reflex": "{jerk_result}",
    "power": "{mrc}",
    "plantar": "(flexor|extensor|equivocal)",
    "clonus": "(present|absent)",
    "romberg": "(negative|positive)",
    "tinel": "(negative|positive)",
    "phalen": "(negative|positive)",
    "spurling": "(negative|positive)",
    "kernig": "(negative|positive)",
    "hoffmann": "(negative|positive)",
    "straight_leg_raise": "(negative|positive|{degrees})",
    "femoral_stretch": "(negative|positive)",
    "visual_acuity": "{snellen}",
    "sensory_level": "{level}",
    "rinne": "(negative|positive)",
    "dix_hallpike": "(negative|positive)",
    "head_impulse": "(negative|positive)",
    "gait": "{gait_word}",
}

_REFERENCE = re.compile(r"\{([\w.]+)\}")
_SPEAKABLE = re.compile(r"[a-z']+")


class Phrases:
    """A weighted phrase grammar: named rules, each a list of weighted alternatives."""

    def __init__(self, rules: Mapping[str, list[tuple[int, str]]]) -> None:
        self.rules = dict(rules)
        self._weights = {name: [weight for weight, _ in lines] for name, lines in self.rules.items()}
        missing = sorted(
            {reference for lines in self.rules.values() for _, line in lines for reference in _REFERENCE.findall(line)}
            - set(self.rules)
        )
        if missing:
            raise EngineError("talk.toml of the language model names unknown rules: " + ", ".join(missing))

    def draw(self, text: str, chance: random.Random, depth: int = 0) -> str:
        """One sentence for an alternative's text, in the notation of talk.toml."""
        if depth > MAX_DEPTH:
            return ""
        text = _choose(text, chance)

        def expand(match: re.Match[str]) -> str:
            name = match.group(1)
            lines = self.rules[name]
            line = chance.choices(lines, self._weights[name])[0][1]
            return self.draw(line, chance, depth + 1)

        return " ".join(_REFERENCE.sub(expand, text).split())

    def words(self) -> set[str]:
        """Every word that some alternative holds."""
        return {
            word
            for lines in self.rules.values()
            for _, line in lines
            for word in _SPEAKABLE.findall(_REFERENCE.sub(" ", line))
        }


def training_sentences(count: int = SENTENCES, clinic: Iterable[str] = ()) -> Iterator[str]:
    """Lower-case sentences without punctuation, `count` drawn ones plus each phrase of the data once.

    `clinic` are a clinic's own phrases; each is added several times.
    """
    phrases = _phrases()
    chance = random.Random(SEED)
    shapes, weights = list(SHAPES), list(SHAPES.values())
    for _ in range(count):
        shape = chance.choices(shapes, weights)[0]
        sentence = phrases.draw(shape, chance)
        if sentence:
            yield sentence
    yield from joined_sentences(count / SENTENCES)
    yield from grammar_phrases()
    for phrase in clinic:
        spoken = " ".join(_SPEAKABLE.findall(phrase.lower()))
        for _ in range(20):
            yield spoken


@cache
def vocabulary() -> frozenset[str]:
    """Every word the language model can say."""
    return frozenset(
        _phrases().words()
        | template_words()
        | {word for phrase in grammar_phrases() for word in phrase.split()}
        | {word for shape in SHAPES for word in _SPEAKABLE.findall(_REFERENCE.sub(" ", shape))}
    )


@cache
def grammar_phrases() -> tuple[str, ...]:
    """Sentences made from the spoken wordings of the grammar's phrase data, each wording with likely
    results."""
    phrases = _phrases()
    chance = random.Random(SEED + 1)
    drawn: list[str] = []
    for kind, item, wording in _wordings():
        frames = FRAMES[kind]
        for frame in chance.sample(frames, min(SENTENCES_A_WORDING, len(frames))):
            result = RESULT_OF.get(item, "({fine}|{bad})")
            said = phrases.draw(frame.replace("{W}", wording).replace("{result}", result), chance)
            if said and _is_spoken(said):
                drawn.append(said)
    return tuple(drawn)


def clinic_phrases(folder: Path) -> tuple[str, ...]:
    """What a clinic's folder adds to the language; InputError names the file that is wrong.

    `*.toml` files hold sentences to expect, `phrases = ["..."]`; `phrases/*.toml` extend the grammar (the format of
    grammar/data/phrases), and their wordings are expected as well.
    """
    if not folder.is_dir():
        raise InputError(f"The folder of phrases {folder} does not exist; mend the setting [speech] phrases.")
    found: list[str] = []
    for path in sorted(folder.glob("*.toml")):
        listed = _read_toml(path).get("phrases")
        if not isinstance(listed, list) or not all(isinstance(phrase, str) for phrase in listed):
            raise InputError(f'The phrase file {path} must hold a list `phrases = ["..."]`.')
        found += listed
    chance = random.Random(SEED + 2)
    for path in sorted((folder / "phrases").glob("*.toml")):
        for entry in _read_toml(path).get("phrase", ()):
            for key in ("any", "one", "many", "sign"):
                found += (_phrases().draw(wording.lower(), chance) for wording in entry.get(key, ()))
    return tuple(found)


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"The phrase file {path} cannot be read ({error}); mend it.") from error


@cache
def _phrases() -> Phrases:
    rules: dict[str, list[tuple[int, str]]] = {}
    for name, value in _flat(_talk()["rules"]):
        rules[name] = [_weighted(line) for line in value.strip().splitlines()]
    items = [name for name in rules if name.startswith("items.")]
    rules["finding"] = [(ITEM_WEIGHT.get(name.removeprefix("items."), 1), "{" + name + "}") for name in items]
    return Phrases(rules)


def _wordings() -> Iterator[tuple[str, str, str]]:
    """(kind, item, wording) of the grammar's phrase files; the notation in wordings is that of talk.toml."""
    folder = resources.files("grammar") / "data" / "phrases"
    for file in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if not file.name.endswith(".toml"):
            continue
        data = tomllib.loads(file.read_text(encoding="utf-8"))
        for entry in data.get("phrase", ()):
            item = str(entry.get("item", ""))
            for key in ("any", "one", "many", "sign"):
                yield from ((key, item, wording.lower()) for wording in entry.get(key, ()))
        for table in ("instruction", "station", "heading"):
            for entry in data.get(table, ()):
                yield from (("talk", "", wording.lower()) for wording in entry.get("say", ()))


@cache
def _typed_only() -> tuple[frozenset[str], frozenset[str]]:
    """(words never spoken, words of up to three letters that are)."""
    data = _talk()
    rules = (_REFERENCE.sub(" ", text) for _, text in _flat(data["rules"]))
    short = {word for text in rules for word in _SPEAKABLE.findall(text) if len(word) <= 3}
    return frozenset(data["typed_only"].split()), frozenset(short)


def _is_spoken(said: str) -> bool:
    never, short = _typed_only()
    return all(
        _SPEAKABLE.fullmatch(word) and word not in never and (len(word) > 3 or word in short) for word in said.split()
    )


@cache
def _talk() -> dict[str, Any]:
    return tomllib.loads((resources.files("dictate.engines") / "data" / "talk.toml").read_text(encoding="utf-8"))


def _flat(rules: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    for name, value in rules.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{name}.")
        else:
            yield prefix + name, value


def _weighted(line: str) -> tuple[int, str]:
    match = re.match(r"(\d+)\* (.*)", line)
    return (int(match.group(1)), match.group(2)) if match else (1, line)


def _choose(text: str, chance: random.Random) -> str:
    """Settle every (a|b) and [a] of a text, innermost first."""
    while True:
        match = re.search(r"\(([^()\[\]]*)\)|\[([^()\[\]]*)\]", text)
        if match is None:
            return text
        if match.group(1) is not None:
            chosen = chance.choice(match.group(1).split("|"))
        else:
            chosen = chance.choice(match.group(2).split("|")) if chance.random() < 0.5 else ""
        text = text[: match.start()] + chosen + text[match.end() :]
