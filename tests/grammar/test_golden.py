"""The golden dictations are read as labelled, but for a list of known failures that may only shrink.

`tests/tools/golden_baseline.py` explains the list. Known failures are strict: one that is right by now
must leave the list.
"""

from __future__ import annotations

import pytest

from tests.tools import golden_baseline as baseline


@pytest.mark.parametrize("file", baseline.files())
def test_a_golden_file_is_read_as_the_baseline_says(file: str) -> None:
    """No dictation is newly wrong, none that is listed has become right, and the F1 keeps its floor."""
    lines = baseline.differences(file, baseline.load())
    mend = "a repaired failure leaves the list with `python -m tests.tools.golden_baseline --shrink`"
    assert not lines, "\n".join([*lines, mend])


def test_the_baseline_names_only_dictations_that_exist() -> None:
    """An entry whose dictation is gone would hide nothing and is taken out."""
    known = {result["id"] for file in baseline.files() for result in baseline.results(file)}
    stored = baseline.load()
    assert set(stored["failing"]) <= known
    assert set(stored["marks"]) <= known
    assert set(stored["wrong_sides"]) <= set(stored["failing"])
    assert set(stored["floors"]) == set(baseline.files())


def test_the_lists_notice_a_new_failure_and_a_repaired_one() -> None:
    """The comparison itself can fail in both directions."""
    file = baseline.files()[0]
    stored = baseline.load()
    right = next(r["id"] for r in baseline.results(file) if r["id"] not in stored["failing"])
    listed = {**stored, "failing": {**stored["failing"], right: ["missed"]}}
    assert any("right by now" in line for line in baseline.differences(file, listed))
    wrong = next(name for name in stored["failing"])
    of_wrong = next(f for f in baseline.files() if any(r["id"] == wrong for r in baseline.results(f)))
    emptied = {**stored, "failing": {k: v for k, v in stored["failing"].items() if k != wrong}}
    assert any("newly wrong" in line for line in baseline.differences(of_wrong, emptied))
