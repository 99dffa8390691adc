"""Sound that is clipped or too quiet is named in the note itself, by the whole path from file to note."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from dictate.engines.scripted_engine import ScriptedEngine
from dictate.hearing import hear_file

SPOKEN = Path(__file__).parent / "data" / "five_phrases.flac"


@pytest.mark.parametrize(("gain", "said"), [(1.0, ""), (20.0, "clipped"), (0.03, "very quiet")])
def test_the_note_names_what_is_wrong_with_the_sound(tmp_path: Path, gain: float, said: str) -> None:
    sound, rate_hz = soundfile.read(SPOKEN, dtype="float64")
    path = tmp_path / "visit.wav"
    soundfile.write(path, np.clip(sound * gain, -1.0, 1.0), rate_hz)
    heard = hear_file(path, engine=ScriptedEngine(["right ankle jerk absent"] * 9))
    remarks = [query.message for query in heard.note.queries if query.kind == "sound"]
    assert [said in remark for remark in remarks] == ([True] if said else [])
    assert heard.note.findings
