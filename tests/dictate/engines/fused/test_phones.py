"""The network of phones against its formula, and the third ear's search against all readings there are."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from dictate.engines import trigram
from dictate.engines.fused import phone_ear
from dictate.engines.fused.layers import convolved
from dictate.engines.fused.phones import PHONES, SILENCE, WINDOWS, PhoneNet, load_phone_net
from dictate.engines.fused.settings import fused_settings
from dictate.engines.lexicon import PHONES as ARPABET
from dictate.engines.lexicon import dictionary_lines
from dictate.engines.model_build import BuiltModel

WAYS = {"knee": (("N", "IY"),), "key": (("K", "IY"),), "no": (("N", "OW"),), "eek": (("IY", "K"), ("IY",))}
SAID = ["knee no", "no knee knee", "key eek", "eek", "knee key no", "no no"]
CHOSEN = ("SIL", "N", "IY", "K", "OW")


def test_a_convolution_is_the_sum_over_its_window() -> None:
    chance = np.random.default_rng(3)
    states = chance.normal(size=(9, 4)).astype(np.float32)
    weight, bias = chance.normal(size=(3, 4, 5)).astype(np.float32), chance.normal(size=5).astype(np.float32)
    found = convolved(states, weight, bias, 2)
    for t, out in itertools.product(range(9), range(5)):
        near = [(at, t + 2 * (at - 1)) for at in range(3)]
        expected = bias[out] + sum(float(states[place] @ weight[at, :, out]) for at, place in near if 0 <= place < 9)
        assert found[t, out] == pytest.approx(expected, abs=1e-4)


def test_the_shipped_network_gives_chances_of_every_arpabet_phone() -> None:
    net = load_phone_net()
    assert set(PHONES) == {SILENCE, *ARPABET}
    assert PHONES[0] == SILENCE
    chances = net.read(np.random.default_rng(1).normal(size=(30, 576)).astype(np.float32))
    assert chances.shape == (30, len(PHONES))
    assert np.exp(chances).sum(axis=1) == pytest.approx(np.ones(30), abs=1e-4)
    assert net.read(np.zeros((1, 576), dtype=np.float32)).shape == (1, len(PHONES))


def test_weights_that_are_no_network_are_refused() -> None:
    bare = {name: np.ones(576) for name in ("mean", "deviation", "prior")}
    with pytest.raises(ValueError, match="without layers"):
        PhoneNet(bare).read(np.zeros((3, 576), dtype=np.float32))
    assert len(WINDOWS) > 1


@pytest.fixture(scope="module")
def small(tmp_path_factory) -> tuple[phone_ear.PhoneEar, trigram.Trigram]:
    pytest.importorskip("flashlight.lib.text.decoder", reason="the extra `fused` is not installed")
    folder = tmp_path_factory.mktemp("small")
    language = trigram.train(SAID, WAYS)
    language.write_arpa(folder / "small.arpa")
    (folder / "small.dict").write_text("\n".join(dictionary_lines(WAYS)), encoding="utf-8")
    numbers = fused_settings().phones.model_copy(update={"beam": 5_000, "tokens": 79, "threshold": 1e6})
    model = BuiltModel(folder, folder / "small.arpa", folder / "small.dict")
    return phone_ear.PhoneEar(load_phone_net(), model, numbers), language


def best_path(chances: np.ndarray, said: tuple[str, ...]) -> float:
    """The greatest sum over frames of any way to say these words: each phone a frame or more, silence between words."""
    best = -math.inf
    for ways in itertools.product(*(WAYS[word] for word in said)):
        row: list[tuple[int, bool]] = [(0, True)]
        for phones in ways:
            row += [(PHONES.index(phone), False) for phone in phones] + [(0, True)]
        now = np.full(len(row), -math.inf)
        now[0] = 0.0  # silence of no length stands before the first frame
        for frame in chances:
            new = np.full(len(row), -math.inf)
            for place, (phone, _) in enumerate(row):
                before = [now[place]] + ([now[place - 1]] if place else [])
                if place >= 2 and row[place - 1][1]:
                    before.append(now[place - 2])
                new[place] = max(before) + frame[phone]
            now = new
        best = max(best, now[-1], now[-2] if len(row) > 1 else -math.inf)
    return best


@pytest.mark.parametrize("seed", range(6))
def test_the_search_finds_the_best_of_all_readings(small, seed) -> None:
    ear, language = small
    chance = np.random.default_rng(seed)
    chances = np.full((7, len(PHONES)), -12.0, dtype=np.float32)
    for phone in CHOSEN:
        chances[:, PHONES.index(phone)] = chance.normal(-2.0, 3.0, size=7)
    numbers = fused_settings().phones
    scores: dict[tuple[str, ...], float] = {}
    for count in range(4):
        for said in itertools.product(WAYS, repeat=count):
            words = numbers.language * language.log10(said) + numbers.word_bonus * count
            scores[said] = best_path(chances, said) + words
    expected = max(scores, key=lambda said: scores[said])
    found = ear.readings(chances)[0]
    assert found.words == expected
    assert found.score == pytest.approx(scores[expected], abs=0.01)


def test_both_spellings_of_a_word_sound_the_same() -> None:
    short, long = phone_ear.spelt(("N", "IY"))
    assert long[:-1] == short
    assert PHONES[long[-1] - (len(PHONES) - 1)] == "IY"
