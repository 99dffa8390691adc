"""Vosk model folders: found, described, installed from a folder or zip, faults in one sentence."""

import zipfile
from pathlib import Path

import pytest

from dictate.engines.model_files import add_model, describe, find_models
from dictate.errors import EngineError, InputError


def make_model(folder: Path, *, lookahead: bool = True) -> Path:
    (folder / "am").mkdir(parents=True)
    (folder / "am" / "final.mdl").write_bytes(b"x" * 1000)
    (folder / "graph").mkdir()
    (folder / "graph" / ("HCLr.fst" if lookahead else "HCLG.fst")).write_bytes(b"y")
    return folder


@pytest.mark.parametrize("lookahead", [True, False])
def test_describe(tmp_path, lookahead: bool) -> None:
    model = describe(make_model(tmp_path / "small", lookahead=lookahead))
    assert (model.name, model.accepts_phrases) == ("small", lookahead)


def test_a_folder_around_the_model_is_seen_through(tmp_path) -> None:
    make_model(tmp_path / "outer" / "inner")
    assert describe(tmp_path / "outer").name == "inner"


def test_add_zip_then_find(tmp_path) -> None:
    make_model(tmp_path / "en")
    packed = tmp_path / "en.zip"
    with zipfile.ZipFile(packed, "w") as file:
        for path in sorted((tmp_path / "en").rglob("*")):
            file.write(path, path.relative_to(tmp_path))
    models = tmp_path / "models"
    assert add_model(packed, models).path == models / "en"
    assert [model.name for model in find_models(models)] == ["en"]
    with pytest.raises(InputError, match="already"):
        add_model(packed, models)
    assert [path.name for path in models.iterdir()] == ["en"]


def test_add_folder_keeps_the_source(tmp_path) -> None:
    source = make_model(tmp_path / "en")
    add_model(source, tmp_path / "models")
    assert source.is_dir()


def test_configured_model_comes_first_and_once(tmp_path) -> None:
    make_model(tmp_path / "models" / "a")
    b = make_model(tmp_path / "models" / "b")
    assert [model.name for model in find_models(tmp_path / "models", b)] == ["b", "a"]


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda path: None, "does not exist"),
        (lambda path: path.write_bytes(b"no zip"), "neither a folder nor a whole zip"),
        (lambda path: path.mkdir(), "holds no Vosk model"),
    ],
)
def test_bad_sources(tmp_path, make, said: str) -> None:
    make(tmp_path / "source")
    with pytest.raises(InputError, match=said):
        add_model(tmp_path / "source", tmp_path / "models")
    assert not any((tmp_path / "models").glob("*"))


def test_a_zip_may_not_write_outside_itself(tmp_path) -> None:
    packed = tmp_path / "evil.zip"
    with zipfile.ZipFile(packed, "w") as file:
        file.writestr("../../outside", "x")
    with pytest.raises(InputError, match="outside itself"):
        add_model(packed, tmp_path / "models")


@pytest.mark.parametrize("name", ["missing", "."])
def test_describe_faults(tmp_path, name: str) -> None:
    with pytest.raises(EngineError):
        describe(tmp_path / name)
