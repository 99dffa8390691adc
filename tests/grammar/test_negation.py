"""Scopes over marked phrases: cues reach as NegEx and ConText say, and no further."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from grammar import negation
from grammar.errors import DataError
from grammar.negation import judge
from tests.bench import negex

CASES = [
    # said, with each marked phrase in square brackets; polarity, time, person of each
    ("No [fever].", ["negated recent patient"]),
    ("No [fever], [chills] or [cough].", ["negated recent patient"] * 3),
    ("No [fever] but [cough].", ["negated recent patient", "affirmed recent patient"]),
    ("Denies [headache]. Has [neck pain].", ["negated recent patient", "affirmed recent patient"]),
    ("[Tremor] was not seen.", ["negated recent patient"]),
    ("[Clonus] is absent, [tone] increased.", ["negated recent patient", "affirmed recent patient"]),
    ("No change in the [weakness].", ["affirmed recent patient"]),
    ("Cannot rule out [stroke].", ["possible recent patient"]),
    ("[Stroke] cannot be excluded.", ["possible recent patient"]),
    ("Rule out [meningitis].", ["possible recent patient"]),
    ("[Meningitis] was ruled out.", ["negated recent patient"]),
    ("Not consistent with [dissection].", ["negated recent patient"]),
    ("History of [seizures], presents with [ataxia].", [
        "affirmed historical patient", "affirmed recent patient",
    ]),
    ("No history of [seizures].", ["negated historical patient"]),
    ("Two-day history of [vertigo].", ["affirmed recent patient"]),
    ("History of present illness: [vertigo].", ["affirmed recent patient"]),
    ("Return if [weakness] develops.", ["affirmed hypothetical patient"]),
    ("If she has [numbness], come back; otherwise fine.", ["affirmed hypothetical patient"]),
    ("Her mother had a [tremor].", ["affirmed recent other"]),
    ("Family history of [ataxia]; personal history of [polyps].", [
        "affirmed historical other", "affirmed historical patient",
    ]),
    ("His wife reports [tremor].", ["affirmed recent patient"]),
    ("The scan (no [bleed]) shows an [infarct].", ["negated recent patient", "affirmed recent patient"]),
    ("NO [CLONUS]", ["negated recent patient"]),
    ("He doesn’t have [ptosis].", ["negated recent patient"]),
    ("Gram negative [meningitis].", ["affirmed recent patient"]),
    ("Dr. Hill saw no [tremor].", ["negated recent patient"]),
    ("No pain\n[tremor]", ["affirmed recent patient"]),
    ("[tremor]", ["affirmed recent patient"]),
]  # fmt: skip


def marked(said: str) -> tuple[str, list[tuple[int, int]]]:
    """The text without its brackets, and where the marked phrases stand in it."""
    spans, shift = [], 0
    for match in re.finditer(r"\[(.*?)\]", said):
        spans.append((match.start() - shift, match.end() - shift - 2))
        shift += 2
    return said.replace("[", "").replace("]", ""), spans


@pytest.mark.parametrize(("said", "want"), CASES, ids=[case[0] for case in CASES])
def test_a_cue_reaches_as_far_as_the_papers_say(said: str, want: list[str]) -> None:
    """Polarity, time and person of each marked phrase."""
    text, spans = marked(said)
    assert [f"{a.polarity} {a.time} {a.person}" for a in judge(text, spans)] == want


def test_the_cues_name_the_words_that_decided() -> None:
    """Each cue is a stretch of the text."""
    text, spans = marked("No history of [seizures].")
    cues = {cue.kind: cue for cue in judge(text, spans)[0].cues}
    assert cues["negation"].words == "No history of"
    assert cues["historical"].words == "history of"
    for cue in cues.values():
        assert text[cue.start_char : cue.end_char] == cue.words


@pytest.mark.parametrize("text", ["", " ", "...", "\u2028", "x" * 10_000])
def test_any_text_and_any_span_is_judged(text: str) -> None:
    """Empty text, spans outside it and spans of nothing are affirmed, recent, the patient's."""
    for span in ((0, 0), (0, len(text)), (5, 3), (len(text), len(text) + 9)):
        assert judge(text, [span])[0].polarity == "affirmed"


def test_the_published_set_is_read_at_least_as_well_as_promised() -> None:
    """All rows, and the half whose errors were never read; no class is lost."""
    cases = list(negex.rows())
    assert len(cases) == 2376
    held_out = [row for row in cases if row.number % 2]
    for part in (cases, held_out):
        scores = negex.score(part, negex.ours)
        assert scores["negated"].f1 >= 0.96
        assert scores["hypothetical"].f1 >= 0.88
        assert scores["historical"].f1 >= 0.65


def test_faults_of_the_cue_file_are_all_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An unknown key and a wrong type are both reported, with file and entry."""
    (tmp_path / "rules").mkdir()
    text = "[negation]\nbefor = ['no']\n[possible]\nreach = 'far'\n"
    text += "[historical]\n[hypothetical]\n[other_person]\n"
    (tmp_path / "rules" / "negation.toml").write_text(text, encoding="utf-8")
    monkeypatch.setattr(negation, "DATA", tmp_path)
    negation.scopes.cache_clear()
    try:
        with pytest.raises(DataError) as raised:
            negation.scopes()
    finally:
        negation.scopes.cache_clear()
    message = str(raised.value)
    assert "rules/negation.toml" in message
    assert "negation.befor" in message
    assert "possible.reach" in message
