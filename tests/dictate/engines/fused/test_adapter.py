"""The adapter against its formula, and what it does to the recogniser's own reading of unheard voices."""

from __future__ import annotations

import itertools
import shutil
from importlib import resources

import numpy as np
import pytest

from dictate.engines.fused.adapter import DISTANCES, PREFIX, WIDTH, Adapter, load_adapter
from dictate.engines.fused.net import Net
from dictate.engines.fused.pieces import END_TOKEN
from dictate.engines.fused.search import Heard, free_words
from dictate.events import SAMPLE_RATE_HZ
from tests.tools.scoring import word_errors
from tests.tools.train_adapter import spelling
from tests.tools.voices import speak

LAYERS, STATES, HEADS = 2, 4, 2


def weights(seed: int, *, still: bool = False, prefix: int = 3) -> dict[str, np.ndarray]:
    """A small network; `still`: one that changes nothing."""
    chance, width = np.random.default_rng(seed), 5
    found = {"mean": chance.normal(size=8), "deviation": np.full(8, 2.0)}
    shapes = [(width, 8, 1), *[(width, width, 3)] * len(DISTANCES)]
    for at, shape in enumerate(shapes):
        found |= {f"weight{at}": chance.normal(size=shape), f"bias{at}": chance.normal(size=width)}
    last, out = len(shapes), (2 * LAYERS * STATES, width)
    found |= {f"weight{last}": np.zeros(out) if still else chance.normal(size=out), f"bias{last}": np.zeros(out[0])}
    return found | {"prefix": chance.normal(size=(2 * LAYERS, prefix, STATES))}


def test_the_changes_are_what_the_formula_says() -> None:
    stored, states = weights(1), np.random.default_rng(2).normal(size=(11, 8)).astype(np.float32)
    now = (states - stored["mean"]) / stored["deviation"]
    for at in range(len(DISTANCES) + 1):
        weight, distance = stored[f"weight{at}"], DISTANCES[at - 1] if at else 1
        new = np.tile(stored[f"bias{at}"], (len(now), 1))
        for t, place in itertools.product(range(len(now)), range(weight.shape[2])):
            seen = t + distance * (place - weight.shape[2] // 2)
            if 0 <= seen < len(now):
                new[t] += weight[:, :, place] @ now[seen]
        now = np.maximum(new, 0) + (now if at else 0)
    expected = (now @ stored[f"weight{len(DISTANCES) + 1}"].T).reshape(11, 2 * LAYERS, STATES)
    assert Adapter(stored).changes(states) == pytest.approx(expected.transpose(1, 0, 2), rel=1e-3, abs=1e-3)


def test_what_it_remembers_is_the_prefix_and_then_the_changed_sound() -> None:
    stored, chance = weights(3), np.random.default_rng(4)
    own = [chance.normal(size=(1, HEADS, 12, STATES // HEADS)).astype(np.float32) for _ in range(2 * LAYERS)]
    states = chance.normal(size=(11, 8)).astype(np.float32)
    adapter = Adapter(stored)
    changes = adapter.changes(states)
    for kept, found, change, prefix in zip(own, adapter.memory(own, states), changes, stored["prefix"], strict=True):
        assert found.shape == (1, HEADS, 3 + 11, STATES // HEADS)
        for head, t in itertools.product(range(HEADS), range(11)):
            part = change[t].reshape(HEADS, -1)[head]
            assert found[0, head, 3 + t] == pytest.approx(kept[0, head, t] + part, abs=1e-4)
        assert found[0, :, 2].ravel() == pytest.approx(prefix[2], abs=1e-4)


def test_the_shipped_network_has_the_sizes_of_the_module() -> None:
    adapter = load_adapter()
    changes = adapter.changes(np.random.default_rng(1).normal(size=(30, 576)).astype(np.float32))
    assert changes.shape == (12, 30, 288)
    assert np.isfinite(changes).all()
    assert adapter._prefix.shape == (12, PREFIX, 288)
    assert len(adapter._out) == WIDTH


@pytest.fixture(scope="module")
def net() -> Net:
    pytest.importorskip("moonshine_voice", reason="the extra `fused` is not installed")
    return Net()


def greedy(net: Net, voice) -> str:
    """The likeliest piece, step by step."""
    row, tokens = voice.first(), []
    while (token := int(row[0].argmax())) != END_TOKEN and len(tokens) < 60:
        tokens.append(token)
        row = voice.step(np.array([0]), np.array([token]))
    return net.pieces.text(tokens)


def test_an_adapter_that_changes_nothing_leaves_the_reading_as_it_was(net) -> None:
    stored = dict(load_adapter_arrays())
    stored["weight5"], stored["bias5"] = np.zeros_like(stored["weight5"]), np.zeros_like(stored["bias5"])
    stored["prefix"] = stored["prefix"][:, :0]
    sound = np.random.default_rng(6).normal(scale=800, size=2 * SAMPLE_RATE_HZ).astype(np.int16)
    plain = net.listen(sound)
    still = net.listen(sound).adapted(Adapter(stored))
    assert np.exp(still.first()) == pytest.approx(np.exp(plain.first()), abs=0.02)
    assert greedy(net, still) == greedy(net, plain)


def load_adapter_arrays() -> dict[str, np.ndarray]:
    with (resources.files("dictate.engines.fused") / "data" / "adapter.npz").open("rb") as file:
        return dict(np.load(file))


SENTENCES = (
    "fasciculations in the left deltoid",
    "right biceps jerk brisk",
    "dysmetria on the left",
    "no clonus at the ankles",
    "hip flexion four on the right",
    "plantars are flexor",
)


def test_an_unheard_voice_is_read_better_with_it(net) -> None:
    if shutil.which("flite") is None:
        pytest.skip("the synthesiser flite is not installed")
    adapter, own, better, words = load_adapter(), 0, 0, 0
    for said in SENTENCES:
        voice = net.listen(speak(said, "flite-awb").samples)
        own += errors(said, greedy(net, voice))
        better += errors(said, greedy(net, voice.adapted(adapter)))
        words += len(said.split())
    assert better < own * 0.6
    assert better < words * 0.3


def test_training_spells_as_the_network_writes(net) -> None:
    """Byte-pair encoding gives one row of pieces for a word; the network learnt to write that one."""
    spell = spelling(net.pieces.written)
    for said in ("no facial weakness", "months backwards correct", "light touch absent"):
        pieces = spell(said)
        assert net.pieces.text(pieces) == said.capitalize() + "."
        assert pieces[-1] == END_TOKEN
        assert len(pieces) < len(said) / 2
    known = {"Months": ["▁Month", "s"], "symmetrically": ["▁symmet", "r", "ically"], "ankle": ["▁an", "k", "le"]}
    for word, expected in known.items():  # as the network wrote them
        assert [net.pieces.written[piece] for piece in spell(f"of {word} of")[1:-3]] == expected


def errors(said: str, written: str) -> int:
    """Wrong words in what the network wrote."""
    return word_errors(said, " ".join(free_words(Heard((), written))))[0]
