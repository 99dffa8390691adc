"""A file is written whole or not at all."""

from pathlib import Path

import pytest

from dictate.errors import InputError
from dictate.output import write_whole


def test_written_whole(tmp_path) -> None:
    out = tmp_path / "note.txt"
    write_whole(out, "one\n")
    write_whole(out, "two\n")
    assert out.read_text() == "two\n"
    assert [path.name for path in tmp_path.iterdir()] == ["note.txt"]


def test_a_failed_write_keeps_the_old_file(tmp_path, monkeypatch) -> None:
    out = tmp_path / "note.txt"
    write_whole(out, "old\n")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("dictate.output.os.fsync", full)
    with pytest.raises(InputError, match="No space left on device"):
        write_whole(out, "new\n")
    assert out.read_text() == "old\n"
    assert [path.name for path in tmp_path.iterdir()] == ["note.txt"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_full_device_gives_a_sentence() -> None:
    with pytest.raises(InputError, match=r"/dev/full cannot be written"):
        write_whole(Path("/dev/full"), "note\n")


def test_no_such_folder(tmp_path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write_whole(tmp_path / "no" / "note.txt", "x")
