"""Two steps that the networks of this folder share."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]


def convolved(states: Floats, weight: Floats, bias: Floats, distance: int) -> Floats:
    """A dilated convolution over time, as long as its input: zeros stand before the first and behind the last frame.

    `weight` is window x in x out: one matrix for each place in the window.
    """
    window = len(weight)
    reach = distance * (window // 2)
    padded = np.pad(states, ((reach, reach), (0, 0)))
    out: Floats = np.tile(bias, (len(states), 1))
    for at in range(window):
        begin = at * distance
        out += padded[begin : begin + len(states)] @ weight[at]
    return out


def log_softmax(logits: Floats) -> Floats:
    """Row-wise log-probabilities from the net's scores."""
    shifted = logits - logits.max(axis=-1, keepdims=True)
    out: Floats = shifted - np.log(np.exp(shifted).sum(axis=-1, keepdims=True))
    return out
