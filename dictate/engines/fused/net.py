"""The neural network itself: sound in, log-probabilities of the next word piece out.

It runs the encoder once an utterance and the decoder one piece at a time for a whole batch of hypotheses,
with the decoder's keys and values kept from step to step. The weights (Moonshine tiny, English, MIT
licence; Jeffries et al. 2024, arXiv:2410.15608) come inside the package `moonshine-voice`; only its two
model files and its piece table are read, never its code. One thread, so that the grammar and the page keep
the other core.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import numpy.typing as npt

from dictate.engines.fused.adapter import Adapter
from dictate.engines.fused.layers import log_softmax
from dictate.engines.fused.pieces import BEGIN_TOKEN, Pieces, read_pieces
from dictate.errors import EngineError
from dictate.events import Samples

PACKAGE, FOLDER = "moonshine_voice", Path("assets/tiny-en")
ENCODER, DECODER, TABLE = "encoder_model.ort", "decoder_model_merged.ort", "tokenizer.bin"
MENDING = "install it with: pip install onnxruntime 'moonshine-voice==0.1.0'"
SHORTEST_SAMPLES = 1_600

Floats = npt.NDArray[np.float32]


def model_folder() -> Path:
    """Where the bundled model lies. Raises EngineError with the way to mend it when the package is
    missing."""
    spec = importlib.util.find_spec(PACKAGE)
    for place in (spec.submodule_search_locations or []) if spec else []:
        folder = Path(place) / FOLDER
        if all((folder / name).is_file() for name in (ENCODER, DECODER, TABLE)):
            return folder
    if spec:
        raise EngineError(f"The installed package moonshine-voice bundles no {FOLDER} model; {MENDING}.")
    raise EngineError(f"The package moonshine-voice with the neural speech model is missing; {MENDING}.")


class Net:
    """The two loaded model files; share one between utterances, one `Voice` an utterance."""

    def __init__(self, folder: Path | None = None) -> None:
        folder = folder or model_folder()
        try:
            import onnxruntime
        except ImportError as missing:
            raise EngineError(f"The package onnxruntime is missing; {MENDING}.") from missing
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = 1
        options.enable_cpu_mem_arena = False
        options.log_severity_level = 4

        def load(name: str) -> onnxruntime.InferenceSession:
            return onnxruntime.InferenceSession(str(folder / name), options, providers=["CPUExecutionProvider"])

        self.pieces: Pieces = read_pieces(folder / TABLE)
        self._encoder, self._decoder = load(ENCODER), load(DECODER)
        caches = [i.name for i in self._decoder.get_inputs() if i.name.startswith("past_key_values")]
        self._own = [name for name in caches if ".decoder." in name]
        self._cross = [name for name in caches if ".encoder." in name]
        shape = self._decoder.get_inputs()[-2].shape
        self._heads, self._width = int(shape[1]), int(shape[3])
        self._outputs = ["logits", *(name.replace("past_key_values", "present") for name in self._own)]
        self._cross_outputs = [name.replace("past_key_values", "present") for name in self._cross]

    def no_past(self) -> Floats:
        """The keys or values of a hypothesis that has not begun."""
        return np.zeros((1, self._heads, 0, self._width), dtype=np.float32)

    def listen(self, samples: Samples) -> Voice:
        """Encode one utterance (mono 16 kHz int16) and make ready to decode it."""
        sound = samples.astype(np.float32) / 32_768.0
        if len(sound) < SHORTEST_SAMPLES:
            sound = np.pad(sound, (0, SHORTEST_SAMPLES - len(sound)))
        batch = sound[None, :]
        feed = {"input_values": batch, "attention_mask": np.ones(batch.shape, dtype=np.int64)}
        return Voice(self, self._encoder.run(["last_hidden_state"], feed)[0])


class Voice:
    """One encoded utterance with the decoder's memory of every hypothesis in the batch."""

    def __init__(self, net: Net, hidden: Floats) -> None:
        self._net = net
        self._hidden = hidden
        self._begun: tuple[Floats, list[Floats], list[Floats]] | None = None
        self._own: list[Floats] = []
        self._cross: list[Floats] = []

    @property
    def states(self) -> Floats:
        """The encoder's states, frames x width."""
        return self._hidden[0]

    def adapted(self, adapter: Adapter, quiet: Voice | None = None) -> Voice:
        """The same utterance as the adapter makes the decoder hear it; `quiet`: its quieted copy, when there is one."""
        return AdaptedVoice(self, adapter, quiet or self)

    def forget(self) -> None:
        """Let go of the decoder's memory of the sound and the hypotheses; the states stay."""
        self._begun = None
        self._own, self._cross = [], []

    def first(self) -> Floats:
        """Log-probabilities (1 x pieces) of the first piece."""
        if self._begun is None:
            self._begun = self._begin()
        chances, self._own, self._cross = self._begun
        return chances

    def _begin(self) -> tuple[Floats, list[Floats], list[Floats]]:
        """The first chances, and the decoder's memory of the first piece and of the sound."""
        net, frames = self._net, self._hidden.shape[1]
        blank = np.zeros((1, net._heads, frames, net._width), dtype=np.float32)
        feed = self._sound() | dict.fromkeys(net._own, net.no_past()) | dict.fromkeys(net._cross, blank)
        feed |= {
            "input_ids": np.array([[BEGIN_TOKEN]], dtype=np.int64),
            "use_cache_branch": np.array([False]),
        }
        out = net._decoder.run(net._outputs + net._cross_outputs, feed)
        own, cross = out[1 : 1 + len(net._own)], out[1 + len(net._own) :]
        return log_softmax(out[0][:, -1, :]), own, cross

    def step(self, parents: npt.NDArray[np.int64], tokens: npt.NDArray[np.int64]) -> Floats:
        """Log-probabilities after each token, where row i goes on from row `parents[i]` of the step
        before."""
        net = self._net
        feed = self._sound() | dict(zip(net._cross, self._cross, strict=True))
        feed |= {name: cache[parents] for name, cache in zip(net._own, self._own, strict=True)}
        feed |= {"input_ids": tokens[:, None], "use_cache_branch": np.array([True])}
        out = net._decoder.run(net._outputs, feed)
        self._own = out[1:]
        return log_softmax(out[0][:, -1, :])

    def _sound(self) -> dict[str, npt.NDArray[np.generic]]:
        """The encoded sound. It stands there once, as a batch of one, and so do its keys and values: the network's
        products broadcast it over all hypotheses. Nor is any frame padding: the mask is one frame wide."""
        return {"encoder_attention_mask": np.ones((1, 1), dtype=np.int64), "encoder_hidden_states": self._hidden}


class AdaptedVoice(Voice):
    """An utterance whose sound the decoder remembers as an adapter makes it (`adapter.py`)."""

    def __init__(self, plain: Voice, adapter: Adapter, quiet: Voice) -> None:
        super().__init__(plain._net, plain._hidden)
        self._plain, self._adapter, self._quiet = plain, adapter, quiet

    def _begin(self) -> tuple[Floats, list[Floats], list[Floats]]:
        self._plain.first()
        frames = min(len(self.states), len(self._quiet.states))
        both = np.concatenate([self.states[:frames], self._quiet.states[:frames]], axis=1)
        self._cross = self._adapter.memory(self._plain._cross, both)
        self._own = [self._net.no_past()] * len(self._net._own)
        chances = self.step(np.zeros(1, dtype=np.int64), np.array([BEGIN_TOKEN], dtype=np.int64))
        return chances, self._own, self._cross
