"""What makes the neural recogniser listen for examinations: changes to what its decoder remembers of the sound.

The recogniser's own weights stay as their package brings them. Its decoder looks at the sound through a memory: for
each of its six layers a key and a value a frame, which are linear in the encoder's states. A small network reads the
states of the raw sound and of its quieted copy, side by side, and adds to every key and value; in front of the frames
stand a few keys and values that are the same for all sound (prefix tuning: Li XL, Liang P. Proc ACL-IJCNLP 2021;1:4582,
arXiv:2101.00190; adapters for a recogniser of speech: Thomas B, et al. Proc ICASSP 2022:7102, arXiv:2202.03218).

The network is the time-delay network of `phones.py`: x <- relu(W * [x(t - d) ... x(t + d)] + b), added to its input,
layer after layer; the changes are one linear map of the last x. Weights: data/adapter.npz, learnt by
tests/tools/train_adapter.py from spoken examinations, so that the frozen decoder writes the words that were said.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources

import numpy as np
import numpy.typing as npt

from dictate.engines.fused.layers import convolved

Floats = npt.NDArray[np.float32]

WIDTH, WINDOW, DISTANCES, PREFIX = 256, 3, (1, 2, 4, 8), 8
"""Numbers a layer, frames a window, their distances in the layers after the first, and frames in front of the sound."""


class Adapter:
    """The trained network; pure."""

    def __init__(self, stored: Mapping[str, npt.NDArray[np.generic]]) -> None:
        """`stored` holds mean, deviation, prefix ((2 layers) x frames x width) and for each layer i weight{i} and
        bias{i}, the last of them the linear map."""
        arrays = {name: array.astype(np.float32) for name, array in stored.items()}
        self._mean, self._deviation, self._prefix = arrays["mean"], arrays["deviation"], arrays["prefix"]
        self._layers = [
            (np.ascontiguousarray(arrays[f"weight{at}"].transpose(2, 1, 0)), arrays[f"bias{at}"])
            for at in range(len(DISTANCES) + 1)
        ]
        last = len(self._layers)
        self._out, self._out_bias = np.ascontiguousarray(arrays[f"weight{last}"].T), arrays[f"bias{last}"]

    def changes(self, states: Floats) -> Floats:
        """What is added to the keys and values, (2 layers) x frames x width, key before value, for the states (frames x
        576: raw, then quieted)."""
        now: Floats = (states - self._mean) / self._deviation
        for at, (weight, bias) in enumerate(self._layers):
            new: Floats = np.maximum(convolved(now, weight, bias, DISTANCES[at - 1] if at else 1), 0.0)
            now = new + now if at else new
        added: Floats = (now @ self._out + self._out_bias).reshape(len(states), len(self._prefix), -1)
        return added.transpose(1, 0, 2)

    def memory(self, own: list[Floats], states: Floats) -> list[Floats]:
        """The decoder's keys and values (1 x heads x frames x width each) in place of its own ones."""
        found = []
        for kept, added, prefix in zip(own, self.changes(states), self._prefix, strict=True):
            heads = kept.shape[1]
            sound = kept[:, :, : len(states)] + _in_heads(added, heads)
            found.append(np.concatenate([_in_heads(prefix, heads), sound], axis=2))
        return found


def _in_heads(rows: Floats, heads: int) -> Floats:
    """Frames x width as 1 x heads x frames x (width / heads)."""
    return rows.reshape(len(rows), heads, rows.shape[1] // heads).transpose(1, 0, 2)[None]


def load_adapter() -> Adapter:
    """The network with the weights of data/adapter.npz."""
    with (resources.files("dictate.engines.fused") / "data" / "adapter.npz").open("rb") as file:
        return Adapter(dict(np.load(file)))
