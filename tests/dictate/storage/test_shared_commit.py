"""Audit entries of many threads: each is kept when its caller goes on, and a failed write reaches all it concerns."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import pytest

from dictate.storage import Store
from dictate.storage.shared_commit import AuditFacts, SharedCommit


def facts(name: str) -> AuditFacts:
    return (name, "draft", "draft 1", "accepted", "")


def at_once(count: int, act: Callable[[int], None]) -> list[BaseException | None]:
    """Run `act` in many threads at the same time; what each of them raised."""
    raised: list[BaseException | None] = [None] * count

    def one(number: int) -> None:
        try:
            act(number)
        except BaseException as error:
            raised[number] = error

    threads = [threading.Thread(target=one, args=(number,)) for number in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return raised


def test_who_waits_rides_along_and_nobody_goes_on_before_his_entry_is_kept() -> None:
    batches: list[list[str]] = []

    def write(entries: list[AuditFacts]) -> None:
        time.sleep(0.02)
        batches.append([entry[0] for entry in entries])

    log = SharedCommit(write)

    def add(number: int) -> None:
        log.add(facts(str(number)))
        assert any(str(number) in batch for batch in batches)

    assert at_once(20, add) == [None] * 20
    assert sorted(name for batch in batches for name in batch) == sorted(map(str, range(20)))
    assert len(batches) < 20


def test_a_failed_write_is_raised_to_everyone_in_it_and_to_nobody_else() -> None:
    kept: list[str] = []

    def write(entries: list[AuditFacts]) -> None:
        names = [entry[0] for entry in entries]
        if "bad" in names:
            raise OSError("no space")
        kept.extend(names)

    log = SharedCommit(write)
    log.add(facts("before"))
    with pytest.raises(OSError, match="no space"):
        log.add(facts("bad"))
    log.add(facts("after"))
    assert kept == ["before", "after"]


def test_entries_of_many_threads_make_one_whole_chain(store: Store) -> None:
    before = store.audit_report().entries
    assert at_once(16, lambda number: [store.log(*facts(f"{number}")) for _ in range(5)] and None) == [None] * 16
    report = store.audit_report()
    assert report.sound
    assert report.entries == before + 80
