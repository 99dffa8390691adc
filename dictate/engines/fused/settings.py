"""The numbers of the fused engine, read from data/fused.toml and checked; the file says where each comes
from."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources

from pydantic import BaseModel, ConfigDict, Field

from dictate.engines.fused.search import Weights


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class LanguageNumbers(_Table):
    """How the language model mixes its parts; see `language.py`."""

    escape: float = Field(gt=0, lt=1)
    strange: float = Field(lt=0)
    strange_letter: float = Field(ge=0)


class SearchNumbers(_Table):
    """The beam search; see `search.Weights`."""

    beam: int = Field(ge=1)
    tokens: int = Field(ge=1)
    language: float = Field(ge=0)
    word_bonus: float
    end_guard: float = Field(ge=0)
    prune: float = Field(gt=0)
    patience: float = Field(ge=0)

    def weights(self) -> Weights:
        """The same numbers as the search takes them."""
        return Weights(**self.model_dump())


class PhoneNumbers(_Table):
    """The third ear's search; see `phone_ear.py`."""

    language: float = Field(ge=0)
    """Weight of the trigram."""
    word_bonus: float
    prior: float = Field(ge=0, le=1)
    """Share of each phone's own frequency that is taken off, so that rare phones have a chance."""
    beam: int = Field(ge=1)
    tokens: int = Field(ge=1)
    threshold: float = Field(gt=0)
    temperature: float = Field(gt=0)
    """Divides the scores before the softmax over readings: frames lean on each other, so plain scores are too sure."""


class HintNumbers(_Table):
    """What a word that an ear heard adds to a reading."""

    second: float = Field(ge=0)
    third: float = Field(ge=0)

    def rows(self) -> tuple[float, float]:
        """Nats of the second ear's words and of the third's."""
        return self.second, self.third


class ChoiceNumbers(_Table):
    """Among which readings the grammar may choose; see `choice.py`."""

    close: float = Field(ge=0)
    """Nats behind the best."""
    most: int = Field(ge=1)


class ConfidenceNumbers(_Table):
    """Logistic regression of a word's being right; see `certainty.features`."""

    weights: tuple[float, float, float, float, float]
    alone: float = Field(gt=0, lt=1)
    """At most this for a word that the second ear did not hear."""
    beside: float = Field(gt=0, lt=1)
    """At most this beside words that only the second ear heard."""
    ear_sure: float = Field(gt=0, le=1)
    """The ear's own certainty from which a word that only it heard is missed."""


class AcceptanceNumbers(_Table):
    """Logistic regression of an utterance's being meant for the tool; see `acceptance.signs`."""

    weights: tuple[float, float, float, float, float, float, float, float]
    threshold: float = Field(gt=0, lt=1)
    curve: tuple[tuple[float, float, float, float], ...]
    """(threshold, share of true findings rejected on clean sound, in noise, share of other talk accepted)."""


class FusedNumbers(_Table):
    """Everything in fused.toml."""

    language: LanguageNumbers
    search: SearchNumbers
    partial: SearchNumbers
    phones: PhoneNumbers
    hints: HintNumbers
    choice: ChoiceNumbers
    confidence: ConfidenceNumbers
    acceptance: AcceptanceNumbers


@cache
def fused_settings() -> FusedNumbers:
    """The checked numbers."""
    text = (resources.files("dictate.engines.fused") / "data" / "fused.toml").read_text(encoding="utf-8")
    return FusedNumbers.model_validate(tomllib.loads(text))
