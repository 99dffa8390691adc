"""Templates: choices and lists are replaced, the draw repeats itself, every word is known."""

from __future__ import annotations

import random
import re

import pytest

from dictate.engines.templates import _read, expand, joined_sentences, template_sentences, template_words
from dictate.errors import EngineError


@pytest.mark.parametrize(
    ("template", "possible"),
    [
        ("[left|right] knee", {"left knee", "right knee"}),
        ("{side} knee", {"left knee", "right knee"}),
        (
            "[the|] {side} {jerk}",
            {
                f"{the}{side} {jerk}"
                for the in ("", "the ")
                for side in ("left", "right")
                for jerk in ("knee jerk", "ankle")
            },
        ),
        ("plain", {"plain"}),
    ],
)
def test_a_template_becomes_each_of_its_sentences(template, possible) -> None:
    lists = {"side": ["left", "right"], "jerk": ["knee [jerk]", "ankle"]}
    assert {expand(template, lists, random.Random(seed)) for seed in range(60)} == possible


def test_the_draw_is_the_same_every_time_and_speaks_plain_words() -> None:
    first = list(template_sentences(share=0.01))
    assert first == list(template_sentences(share=0.01))
    assert all(re.fullmatch(r"[a-z']+( [a-z']+)*", sentence) for sentence in first)
    assert {word for sentence in first for word in sentence.split()} <= template_words()
    assert 0.5 < len(list(joined_sentences(0.01))) / len(first) < 0.8


def test_an_unknown_list_is_a_fault() -> None:
    with pytest.raises(KeyError):
        expand("{nothing}", {}, random.Random(1))


def test_files_share_their_lists_but_name_none_twice(tmp_path) -> None:
    one, other = tmp_path / "one.toml", tmp_path / "other.toml"
    one.write_text('[lists]\nside = ["left"]\n[[group]]\nweight = 1\nsays = ["knee"]\n')
    other.write_text('[lists]\nlimb = ["arm"]\n[[group]]\nweight = 1\nsays = ["{side} {limb}"]\n')
    lists, groups = _read((one, other))
    assert lists == {"side": ["left"], "limb": ["arm"]}
    assert [group["says"] for group in groups] == [["knee"], ["{side} {limb}"]]
    with pytest.raises(EngineError, match="second time: side"):
        _read((one, one))
