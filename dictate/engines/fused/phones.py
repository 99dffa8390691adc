"""Which phone sounds in each 24 ms: a small network over the neural recogniser's inner states.

The encoder of the large network (`net.py`) turns sound into states of 288 numbers, one each 384 samples. It was
trained on far more and noisier speech than PocketSphinx's sounds, but its decoder only spells words it knows. This
network reads phones straight from the states, of the raw sound and of its quieted copy side by side, so that a
decoder over our own words (`phone_ear.py`) can use what the encoder heard.

It is a time-delay network (Waibel A, et al. Phoneme recognition using time-delay neural networks. IEEE Trans Acoust
Speech Signal Process 1989;37:328): for states x(t), layer after layer, x <- relu(W * [x(t - d) ... x(t + d)] + b),
added to its input where the widths agree; the last layer gives log P(phone | t) by softmax. Weights: data/phones.npz,
trained by tests/tools/train_phones.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources

import numpy as np
import numpy.typing as npt

from dictate.engines import lexicon
from dictate.engines.fused.layers import convolved, log_softmax

Floats = npt.NDArray[np.float32]

SILENCE = "SIL"
PHONES = (SILENCE, *sorted(lexicon.PHONES))
FRAME_SAMPLES, MIDDLE_SAMPLES = 384, 447
"""The encoder's three convolutions have strides of 64, 3 and 2 samples; the first frame's middle lies at sample 447."""
WINDOWS = ((1, 1, 224), (3, 1, 224), (3, 1, 224), (3, 2, 224), (3, 3, 224))
"""Frames in the window, their distance, and the width of each layer."""


class PhoneNet:
    """The trained network; `read` is pure."""

    def __init__(self, stored: Mapping[str, npt.NDArray[np.generic]]) -> None:
        """`stored` holds mean, deviation, prior and for each layer i weight{i} (out x in x window) and bias{i}."""
        self._mean = stored["mean"].astype(np.float32)
        self._deviation = stored["deviation"].astype(np.float32)
        count = sum(name.startswith("weight") for name in stored)
        self._layers = [
            (
                np.ascontiguousarray(stored[f"weight{at}"].astype(np.float32).transpose(2, 1, 0)),
                stored[f"bias{at}"].astype(np.float32),
            )
            for at in range(count)
        ]
        self.prior = stored["prior"].astype(np.float32)

    def read(self, states: Floats) -> Floats:
        """log P(phone) for each frame (frames x phones) from the states (frames x 576: raw, then quieted)."""
        now = (states - self._mean) / self._deviation
        last = len(self._layers) - 1
        for at, (weight, bias) in enumerate(self._layers):
            distance = WINDOWS[at][1] if at < last else 1
            new = convolved(now, weight, bias, distance)
            if at == last:
                return log_softmax(new)
            new = np.maximum(new, 0.0)
            now = new + now if at and new.shape == now.shape else new
        raise ValueError("a network without layers")


def load_phone_net() -> PhoneNet:
    """The network with the weights of data/phones.npz."""
    with (resources.files("dictate.engines.fused") / "data" / "phones.npz").open("rb") as file:
        return PhoneNet(dict(np.load(file)))
