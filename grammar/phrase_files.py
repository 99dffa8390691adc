"""The formats of the phrase files (data/phrases/*.toml), and their reader. data/README.md describes them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from grammar.data_files import toml_files, validate
from grammar.errors import DataError, Fault


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class ItemPhrase(_Data):
    """How an item is said. `sign` phrases assert its presence; `status` phrases carry their own result."""

    item: str | None = None
    items: tuple[str, ...] = ()
    site: str | None = None
    sites: tuple[str, ...] = ()
    alt: str | None = None
    one: tuple[str, ...] = ()
    many: tuple[str, ...] = ()
    any: tuple[str, ...] = ()
    sign: tuple[str, ...] = ()
    is_sign: bool = False
    is_test: bool = False
    descriptor: str | None = None
    descriptors: tuple[str, ...] = ()
    status: Literal["normal", "abnormal", "equivocal"] | None = None
    side: Literal["right", "left", "both", "none", "unstated"] | None = None
    heading: bool = False
    needs: Literal["standing", "plantar", "neck", "modality"] | None = None


class SitePhrase(_Data):
    """How a place of the body is said."""

    area: str | None = None
    areas: tuple[str, ...] = ()
    side: Literal["right", "left"] | None = None
    one: tuple[str, ...] = ()
    many: tuple[str, ...] = ()
    any: tuple[str, ...] = ()
    midline: bool = False
    needs: Literal["sensation", "bulk"] | None = None


class ResultPhrase(_Data):
    """How a result is said, for which items or kinds of item it holds, and what it means."""

    status: Literal["normal", "abnormal", "equivocal", "not_examined"]
    say: tuple[str, ...]
    items: tuple[str, ...] = ()
    kinds: tuple[Literal["function", "sign", "test"], ...] = ()
    descriptor: str | None = None
    grade: str | None = None
    midline: bool = False
    soft: bool = False
    weak: bool = False
    needs_side: bool = False
    qualifies: bool = False
    test_only: bool = False
    lead: bool = False


class InstructionPhrase(_Data):
    """What is said to the patient; `asks` is the item (or item:site) that is then under way."""

    say: tuple[str, ...]
    asks: str | None = None
    weak: tuple[str, ...] = ()


class SteerPhrase(_Data):
    """A station or heading phrase."""

    id: str
    say: tuple[str, ...]


class PhraseFile(_Data):
    """Everything a phrase file may hold; each built-in file uses some of it."""

    phrase: tuple[ItemPhrase, ...] = ()
    site: tuple[SitePhrase, ...] = ()
    result: tuple[ResultPhrase, ...] = ()
    instruction: tuple[InstructionPhrase, ...] = ()
    station: tuple[SteerPhrase, ...] = ()
    heading: tuple[SteerPhrase, ...] = ()
    side: dict[Literal["right", "left", "both", "other", "same"], tuple[str, ...]] = Field(default_factory=dict)
    negation: dict[Literal["before", "hedged"], tuple[str, ...]] = Field(default_factory=dict)
    uncertain: dict[Literal["before", "weak"], tuple[str, ...]] = Field(default_factory=dict)
    severity: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    severity_kept: dict[Literal["words"], tuple[str, ...]] = Field(default_factory=dict)
    compare: dict[Literal["worse", "than", "than_left"], tuple[str, ...]] = Field(default_factory=dict)
    join: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    repair: dict[Literal["strong", "soft", "side"], tuple[str, ...]] = Field(default_factory=dict)
    number: dict[Literal["units", "counting"], tuple[str, ...]] = Field(default_factory=dict)
    filler: dict[Literal["words", "strangers"], tuple[str, ...]] = Field(default_factory=dict)
    small: dict[Literal["words"], tuple[str, ...]] = Field(default_factory=dict)
    history: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    relative: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    plan: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    praise: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    question: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    pair_order: dict[Literal["right_left", "left_right"], tuple[str, ...]] = Field(default_factory=dict)
    complaint: dict[str, Any] = Field(default_factory=dict)
    addon: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    control: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    spelling: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    numbers: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    fractions: dict[str, int] = Field(default_factory=dict)
    signs: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    roman: dict[str, int] = Field(default_factory=dict)
    sounds: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    alike: dict[Literal["read", "meant"], tuple[str, ...]] = Field(default_factory=dict)


def load_files(extra: Iterable[Path] = ()) -> list[tuple[str, PhraseFile]]:
    """Every phrase file, validated. Raises DataError with all faults of all files."""
    faults: list[Fault] = []
    files = []
    for name, data in toml_files("phrases", extra):
        built = validate(PhraseFile, data, name, "file", faults)
        if built is not None:
            files.append((name, built))
    if faults:
        raise DataError(faults)
    return files
