"""Text of every encoding is read; what is no text gives one sentence."""

import io

import pytest

from dictate.errors import InputError
from dictate.reading import read_text

TEXT = "Plantars ↓↓, réflexes 2+ – fine"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-32"])
def test_encodings(tmp_path, encoding: str) -> None:
    path = tmp_path / "note.txt"
    path.write_bytes(TEXT.encode(encoding))
    assert read_text(str(path)) == TEXT


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_utf_16_without_a_mark(tmp_path, encoding: str) -> None:
    path = tmp_path / "note.txt"
    path.write_bytes("right knee jerk two plus\n".encode(encoding))
    assert read_text(str(path)) == "right knee jerk two plus\n"


def test_windows_text(tmp_path) -> None:
    path = tmp_path / "note.txt"
    path.write_bytes("réflexes – normal".encode("cp1252"))
    assert read_text(str(path)) == "réflexes – normal"


def test_standard_input(monkeypatch) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(b"knee jerk")))
    assert read_text("-") == "knee jerk"


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b" \n\t ", "is empty"),
        (bytes(range(256)) * 20, "is not text"),
        (b"RIFF\x24\x00\x00\x00WAVEfmt " + bytes(200), "hear it with `dictate hear`"),
        (bytes(500), "is not text"),
    ],
)
def test_no_text(tmp_path, content: bytes, said: str) -> None:
    path = tmp_path / "x.txt"
    path.write_bytes(content)
    with pytest.raises(InputError, match=said) as caught:
        read_text(str(path))
    assert "\n" not in str(caught.value)


def test_missing_and_folder(tmp_path) -> None:
    with pytest.raises(InputError, match="cannot be opened"):
        read_text(str(tmp_path / "no.txt"))
    with pytest.raises(InputError, match="is a folder"):
        read_text(str(tmp_path))


def test_ten_megabytes_are_read_whole(tmp_path) -> None:
    path = tmp_path / "long.txt"
    path.write_text("right knee jerk two plus. " * 400_000)
    assert len(read_text(str(path))) == 26 * 400_000
