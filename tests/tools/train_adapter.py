"""Trains the neural recogniser's adapter (dictate/engines/fused/adapter.py) on synthetic voices and recorded prompts.

    python -m tests.tools.train_adapter speak FOLDER [--plan VOICE:FROM:TO,...]   examinations, spoken, spoiled, encoded
    python -m tests.tools.train_adapter train OUT.npz FOLDER... [--epochs N] [--begin FILE]   the adapter (torch, onnx)

`speak` draws sentences from the language of examinations and rows of everyday words, speaks them with changed pitch and
tempo (sox), puts noise or a room on them, and keeps what the encoder makes of it: FOLDER/NAME.txt and, for each draw of
noise, FOLDER/NAME.N.npz. `train` also takes a folder of `train_phones` (spoken/ and states/). The recogniser's own
weights are not changed: the cross-entropy of its decoder for the words that were said is carried back through the
decoder, rebuilt here in torch from the model file, to the adapter alone. Held out, for the benches, are the voices and
prompts that `train_phones` holds out.
"""

from __future__ import annotations

import argparse
import itertools
import random
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile

from dictate.engines.fused.adapter import DISTANCES, PREFIX, WIDTH, WINDOW
from dictate.engines.fused.net import DECODER, TABLE, Net, model_folder
from dictate.engines.fused.pieces import BEGIN_TOKEN, END_TOKEN, SPACE_MARK, read_pieces
from dictate.events import SAMPLE_RATE_HZ, Samples
from tests.tools.train_phones import BATCH, HELD_OUT, STRANGE_SHARE, batches_of, both_states, share_of, spoiled

PLAN = "flite-rms:0:450,flite-slt:0:450,flite-kal16:0:450,festival-slt:0:200,kokoro-blend:0:100"
BLENDED, SHARE = ("jf_gongitsune", "jf_tebukuro"), (-0.35, 1.35)
OWN_SOUNDS = 0.6
"""So often the voice says our pronunciations of our words, else its own guess of them."""
MOST_WORDS, LONGEST_S, DRAWS = 20, 12.0, 2
JOINED = 0.45
"""Chance that one more sentence follows in the same breath."""
PITCH_CENTS, TEMPO = 300, (0.85, 1.25)
LEAD_S, TAIL_S = (0.25, 0.9), (0.15, 0.5)
LONGEST_FRAMES = 500
RATE, SMOOTHING, NO_PIECE = 1e-3, 0.02, -1
LAYERS, HEADS, HEAD, TURNED = 6, 8, 36, 32
"""The decoder's layers, heads, numbers a head, and how many of these the rotary embedding turns."""

Floats = npt.NDArray[np.float32]


def speak_all(folder: Path, plan: list[tuple[str, int, int]]) -> None:
    """Write FOLDER/NAME.txt and FOLDER/NAME.N.npz; goes on where it stopped."""
    from dictate.engines.corpus import training_sentences
    from dictate.engines.fused.build import everyday_words
    from tests.tools.voices import blend, speak

    folder.mkdir(parents=True, exist_ok=True)
    lines = [line for line in training_sentences() if len(line.split()) <= MOST_WORDS]
    everyday = [word for word in everyday_words() if word.isalpha() and len(word) > 1]
    talk = [speak(" ".join(everyday[at : at + 40]), "flite-slt").samples for at in range(0, 1_200, 40)]
    net, todo = Net(), [(voice, number) for voice, first, last in plan for number in range(first, last)]
    random.Random(7).shuffle(todo)
    for voice, number in todo:
        name, chance = f"{voice}-m{number:04d}", random.Random(f"more {voice} {number}")
        if (folder / f"{name}.{DRAWS - 1}.npz").exists():
            continue
        text = _text(lines, everyday, chance)
        if voice == "kokoro-blend":
            blend(*BLENDED, chance.uniform(*SHARE))
        sound = speak(text, voice, pause_s=(0.05, 0.06), exact_words=chance.random() < OWN_SOUNDS).samples
        clean = _with_silence(_changed(sound, chance), chance)
        if len(clean) > LONGEST_S * SAMPLE_RATE_HZ:
            continue
        (folder / f"{name}.txt").write_text(text, encoding="utf-8")
        for draw in range(DRAWS):
            states = both_states(net, spoiled(clean, chance, talk, kind=None))
            np.savez(folder / f"{name}.{draw}.npz", states=states.astype(np.float16))


def _text(lines: list[str], everyday: list[str], chance: random.Random) -> str:
    if chance.random() < STRANGE_SHARE:
        return " ".join(chance.sample(everyday, chance.randint(4, 9)))
    text = chance.choice(lines)
    while chance.random() < JOINED and len(text.split()) < MOST_WORDS * 2 // 3:
        text += " " + chance.choice(lines)
    return text


def _changed(sound: Samples, chance: random.Random) -> Samples:
    """The sound with another pitch and tempo, so that one voice is several."""
    pitch, tempo = chance.randint(-PITCH_CENTS, PITCH_CENTS), chance.uniform(*TEMPO)
    with tempfile.TemporaryDirectory() as folder:
        one, other = Path(folder) / "one.wav", Path(folder) / "other.wav"
        soundfile.write(one, sound[SAMPLE_RATE_HZ // 2 :], SAMPLE_RATE_HZ)  # the voice begins after half a second
        change = ["gain", "-6", "pitch", str(pitch), "tempo", "-s", f"{tempo:.2f}"]
        subprocess.run(["sox", one, "-b", "16", "-r", str(SAMPLE_RATE_HZ), other, *change], check=True)
        return np.asarray(soundfile.read(other, dtype="int16")[0])


def _with_silence(sound: Samples, chance: random.Random) -> Samples:
    lead, tail = (np.zeros(int(chance.uniform(*span) * SAMPLE_RATE_HZ), dtype=np.int16) for span in (LEAD_S, TAIL_S))
    return np.concatenate([lead, sound, tail])


def spelling(written: tuple[str, ...]) -> Callable[[str], list[int]]:
    """Turns words into the pieces that the network would write: byte-pair encoding, the lowest number merges first
    (Sennrich R, Haddow B, Birch A. Proc ACL 2016;1:1715)."""
    numbers: dict[str, int] = {}
    for number, piece in enumerate(written):
        if len(piece) == 1 or piece not in numbers:  # single letters also stand among the bytes at the beginning
            numbers[piece] = number

    def spell(word: str) -> list[int]:
        parts = [SPACE_MARK, *word] if word != "." else [word]
        while len(parts) > 1:
            merged = [one + other for one, other in itertools.pairwise(parts)]
            lowest = min(range(len(merged)), key=lambda at: numbers.get(merged[at], len(written)))
            if merged[lowest] not in numbers:
                break
            parts[lowest : lowest + 2] = [merged[lowest]]
        return [numbers[part] for part in parts]

    def sentence(text: str) -> list[int]:
        words = text.split()
        words[0] = words[0][0].upper() + words[0][1:]
        return [piece for word in (*words, ".") for piece in spell(word)] + [END_TOKEN]

    return sentence


def decoder_weights() -> dict[str, Floats]:
    """The decoder's matrices and vectors by the names of its layers, from the model file of the package."""
    import onnx
    import onnxruntime
    from onnx import numpy_helper

    with tempfile.TemporaryDirectory() as folder:
        options = onnxruntime.SessionOptions()
        options.optimized_model_filepath = str(Path(folder) / "decoder.onnx")
        options.add_session_config_entry("session.save_model_format", "ONNX")
        options.graph_optimization_level = onnxruntime.GraphOptimizationLevel.ORT_DISABLE_ALL
        onnxruntime.InferenceSession(str(model_folder() / DECODER), options, providers=["CPUExecutionProvider"])
        graph = onnx.load(options.optimized_model_filepath).graph
    branch = next(
        attribute.g
        for node in graph.node
        if node.op_type == "If"
        for attribute in node.attribute
        if attribute.name == "else_branch"
    )
    stored = {tensor.name: numpy_helper.to_array(tensor) for tensor in (*graph.initializer, *branch.initializer)}

    def plain(quantised: str) -> Floats:
        base = quantised.removesuffix("_quantized")
        zero = stored[base + "_zero_point"].astype(np.float32)
        return np.asarray((stored[quantised].astype(np.float32) - zero) * stored[base + "_scale"], dtype=np.float32)

    found = {"embed": plain("model.decoder.embed_tokens.weight_merged_0_quantized")}
    for node in branch.node:
        name = node.name.removeprefix("/").removeprefix("model/decoder/")
        if node.op_type in ("MatMulIntegerToFloat", "DynamicQuantizeMatMul"):
            found[name.removesuffix("/MatMul_quant")] = plain(node.input[1])
        elif node.op_type == "LayerNormalization":
            found[name.removesuffix("/LayerNormalization")] = stored[node.input[1]]
    biases = {name: array for name, array in stored.items() if ".bias" in name}
    return found | {
        name.removeprefix("model.decoder.").removesuffix("_merged_0").replace(".mlp.", "/mlp/"): array
        for name, array in biases.items()
    }


class _Training:
    """The adapter while it learns, in front of the frozen decoder."""

    def __init__(self, data: dict[str, tuple[Any, list[int]]], kept: list[str], epochs: int, threads: int) -> None:
        import torch
        from torch import nn

        torch.manual_seed(1)
        torch.set_num_threads(threads)
        self.torch, self.data, self.kept, self.chance = torch, data, kept, random.Random(2)
        some = np.concatenate([data[name][0] for name in kept[::9]]).astype(np.float32)
        self.mean, self.deviation = some.mean(axis=0), some.std(axis=0) + 1e-3
        self.fixed = {name: torch.from_numpy(array.copy()) for name, array in decoder_weights().items()}
        turns = 1.0 / 10_000.0 ** (np.arange(0, TURNED, 2) / TURNED)
        self.turns = torch.from_numpy(turns.astype(np.float32))
        states = HEADS * HEAD
        self.layers: list[Any] = [nn.Conv1d(len(self.mean), WIDTH, 1)]
        for distance in DISTANCES:
            reach = distance * (WINDOW // 2)
            self.layers.append(nn.Conv1d(WIDTH, WIDTH, WINDOW, dilation=distance, padding=reach))
        self.out = nn.Linear(WIDTH, 2 * LAYERS * states)
        nn.init.zeros_(self.out.weight)
        nn.init.zeros_(self.out.bias)
        self.prefix = nn.Parameter(torch.randn(2 * LAYERS, PREFIX, states) * 0.02)
        self.drop = nn.Dropout(0.1)
        self.learnt = [self.prefix, *(weight for layer in (*self.layers, self.out) for weight in layer.parameters())]
        self.optimiser = torch.optim.AdamW(self.learnt, lr=RATE, weight_decay=0.01)
        steps = epochs * (len(kept) // BATCH) + epochs + 1
        self.rate = torch.optim.lr_scheduler.OneCycleLR(self.optimiser, RATE, total_steps=steps, pct_start=0.1)

    def begin(self, stored: dict[str, Any]) -> None:
        """Go on from weights of an earlier training (mean and deviation too: they belong to the weights)."""
        self.mean, self.deviation = (stored[name].astype(np.float32) for name in ("mean", "deviation"))
        pairs = [(self.prefix, stored["prefix"])]
        for number, layer in enumerate((*self.layers, self.out)):
            pairs += [(layer.weight, stored[f"weight{number}"]), (layer.bias, stored[f"bias{number}"])]
        for weight, array in pairs:
            weight.data = self.torch.from_numpy(array.astype(np.float32))

    def changes(self, inputs: Any) -> Any:
        """recordings x frames x (2 layers) x states, as `Adapter.changes` makes them."""
        now = inputs
        for number, layer in enumerate(self.layers):
            new = self.torch.relu(layer(self.drop(now)))
            now = new + now if number else new
        return self.out(self.drop(now).transpose(1, 2)).unflatten(-1, (2 * LAYERS, HEADS * HEAD))

    def run(self, raw: Any, inputs: Any, real: Any, said: Any) -> Any:
        """The decoder's last states (recordings x pieces x states), each piece knowing those before it."""
        norm, scaled, cat = (
            self.torch.nn.functional.layer_norm,
            self.torch.nn.functional.scaled_dot_product_attention,
            self.torch.cat,
        )
        fixed, changes, count = self.fixed, self.changes(inputs), len(raw)
        always = self.torch.ones(count, PREFIX, dtype=self.torch.bool)
        mask = cat([always, real], 1)[:, None, None, :]
        now = fixed["embed"][said]
        for layer in range(LAYERS):
            at = f"layers.{layer}/"
            states = norm(now, (HEADS * HEAD,), fixed[f"{at}input_layernorm"])
            query, key, value = (self._heads(states @ fixed[f"{at}self_attn/{name}_proj"]) for name in "qkv")
            seen = scaled(self._turned(query), self._turned(key), value, is_causal=True)
            now = now + self._flat(seen) @ fixed[f"{at}self_attn/o_proj"]
            states = norm(now, (HEADS * HEAD,), fixed[f"{at}post_attention_layernorm"])
            query = self._heads(states @ fixed[f"{at}encoder_attn/q_proj"])
            heard = []
            for kind, name in enumerate("kv"):
                own = raw @ fixed[f"{at}encoder_attn/{name}_proj"] + changes[:, :, 2 * layer + kind]
                heard.append(self._heads(cat([self.prefix[2 * layer + kind].expand(count, -1, -1), own], 1)))
            now = now + self._flat(scaled(query, *heard, attn_mask=mask)) @ fixed[f"{at}encoder_attn/o_proj"]
            states = norm(now, (HEADS * HEAD,), fixed[f"{at}final_layernorm"])
            inner, gate = (states @ fixed[f"{at}mlp/fc1"] + fixed[f"layers.{layer}/mlp/fc1.bias"]).chunk(2, -1)
            inner = self.torch.nn.functional.silu(gate) * inner
            now = now + inner @ fixed[f"{at}mlp/fc2"] + fixed[f"layers.{layer}/mlp/fc2.bias"]
        return norm(now, (HEADS * HEAD,), fixed["norm"])

    @staticmethod
    def _heads(states: Any) -> Any:
        return states.unflatten(-1, (HEADS, HEAD)).transpose(1, 2)

    @staticmethod
    def _flat(heads: Any) -> Any:
        return heads.transpose(1, 2).flatten(-2)

    def _turned(self, heads: Any) -> Any:
        """Rotary position embedding of the first numbers of each head (Su J, et al. arXiv:2104.09864)."""
        angle = self.torch.arange(heads.shape[2]).float()[:, None] * self.turns[None]
        cosine, sine = angle.cos(), angle.sin()
        one, other = heads[..., 0:TURNED:2], heads[..., 1:TURNED:2]
        turned = self.torch.stack([one * cosine - other * sine, other * cosine + one * sine], -1).flatten(-2)
        return self.torch.cat([turned, heads[..., TURNED:]], -1)

    def batch(self, names: list[str], *, learning: bool) -> tuple[Any, ...]:
        """Raw states, standardised states, which frames are real, the pieces said before, and those to come."""
        frames = max(len(self.data[name][0]) for name in names)
        length = max(len(self.data[name][1]) for name in names)
        states = np.zeros((len(names), frames, len(self.mean)), dtype=np.float32)
        real = np.zeros((len(names), frames), dtype=bool)
        said = np.full((len(names), length), END_TOKEN)
        coming = np.full((len(names), length), NO_PIECE)
        for row, name in enumerate(names):
            own, pieces = self.data[name]
            states[row, : len(own)], real[row, : len(own)] = own, True
            said[row, : len(pieces)], coming[row, : len(pieces)] = [BEGIN_TOKEN, *pieces[:-1]], pieces
        inputs = ((states - self.mean) / self.deviation * real[:, :, None]).transpose(0, 2, 1)
        raw = states[:, :, : HEADS * HEAD].copy()
        if learning:
            for row in range(len(names)):
                begin = self.chance.randrange(frames)
                inputs[row, :, begin : begin + self.chance.randrange(1, 10)] = 0.0
                if self.chance.random() < 0.5:
                    raw[row, begin : begin + 3] = 0.0
        arrays = (raw, np.ascontiguousarray(inputs), real, said, coming)
        return tuple(self.torch.from_numpy(array) for array in arrays)

    def epoch(self) -> float:
        """Learn from every recording once; the mean loss."""
        self.drop.train()
        total, batches = 0.0, batches_of(self.kept, lambda name: len(self.data[name][0]), self.chance)
        for names in batches:
            *given, coming = self.batch(names, learning=True)
            wanted = coming != NO_PIECE
            scores = self.run(*given)[wanted] @ self.fixed["proj_out"]
            loss = self.torch.nn.functional.cross_entropy(scores, coming[wanted], label_smoothing=SMOOTHING)
            self.optimiser.zero_grad()
            loss.backward()
            self.torch.nn.utils.clip_grad_norm_(self.learnt, 1.0)
            self.optimiser.step()
            self.rate.step()
            total += float(loss.detach())
        return total / max(1, len(batches))

    def right(self, names: list[str]) -> float:
        """Share of the pieces that are the likeliest after the right ones before them."""
        self.drop.eval()
        right = all_pieces = 0
        with self.torch.no_grad():
            for at in range(0, len(names), BATCH):
                *given, coming = self.batch(names[at : at + BATCH], learning=False)
                wanted = coming != NO_PIECE
                best = (self.run(*given)[wanted] @ self.fixed["proj_out"]).argmax(1)
                right, all_pieces = right + int((best == coming[wanted]).sum()), all_pieces + len(best)
        return right / max(1, all_pieces)

    def arrays(self) -> dict[str, Any]:
        """What data/adapter.npz holds."""
        found = {"mean": self.mean, "deviation": self.deviation, "prefix": self.prefix.detach().numpy()}
        for number, layer in enumerate((*self.layers, self.out)):
            found |= {f"weight{number}": layer.weight.detach().numpy(), f"bias{number}": layer.bias.detach().numpy()}
        return {name: array.astype(np.float16) for name, array in found.items()}


def recordings(folders: list[Path]) -> dict[str, tuple[Any, list[int]]]:
    """name -> (states, pieces)."""
    spell = spelling(read_pieces(model_folder() / TABLE).written)
    found = {}
    for folder in folders:
        texts, states = (folder / "spoken", folder / "states") if (folder / "states").is_dir() else (folder, folder)
        for path in sorted(states.glob("*.npz")):
            with np.load(path) as stored:
                own = stored["states"]
            text = (texts / f"{path.stem.rsplit('.', 1)[0]}.txt").read_text(encoding="utf-8")
            if len(own) <= LONGEST_FRAMES:
                found[path.stem] = (own, spell(text))
    return found


def train(folders: list[Path], out: Path, epochs: int, threads: int, begin: Path | None) -> None:
    """Train with torch, from the weights of `begin`, and write the weights as 16-bit numbers, after each epoch."""
    data = recordings(folders)
    held = [name for name in data if share_of(name) < HELD_OUT]
    kept = [name for name in data if share_of(name) >= HELD_OUT]
    training = _Training(data, kept, epochs, threads)
    if begin is not None:
        training.begin(dict(np.load(begin)))
    print(f"{len(kept)} recordings; {len(held)} held out, right of these {training.right(held):.3f}", flush=True)
    for epoch in range(epochs):
        began = time.perf_counter()
        loss = training.epoch()
        np.savez_compressed(out, **training.arrays())
        right, spent = training.right(held), time.perf_counter() - began
        print(f"epoch {epoch + 1}: loss {loss:.3f}, right of the held out {right:.3f}, {spent:.0f} s", flush=True)


def main() -> None:
    """Read the options and do the step."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("step", choices=("speak", "train"))
    options.add_argument("target", type=Path)
    options.add_argument("folders", type=Path, nargs="*")
    options.add_argument("--plan", default=PLAN)
    options.add_argument("--epochs", type=int, default=4)
    options.add_argument("--begin", type=Path)
    options.add_argument("--threads", type=int, default=2)
    chosen = options.parse_args()
    if chosen.step == "speak":
        parts = [part.split(":") for part in chosen.plan.split(",")]
        speak_all(chosen.target, [(voice, int(first), int(last)) for voice, first, last in parts])
    else:
        train(
            chosen.folders or options.error("train needs folders"),
            chosen.target,
            chosen.epochs,
            chosen.threads,
            chosen.begin,
        )


if __name__ == "__main__":
    main()
