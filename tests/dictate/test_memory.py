"""Freed memory goes back to the system, and where that cannot be done nothing happens."""

import sys
from pathlib import Path

import pytest

from dictate import memory


def resident_mb():
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 2**20


@pytest.mark.skipif(memory._trim() is None or sys.platform != "linux", reason="this C library has no malloc_trim")
def test_holes_in_the_heap_are_given_back():
    blocks = [bytes(2000) for _ in range(50_000)]
    kept = blocks[::50]  # the heap cannot shrink from its end
    full = resident_mb()
    del blocks
    memory.give_back()
    assert resident_mb() < full - 40
    assert len(kept) == 1000


def test_without_it_nothing_happens(monkeypatch):
    monkeypatch.setattr(memory, "_trim", lambda: None)
    memory.give_back()
