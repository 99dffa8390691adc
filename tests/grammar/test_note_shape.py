"""The machine-readable note keeps its shape: other programs read these keys."""

from __future__ import annotations

import json
from typing import Any

import grammar

SAID = (
    "Complaint: foot drop. Last year he fell. Right knee jerk 2+. Left knee jerk absent. Plantar extensor. Zubric. "
    "Gait normal. Withdraw that. Follow my finger. Fundi not seen, small pupils."
)
NOTE = {
    "schema", "complaint", "findings", "slots", "queries", "unread", "withdrawn", "context", "asked", "transcript",
}  # fmt: skip
FINDING = {
    "item", "site", "side", "status", "grade", "descriptors", "qualifiers", "reason", "text", "start_char", "end_char",
    "start_s", "end_s", "confidence", "codes",
}  # fmt: skip
SLOT = {"item", "site", "side", "state", "required_by", "reason"}
SIDES = {"right", "left", "both", "none", "unstated"}
STATES = {"recorded", "recorded_by_summary", "not_examined", "side_unstated", "asked_no_result", "missing"}


def note() -> dict[str, Any]:
    """The note of `SAID` as JSON gives it."""
    read: dict[str, Any] = json.loads(grammar.parse(SAID).note.model_dump_json(by_alias=True))
    return read


def test_every_key_is_there_and_has_its_type() -> None:
    """The keys of the note and of all that is in it; `schema` is "1"."""
    read = note()
    assert set(read) >= NOTE
    assert read["schema"] == "1"
    assert read["transcript"] == SAID
    assert read["complaint"] == ["foot_drop"]
    assert read["asked"] == ["eye_movements"]
    assert all(isinstance(read[key], list) for key in NOTE - {"schema", "transcript"})
    assert all(set(finding) >= FINDING for finding in (*read["findings"], *read["withdrawn"]))
    assert all(set(slot) == SLOT for slot in read["slots"])
    assert all(set(query) >= {"kind", "message", "findings"} for query in read["queries"])
    spans = (*read["unread"], *read["context"])
    assert all(set(span) >= {"text", "start_char", "end_char"} for span in spans)
    codes = [code for finding in read["findings"] for code in finding["codes"]]
    assert codes
    assert all(set(code) >= {"system", "code", "display"} for code in codes)


def test_sides_states_and_indices_are_of_their_kinds() -> None:
    """Sides and states are the words agreed on; queries point at findings; offsets give the words back."""
    read = note()
    rows = (*read["findings"], *read["withdrawn"])
    assert {row["side"] for row in rows} == {"right", "left", "both", "none", "unstated"} == SIDES
    assert {slot["state"] for slot in read["slots"]} <= STATES
    assert {"recorded", "not_examined", "side_unstated", "asked_no_result", "missing"} <= {
        slot["state"] for slot in read["slots"]
    }
    assert {query["kind"] for query in read["queries"]} >= {"side_unstated", "asymmetry"}
    assert all(0 <= index < len(read["findings"]) for query in read["queries"] for index in query["findings"])
    assert [SAID[row["start_char"] : row["end_char"]] for row in rows] == [row["text"] for row in rows]
    for span in (*read["unread"], *read["context"]):
        assert SAID[span["start_char"] : span["end_char"]] == span["text"]


def test_typed_text_has_no_times_and_unread_words_stay() -> None:
    """Without sound times and confidence are null; a word that is not understood is in `unread`, history in context."""
    read = note()
    assert all(row["start_s"] is row["end_s"] is row["confidence"] is None for row in read["findings"])
    assert any("Zubric" in span["text"] for span in read["unread"])
    assert any("Last year" in span["text"] for span in read["context"])
    assert [row["item"] for row in read["withdrawn"]] == ["gait"]
    assert [row["reason"] for row in read["findings"] if row["item"] == "fundi"] == ["small pupils"]
    first = read["findings"][0]
    assert (first["item"], first["site"], first["side"], first["grade"]) == ("reflex", "knee", "right", "2+")
