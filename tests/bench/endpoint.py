"""How well utterances are cut: neural detector alone, energy alone, both; clean, in noise, among talkers.

`python -m tests.bench.endpoint` prints, for each condition: phrases found as one piece, pieces in all
(true count beside), phrases whose edge was cut, and the delay from the true end of a phrase to the decision.
"""

from __future__ import annotations

from statistics import median

from rich.console import Console
from rich.table import Table

from dictate.audio.endpoint import Began, Ended, Endpointer
from dictate.events import SAMPLE_RATE_HZ, AudioChunk, Samples
from dictate.settings import SoundSettings
from tests.tools.noises import add_noise, babble, pink, room, white
from tests.tools.voices import Spoken, speak

TEXT = """Romberg negative. Tandem gait normal. Heel walking weak on the right. No pronator drift.
Finger nose accurate. Tone normal. No supinator catch. Visual fields full. Pupils equal and reactive.
Tongue midline. Fundi normal. Biceps two plus. Triceps two plus. Right knee jerk three plus. Left knee
jerk two plus. Ankle jerks absent. Plantar flexor on the right. Extensor on the left. Hopping not tested.
No nystagmus."""
OTHER = "The ferry leaves at nine and comes back before dark, so bring a coat, some bread, and coins for tea."
TALKERS = ("flite-awb", "flite-kal16", "flite-rms", "festival-slt", "flite-slt")
JUDGES = {
    "neural alone": SoundSettings(over_floor_db=0.0),
    "energy alone": SoundSettings(speech_probability=0.0001),
    "both": SoundSettings(),
}


Pieces = list[tuple[float, float, float]]


def conditions(spoken: Spoken) -> dict[str, Samples]:
    """The recording undisturbed and disturbed."""
    talkers = [speak(OTHER, voice, pause_s=(0.1, 0.3)).samples for voice in TALKERS]
    size = len(spoken.samples)
    return {
        "clean": spoken.samples,
        "room": room(spoken.samples),
        "white 10 dB": add_noise(spoken.samples, white(size), 10),
        "pink 20 dB": add_noise(spoken.samples, pink(size), 20),
        "pink 10 dB": add_noise(spoken.samples, pink(size), 10),
        "pink 5 dB": add_noise(spoken.samples, pink(size), 5),
        "babble 20 dB": add_noise(spoken.samples, babble(size, talkers), 20),
        "babble 10 dB": add_noise(spoken.samples, babble(size, talkers), 10),
    }


def cut(samples: Samples, settings: SoundSettings) -> Pieces:
    """(start_s, end_s of speech, time of the decision) of every utterance."""
    endpointer = Endpointer(settings)
    found = []
    start_s = 0.0
    for at in range(0, len(samples), 1600):
        chunk = AudioChunk(samples[at : at + 1600], at / SAMPLE_RATE_HZ)
        for mark in endpointer.feed(chunk):
            if isinstance(mark, Began):
                start_s = mark.start_s
            elif isinstance(mark, Ended):
                found.append((start_s, mark.end_s, chunk.end_s))
    end_s = len(samples) / SAMPLE_RATE_HZ
    found += [(start_s, mark.end_s, end_s) for mark in endpointer.flush() if isinstance(mark, Ended)]
    return found


def judge_cuts(spoken: Spoken, found: Pieces, tail_s: float) -> tuple[int, int, list[float]]:
    """Phrases that are one piece of their own, how many of them lost an edge, and the delays in seconds."""
    whole, cuts, delays = 0, 0, []
    for _, begin, end in spoken.phrases:
        touching = [piece for piece in found if piece[0] < end and piece[1] > begin]
        if len(touching) != 1:
            continue
        start_s, end_s, decided_s = touching[0]
        if sum(other_begin < end_s and other_end > start_s for _, other_begin, other_end in spoken.phrases) == 1:
            whole += 1
            cuts += start_s > begin or end_s + tail_s < end
            delays.append(decided_s - end)
    return whole, cuts, delays


def main() -> None:
    """Print the table."""
    table = Table(title="Cutting sound into utterances")
    for name in ("voice", "condition", "judge", "whole", "pieces", "edges cut", "delay s"):
        table.add_column(name)
    for voice in ("flite-rms", "flite-slt"):
        spoken = speak(TEXT.replace("\n", " "), voice, pause_s=(0.8, 0.8))
        for condition, samples in conditions(spoken).items():
            for judge, settings in JUDGES.items():
                found = cut(samples, settings)
                whole, cuts, delays = judge_cuts(spoken, found, settings.tail_s)
                table.add_row(
                    voice,
                    condition,
                    judge,
                    f"{whole}/{len(spoken.phrases)}",
                    str(len(found)),
                    str(cuts),
                    f"{median(delays):.2f}" if delays else "-",
                )
    Console(width=110).print(table)


if __name__ == "__main__":
    main()
