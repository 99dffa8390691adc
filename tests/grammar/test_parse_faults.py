"""A fault of our own code costs at most the sentence or utterance it is in: that is unread, with a query."""

from __future__ import annotations

import gc
import importlib

import pytest

from grammar import parse
from grammar.reader import Reader

MODULE = importlib.import_module("grammar.parse")


def broken(*_: object, **__: object) -> None:
    raise RuntimeError("a fault put there by this test")


def test_a_fault_in_finding_phrases_leaves_the_utterance_unread(monkeypatch: pytest.MonkeyPatch) -> None:
    before = parse("right knee jerk brisk")
    monkeypatch.setattr(MODULE, "STRICT", False)
    with monkeypatch.context() as patch:
        patch.setattr(MODULE, "find", broken)
        hurt = parse("left plantar extensor", context=before.context)
    after = parse("left ankle jerk absent", context=hurt.context).note
    assert [(f.item, f.side) for f in after.findings] == [("reflex", "right"), ("reflex", "left")]
    assert [piece.text for piece in after.unread] == ["left plantar extensor"]
    assert "not_read" in {query.kind for query in after.queries}


def test_a_fault_in_reading_a_sentence_leaves_it_unread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(MODULE, "STRICT", False)
    monkeypatch.setattr(Reader, "sentence", broken)
    note = parse("left plantar extensor").note
    assert note.findings == ()
    assert [piece.text for piece in note.unread] == ["left plantar extensor"]
    assert "not_read" in {query.kind for query in note.queries}


@pytest.mark.parametrize("running", [True, False])
def test_reading_makes_no_cycles_and_leaves_the_collector_as_it_was(*, running: bool) -> None:
    said = "right knee jerk brisk, sorry, left. no tremor. power four out of five in both arms, the rest normal."
    parse(said)
    gc.collect()
    (gc.enable if running else gc.disable)()
    try:
        parse(said)
        assert gc.isenabled() is running
        assert gc.collect() == 0
    finally:
        gc.enable()
