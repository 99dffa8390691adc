"""The journal: whole lines, torn lines left out, nothing lost on a full disk."""

import errno
import json
import os

import pytest

from dictate.events import FinalText, Word
from dictate.live import journal
from dictate.live.journal import Journal

SAID = FinalText(
    (Word("left", 1.25, 1.5, 0.98765432101, ("lift",)), Word("plantar", 1.5, 2.0625, 1.0)),
    1.0,
    2.25,
    False,
    ("quiet",),
)


def test_entries_are_numbered_and_read_back_in_order(tmp_path):
    log = Journal(tmp_path / "j.jsonl", now=lambda: "2026-01-02T03:04:05.000+00:00")
    log.append("opened", complaint=["foot_drop"])
    log.append("partial", start_s=1.0, text="no drift")
    log.append("closed", draft="3", sync=True)
    log.close()
    text = journal.read(tmp_path / "j.jsonl")
    assert [entry["n"] for entry in text.entries] == [1, 2, 3]
    assert text.opened["complaint"] == ["foot_drop"]
    assert text.closed
    assert text.torn == 0


def test_an_utterance_comes_back_exactly(tmp_path):
    log = Journal(tmp_path / "j.jsonl")
    log.append("utterance", **journal.utterance_facts(SAID))
    log.close()
    assert journal.utterance_of(journal.read(tmp_path / "j.jsonl").entries[0]) == SAID


def test_entries_are_in_the_file_at_once(tmp_path):
    log = Journal(tmp_path / "j.jsonl")
    log.append("partial", text="x")
    assert len(journal.read(tmp_path / "j.jsonl").entries) == 1


@pytest.mark.parametrize("cut", range(1, 60, 7))
def test_a_torn_last_line_is_left_out_and_later_lines_are_whole(tmp_path, cut):
    path = tmp_path / "j.jsonl"
    log = Journal(path)
    log.append("opened")
    log.append("partial", text="the words that were being written when the power went")
    log.close()
    path.write_bytes(path.read_bytes()[:-cut])
    again = Journal(path)
    again.append("closed")
    again.close()
    text = journal.read(path)
    assert [entry["kind"] for entry in text.entries] in (
        ["opened", "closed"],
        ["opened", "partial", "closed"],
    )
    assert text.torn == (1 if len(text.entries) == 2 else 0)
    assert len({entry["n"] for entry in text.entries}) == len(text.entries)


def test_blocks_of_zeros_after_a_power_cut_are_no_entries(tmp_path):
    path = tmp_path / "j.jsonl"
    log = Journal(path)
    log.append("opened")
    log.close()
    path.write_bytes(path.read_bytes() + bytes(4096))
    assert [entry["kind"] for entry in journal.read(path).entries] == ["opened"]
    assert journal.read(path).torn == 0


def test_line_breaks_and_any_script_stay_inside_one_line(tmp_path):
    log = Journal(tmp_path / "j.jsonl")
    log.append("typed", text="a\nb\u2028c \u0645\u0631\u062d\u0628\u0627 \U0001f9e0")
    log.close()
    lines = (tmp_path / "j.jsonl").read_bytes().splitlines()
    assert len(lines) == 1
    assert json.loads(lines[0])["text"] == "a\nb\u2028c \u0645\u0631\u062d\u0628\u0627 \U0001f9e0"


def test_a_full_disk_makes_lines_wait_and_they_follow_in_order(tmp_path, monkeypatch):
    log = Journal(tmp_path / "j.jsonl")
    log.append("opened")
    real_write = os.write
    written = []

    def nearly_full(fd, data):
        if written:
            raise OSError(errno.ENOSPC, "No space left on device")
        written.append(1)
        return real_write(fd, bytes(data)[:5])

    monkeypatch.setattr(os, "write", nearly_full)
    log.append("partial", text="one")
    log.append("partial", text="two")
    assert log.problem == "No space left on device"
    assert journal.read(tmp_path / "j.jsonl").torn == 1
    monkeypatch.setattr(os, "write", real_write)
    assert log.drain(sync=True)
    log.close()
    text = journal.read(tmp_path / "j.jsonl")
    assert [entry.get("text") for entry in text.entries] == [None, "one", "two"]
    assert text.torn == 0
