"""Trains the network of phones (dictate/engines/fused/phones.py) on synthetic voices and recorded prompts, in noise.

    python -m tests.tools.train_phones speak FOLDER [--voices a,b] [--each N]   sentences of the examination, spoken
    python -m tests.tools.train_phones lay FOLDER                               which phone sounds when
    python -m tests.tools.train_phones spoil FOLDER [--draws N] [--part K/N]    noise, and what the encoder makes of it
    python -m tests.tools.train_phones train FOLDER OUT.npz [--epochs N]        the network (needs torch)

Each step goes on where it stopped. Truth is PocketSphinx's forced alignment of the known words on the clean sound,
in frames of 10 ms; the network learns the phone at the middle of each frame of the encoder (24 ms), from the
encoder's states of the spoiled sound and of its quieted copy. Held out from training, for the benches: the voices
flite-awb and kokoro-jf_alpha and the first `BENCH_PROMPTS` recorded prompts. Seeds are fixed; speech
synthesisers, and with them the weights, may differ a little between machines.
"""

from __future__ import annotations

import argparse
import hashlib
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import soundfile
import soxr

from dictate.engines.fused.ear import PRE_ROLL, quiet_copy
from dictate.engines.fused.phones import FRAME_SAMPLES, MIDDLE_SAMPLES, PHONES, WINDOWS
from dictate.events import SAMPLE_RATE_HZ, Samples

VOICES = ("flite-rms", "flite-slt", "flite-kal16", "festival-slt", "kokoro-jf_gongitsune", "kokoro-jf_tebukuro")
HUMAN = "human"
BENCH_PROMPTS = 300
LEAD_S, TAIL_S = 0.45, 0.3
SPEEDS = (0.88, 0.94, 1.0, 1.06, 1.14)
"""Played faster or slower, a voice is another one: pitch and formants move with it."""
RATIOS_DB = (4, 22)
MOST_WORDS = 16
STRANGE_SHARE = 0.12
"""So many sentences are a row of everyday words: sounds in orders that examinations do not have."""

HELD_OUT = 0.04
BATCH, RATE, NO_FRAME = 16, 2e-3, 255

Floats = npt.NDArray[np.float32]


def sentences(voice: str, count: int) -> list[str]:
    """What a voice says: drawn from the language of examinations, and rows of everyday words."""
    from dictate.engines.corpus import training_sentences
    from dictate.engines.fused.build import everyday_words

    chance = random.Random(f"phones {voice}")
    said = [line for line in training_sentences() if 2 <= len(line.split()) <= MOST_WORDS]
    everyday = [word for word in everyday_words() if word.isalpha() and len(word) > 1]
    strange = int(count * STRANGE_SHARE)
    rows = [" ".join(chance.sample(everyday, chance.randint(4, 9))) for _ in range(strange)]
    found = chance.sample(said, count - strange) + rows
    chance.shuffle(found)
    return found


def speak_all(folder: Path, voices: list[str], each: int) -> None:
    """Write FOLDER/spoken/VOICE-N.flac and its words beside it."""
    from tests.tools.voices import speak

    target = folder / "spoken"
    target.mkdir(parents=True, exist_ok=True)
    for voice in voices:
        for number, text in enumerate(sentences(voice, each)):
            path = target / f"{voice}-{number:04d}.flac"
            if path.exists():
                continue
            sound = speak(text, voice, pause_s=(0.05, 0.06), exact_words=True).samples
            chance = random.Random(path.stem)
            _keep(path, text, _faster(sound[int(0.5 * SAMPLE_RATE_HZ) :], chance.choice(SPEEDS)))


def copy_prompts(folder: Path) -> None:
    """The recorded prompts that the benches do not use, with the words that the network reads in them."""
    from dictate.engines.fused.net import Net
    from dictate.engines.fused.search import free_words, freely
    from dictate.engines.lexicon import pronounce
    from tests.bench.speech_sets import PROMPTS, prompt

    files = [path for path in sorted(PROMPTS.rglob("*.g722")) if path.stat().st_size > 8_000 * 0.8]
    files = [path for path in files if "silence" not in path.parts]
    random.Random(5).shuffle(files)
    net = Net()
    (folder / "spoken").mkdir(parents=True, exist_ok=True)
    for number, file in enumerate(files[BENCH_PROMPTS:]):
        path = folder / "spoken" / f"{HUMAN}-{number:04d}.flac"
        sound = prompt(file)
        if path.exists() or not 0.8 < len(sound) / SAMPLE_RATE_HZ < 9:
            continue
        words = free_words(freely(net.listen(sound), net.pieces, len(sound) / SAMPLE_RATE_HZ))
        if words and len(pronounce(words)) == len(set(words)):
            _keep(path, " ".join(words), sound)


def _keep(path: Path, text: str, sound: Samples) -> None:
    lead, tail = (np.zeros(int(seconds * SAMPLE_RATE_HZ), dtype=np.int16) for seconds in (LEAD_S, TAIL_S))
    path.with_suffix(".txt").write_text(text, encoding="utf-8")
    soundfile.write(path, np.concatenate([lead, sound, tail]), SAMPLE_RATE_HZ)


def _faster(sound: Samples, speed: float) -> Samples:
    if speed == 1.0:
        return sound
    return np.asarray(soxr.resample(sound.astype(np.float32), SAMPLE_RATE_HZ * speed, SAMPLE_RATE_HZ), dtype=np.int16)


def lay_all(folder: Path) -> None:
    """Write FOLDER/spoken/*.npy: for each 10 ms the number of the phone that sounds (0: none)."""
    import pocketsphinx

    from dictate.engines.guess import guess
    from dictate.engines.lexicon import pronounce

    decoder: Any = pocketsphinx.Decoder(lm=None, loglevel="FATAL", beam=1e-100, pbeam=1e-100, wbeam=1e-80)
    numbers = {phone: number for number, phone in enumerate(PHONES)}
    done = lost = 0
    for path in sorted((folder / "spoken").glob("*.flac")):
        out = path.with_suffix(".npy")
        if out.exists():
            continue
        words = path.with_suffix(".txt").read_text(encoding="utf-8").split()
        ways = pronounce(words)
        for word in words:
            for at, phones in enumerate(ways.get(word) or guess(word) or ()):
                name = word if at == 0 else f"{word}({at + 1})"
                if decoder.lookup_word(name) is None:
                    decoder.add_word(name, " ".join(phones), True)
        sound = soundfile.read(path, dtype="int16")[0]
        row = _laid(decoder, " ".join(words), sound, numbers)
        if row is None:
            lost += 1
            continue
        np.save(out, row)
        done += 1
    print(f"{done} laid, {lost} could not be")


def _laid(decoder: Any, text: str, sound: Samples, numbers: dict[str, int]) -> npt.NDArray[np.uint8] | None:
    raw = sound.tobytes()
    try:
        decoder.set_align_text(text)
        for again in (False, True):
            if again:
                decoder.set_alignment()
            decoder.start_utt()
            try:
                decoder.process_raw(raw, full_utt=True)
            finally:
                decoder.end_utt()
        row = np.zeros(len(sound) * 100 // SAMPLE_RATE_HZ + 1, dtype=np.uint8)
        for word in decoder.get_alignment():
            for phone in word:
                row[phone.start : phone.start + phone.duration] = numbers.get(phone.name, 0)
    except (RuntimeError, ValueError, TypeError):
        return None
    return row if row.any() else None


def spoil_all(folder: Path, draws: int, part: tuple[int, int]) -> None:
    """Write FOLDER/states/*.npz: the encoder's states of spoiled sound and of its quieted copy, and the phones."""
    from dictate.engines.fused.net import Net

    net = Net()
    (folder / "states").mkdir(exist_ok=True)
    laid = sorted((folder / "spoken").glob("*.npy"), key=lambda path: hashlib.md5(path.stem.encode()).digest())
    talk = [soundfile.read(path.with_suffix(".flac"), dtype="int16")[0] for path in laid[:: max(1, len(laid) // 40)]]
    for draw in range(draws):
        for number, path in enumerate(laid):
            out = folder / "states" / f"{path.stem}.{draw}.npz"
            if number % part[1] != part[0] or out.exists():
                continue
            chance = random.Random(out.stem)
            clean = soundfile.read(path.with_suffix(".flac"), dtype="int16")[0]
            sound = spoiled(clean, chance, talk, kind=None if draw else "pink")
            states = both_states(net, sound)
            np.savez(out, states=states.astype(np.float16), phones=at_frames(np.load(path), len(states)))


def spoiled(clean: Samples, chance: random.Random, talk: list[Samples], kind: str | None) -> Samples:
    """The sound as a room may give it: quieter, in noise of a random kind and level, in a reverberant room."""
    from tests.tools.noises import add_noise, babble, pink, room, white

    kind = kind or chance.choice(("clean", "pink", "pink", "white", "babble", "babble", "room"))
    seed, ratio = chance.randrange(1 << 30), chance.uniform(*RATIOS_DB)
    if kind in ("pink", "white"):
        sound = add_noise(clean, {"pink": pink, "white": white}[kind](len(clean), seed), ratio)
    elif kind == "babble":
        sound = add_noise(clean, babble(len(clean), chance.sample(talk, chance.randint(3, 6)), seed), ratio)
    else:
        sound = room(clean, chance.uniform(0.2, 0.6), seed) if kind == "room" else clean
    return np.asarray(sound.astype(np.float32) * chance.uniform(0.35, 1.0), dtype=np.int16)


def both_states(net: Any, sound: Samples) -> Floats:
    """The encoder's states of the sound and of its quieted copy, side by side."""
    states = net.listen(sound).states
    quiet = quiet_copy(sound, sound[:PRE_ROLL])
    other = states if quiet is None else net.listen(quiet).states
    frames = min(len(states), len(other))
    return np.concatenate([states[:frames], other[:frames]], axis=1)


def at_frames(row: npt.NDArray[np.uint8], frames: int) -> npt.NDArray[np.uint8]:
    """The phone at the middle of each frame of the encoder."""
    places = (MIDDLE_SAMPLES + FRAME_SAMPLES * np.arange(frames)) * 100 // SAMPLE_RATE_HZ
    return row[np.minimum(places, len(row) - 1)]


def train_net(folder: Path, out: Path, epochs: int) -> None:
    """Train with torch and write the weights as 16-bit numbers, after each epoch."""
    files = sorted((folder / "states").glob("*.npz"))
    data = {path: _loaded(path) for path in files}
    held = [path for path in files if share_of(path.stem) < HELD_OUT]
    kept = [path for path in files if share_of(path.stem) >= HELD_OUT]
    print(
        f"{len(kept)} recordings, {sum(len(data[path][1]) for path in kept)} frames; {len(held)} held out", flush=True
    )
    training = _Training(data, kept, epochs)
    for epoch in range(epochs):
        loss = training.epoch()
        print(f"epoch {epoch + 1}: loss {loss:.3f}, right of the held out {training.right(held):.3f}", flush=True)
        np.savez(out, **training.arrays())


class _Training:
    """The network while it learns: cross-entropy per frame, some states hidden, the rate of one cycle."""

    def __init__(self, data: dict[Path, tuple[Any, Any]], kept: list[Path], epochs: int) -> None:
        import torch
        from torch import nn

        torch.manual_seed(1)
        torch.set_num_threads(2)
        self.torch, self.data, self.kept, self.chance = torch, data, kept, random.Random(2)
        some = np.concatenate([data[path][0] for path in kept[::7]]).astype(np.float32)
        self.mean, self.deviation = some.mean(axis=0), some.std(axis=0) + 1e-3
        self.layers: list[Any] = []
        width = len(self.mean)
        for window, distance, size in WINDOWS:
            reach = distance * (window // 2)
            self.layers.append(nn.Conv1d(width, size, window, dilation=distance, padding=reach))
            width = size
        self.layers.append(nn.Conv1d(width, len(PHONES), 1))
        self.drop, self.loss = nn.Dropout(0.15), nn.CrossEntropyLoss(ignore_index=NO_FRAME, label_smoothing=0.05)
        self.weights = [weight for layer in self.layers for weight in layer.parameters()]
        self.optimiser = torch.optim.AdamW(self.weights, lr=RATE, weight_decay=0.02)
        steps = epochs * (len(kept) // BATCH) + 1
        self.rate = torch.optim.lr_scheduler.OneCycleLR(self.optimiser, RATE, total_steps=steps, pct_start=0.15)

    def run(self, states: Any, *, learning: bool) -> Any:
        """Scores of the phones, as `PhoneNet.read` makes them."""
        for number, layer in enumerate(self.layers[:-1]):
            new = self.torch.relu(layer(self.drop(states) if learning else states))
            states = new + states if number and new.shape == states.shape else new
        return self.layers[-1](self.drop(states) if learning else states)

    def batch(self, paths: list[Path]) -> tuple[Any, Any]:
        """States (recordings x width x frames) and phones (recordings x frames), filled up to the longest."""
        longest = max(len(self.data[path][1]) for path in paths)
        states = np.zeros((len(paths), len(self.mean), longest), dtype=np.float32)
        phones = np.full((len(paths), longest), NO_FRAME, dtype=np.int64)
        for row, path in enumerate(paths):
            one, two = self.data[path]
            states[row, :, : len(two)] = ((one.astype(np.float32) - self.mean) / self.deviation).T
            phones[row, : len(two)] = two
        return self.torch.from_numpy(states), self.torch.from_numpy(phones)

    def epoch(self) -> float:
        """Learn from every recording once; the mean loss."""
        total, batches = 0.0, batches_of(self.kept, lambda path: len(self.data[path][1]), self.chance)
        for paths in batches:
            states, phones = self.batch(paths)
            self._hide(states)
            loss = self.loss(self.run(states, learning=True), phones)
            self.optimiser.zero_grad()
            loss.backward()
            self.torch.nn.utils.clip_grad_norm_(self.weights, 5.0)
            self.optimiser.step()
            self.rate.step()
            total += float(loss.detach())
        return total / max(1, len(batches))

    def _hide(self, states: Any) -> None:
        """A stretch of time and a band of the states of each recording are set to their mean."""
        for row in states:
            begin, band = self.chance.randrange(row.shape[1]), self.chance.randrange(row.shape[0])
            row[:, begin : begin + self.chance.randrange(1, 12)] = 0.0
            row[band : band + self.chance.randrange(1, 60)] = 0.0

    def right(self, paths: list[Path]) -> float:
        """Share of the frames whose likeliest phone is right."""
        right = said = 0
        with self.torch.no_grad():
            for at in range(0, len(paths), BATCH):
                states, phones = self.batch(paths[at : at + BATCH])
                best, real = self.run(states, learning=False).argmax(1), phones != NO_FRAME
                said, right = said + int(real.sum()), right + int(((best == phones) & real).sum())
        return right / max(1, said)

    def arrays(self) -> dict[str, Any]:
        """What data/phones.npz holds."""
        share = np.bincount(np.concatenate([self.data[path][1] for path in self.kept]), minlength=len(PHONES))
        prior = np.log(share / share.sum() + 1e-6)
        found = {"mean": self.mean, "deviation": self.deviation, "prior": prior}
        for number, layer in enumerate(self.layers):
            found |= {f"weight{number}": layer.weight.detach().numpy(), f"bias{number}": layer.bias.detach().numpy()}
        return {name: array.astype(np.float16) for name, array in found.items()}


Name = TypeVar("Name")


def batches_of(kept: list[Name], length: Callable[[Name], int], chance: random.Random) -> list[list[Name]]:
    """The recordings in a new order, those of about one length together, so that little is filled up."""
    chance.shuffle(kept)
    found = []
    for at in range(0, len(kept), 16 * BATCH):
        near = sorted(kept[at : at + 16 * BATCH], key=length)
        found += [near[first : first + BATCH] for first in range(0, len(near) // BATCH * BATCH, BATCH)]
    chance.shuffle(found)
    return found


def share_of(name: str) -> float:
    """A number from 0 to 1 that is the same for every draw NAME.N of a recording."""
    return int(hashlib.md5(name.rsplit(".", 1)[0].encode()).hexdigest()[:8], 16) / 2**32


def _loaded(path: Path) -> tuple[Any, Any]:
    with np.load(path) as stored:
        return stored["states"], stored["phones"]


def main() -> None:
    """Read the options and do the step."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("step", choices=("speak", "lay", "spoil", "train"))
    options.add_argument("folder", type=Path)
    options.add_argument("out", type=Path, nargs="?")
    options.add_argument("--voices", default=",".join((*VOICES, HUMAN)))
    options.add_argument("--each", type=int, default=300)
    options.add_argument("--draws", type=int, default=3)
    options.add_argument("--part", default="0/1")
    options.add_argument("--epochs", type=int, default=12)
    chosen = options.parse_args()
    if chosen.step == "speak":
        voices = chosen.voices.split(",")
        speak_all(chosen.folder, [voice for voice in voices if voice != HUMAN], chosen.each)
        if HUMAN in voices:
            copy_prompts(chosen.folder)
    elif chosen.step == "lay":
        lay_all(chosen.folder)
    elif chosen.step == "spoil":
        first, last = chosen.part.split("/")
        spoil_all(chosen.folder, chosen.draws, (int(first), int(last)))
    else:
        train_net(chosen.folder, chosen.out or options.error("train needs OUT.npz"), chosen.epochs)


if __name__ == "__main__":
    main()
