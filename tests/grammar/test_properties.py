"""Properties of the whole parse that hold for any text: random text, known phrases in any order, dictations.

What is meant by "words for a side": a finding is right or left only if a word of that side (a side word, a
place that carries it such as "RUE", a typed right/left order, "the other side" once a side was named) stands
in the transcript before the finding's end. Mirroring says it more strictly: a dictation with every right and
left exchanged gives the same findings with right and left exchanged.
"""

from __future__ import annotations

import json
import random
import re
import sys
from collections import Counter
from functools import cache
from pathlib import Path
from types import FrameType
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

import grammar
from grammar.models import Note
from grammar.pipeline import pipeline

GOLDEN = Path(__file__).resolve().parents[1] / "cases" / "golden"
KINDS = {"finding", "command", "instruction", "context", "unread"}
quick = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)


@cache
def golden() -> tuple[dict[str, Any], ...]:
    """Every golden dictation."""
    return tuple(
        json.loads(line)
        for path in sorted(GOLDEN.glob("*.jsonl"))
        for line in path.read_text(encoding="utf-8").splitlines()
        if line
    )


@cache
def vocabulary() -> tuple[str, ...]:
    """Words and phrases of the grammar's own data: what random dictations are made of."""
    phrases = sorted(lexeme.text for lexeme in pipeline().by_key.values())
    return tuple(random.Random(7).sample(phrases, 900))


def meaning(note: Note) -> list[tuple[Any, ...]]:
    """The findings without their places in the text, in a fixed order."""
    return sorted(
        (
            f.item,
            f.site or "",
            f.side,
            f.status,
            f.grade or "",
            tuple(sorted(f.descriptors)),
            f.qualifiers,
        )
        for f in note.findings
    )


def check_note(note: Note, text: str) -> None:
    """What every note of every text must satisfy."""
    assert note.transcript == text
    at = 0
    for span in note.cover:
        assert span.start_char == at < span.end_char, "each character is in exactly one span"
        assert span.kind in KINDS
        at = span.end_char
    assert at == len(text)
    for span in (*note.unread, *note.context):
        assert text[span.start_char : span.end_char] == span.text
    items = grammar.catalogue().items
    for found in (*note.findings, *note.withdrawn):
        assert text[found.start_char : found.end_char] == found.text
        assert found.spans, "a finding exists only because words said it"
        assert found.item in items
        assert found.site is None or found.site in items[found.item].sites
        for low, high in found.spans:
            assert found.start_char <= low < high <= found.end_char
    for query in note.queries:
        assert all(0 <= index < len(note.findings) for index in query.findings)
        assert query.settle, "every query says what would settle it"
    check_sides(note, text)


CARVED = ("except", "other than", "apart from", "but", "than", "worse")
_PLAIN = r"\b(?:{0}\w*|{1}|{1}t|{1}[ul][el])\b|\bo{2}\b"
SIDE_WORDS = {
    "right": re.compile(_PLAIN.format("right", "r", "d"), re.IGNORECASE),
    "left": re.compile(_PLAIN.format("left", "l", "s"), re.IGNORECASE),
}
OTHER = re.compile(r"\b(?:other|opposite|contralateral\w*|crossed|equal\w*)\b", re.IGNORECASE)


def check_sides(note: Note, text: str) -> None:
    """No finding is right or left without a word for that side before its end."""
    for found in note.findings:
        if found.side not in SIDE_WORDS:
            continue
        before = text[: found.end_char]
        if SIDE_WORDS[found.side].search(before):
            continue
        named = {"right": "left", "left": "right"}[found.side]
        carved = OTHER.search(before) or any(word in before.lower() for word in CARVED)
        meant = SIDE_WORDS[named].search(before) and carved
        assert meant, f"{found.item} is {found.side}, but nothing said so in {before!r}"


# ---- random text ---------------------------------------------------------------------------------

ODD = [
    *(
        "\x00",
        "\x85",
        "\u2028",
        "\ufeff",
        "\u200d",
        "🙂",
        "👩‍👩‍👧",
        "ﬁ",
        "İ",
        "ß",
        "²",
        "½",
        "①",
        "٣",
        "e\u0301",
        "\ufffd",
    ),
]
odd_text = st.lists(st.one_of(st.text(max_size=12), st.sampled_from(ODD)), max_size=12).map("".join)


@st.composite
def dictations(draw: st.DrawFn) -> str:
    """Phrases of the grammar in any order, with marks, numbers and foreign matter between them."""
    piece = st.one_of(
        st.sampled_from(vocabulary()),
        st.sampled_from(["2+", "4/5", "five", "plus", "four minus", "no", "right", "left", "both", "and", "sorry"]),
        st.sampled_from([",", ".", ";", ":", "\n", "?", "but", "except", "withdraw that", "otherwise"]),
        odd_text,
    )
    return " ".join(draw(st.lists(piece, max_size=24)))


@quick
@given(odd_text)
@example("\ud800 right knee jerk 2+")
@example("9" * 5000)
@example("right " * 3000)
@example("/" * 2000)
@example("x" * 200_000)
@example("+" * 3000)
@example("no " * 3000 + "drift")
def test_any_text_gives_a_sound_note(text: str) -> None:
    """`parse` never raises, and the note's cover, spans and sides hold."""
    check_note(grammar.parse(text).note, re.sub(r"[\ud800-\udfff]", "\ufffd", text))


@quick
@given(dictations())
def test_any_order_of_known_phrases_gives_a_sound_note(text: str) -> None:
    """Phrases that no clinician would put in this order neither break the parse nor invent a side."""
    check_note(grammar.parse(text).note, text)


@quick
@given(dictations())
def test_the_same_text_gives_the_same_note(text: str) -> None:
    """Nothing is remembered between parses; the note's own transcript gives the note again."""
    first = grammar.parse(text).note
    grammar.parse("left ankle jerk absent, complaint foot drop")
    assert grammar.parse(text).note == first
    assert grammar.parse(first.transcript).note == first


@quick
@given(st.lists(dictations(), min_size=1, max_size=5))
def test_feeding_utterances_equals_feeding_the_whole(parts: list[str]) -> None:
    """Utterance by utterance gives the note of the utterances joined with newlines (heard text: it has no capitals)."""
    parts = [part.replace("\n", " ").lower() for part in parts]
    parts = [part for part in parts if part]
    result, controls = None, 0
    for part in parts:
        result = grammar.parse(part, context=result.context if result else None)
        controls += len(result.controls)
    whole = grammar.parse("\n".join(parts))
    if result is not None:
        assert result.note == whole.note
        assert result.station == whole.station
        assert controls == len(whole.controls)


def test_a_context_serves_twice() -> None:
    """Going on from a context does not change it: two futures of one past are independent."""
    past = grammar.parse("right knee jerk two plus").context
    one = grammar.parse("left absent", context=past).note
    grammar.parse("withdraw that", context=past)
    assert grammar.parse("left absent", context=past).note == one


# ---- golden dictations ---------------------------------------------------------------------------


@pytest.mark.parametrize("case", golden(), ids=lambda case: case["id"])
def test_a_golden_dictation_gives_a_sound_note(case: dict[str, Any]) -> None:
    """Cover, spans and sides hold on what people say and write."""
    check_note(grammar.parse(case["text"]).note, case["text"])


MIRROR = {
    "right": "left", "rightward": "leftward", "rightwards": "leftwards", "r": "l", "rt": "lt", "rue": "lue",
    "rle": "lle", "od": "os",
}  # fmt: skip
MIRROR |= {left: right for right, left in MIRROR.items()}
# "all right", "that's right", the l of "b/l" and of "L5" are no sides; typed LT is light touch, so Lt only.
_MIRRORED = re.compile(
    r"(?<![\w'/])(?:(?<!all )(?<!that's )[Rr]ight|RIGHT|[Ll]eft|LEFT"
    r"|(?i:rightwards?|leftwards?|rue|lue|rle|lle|od|os)|R|L(?!\d)|Rt|Lt|rt|lt)(?![\w'])|(?<=\bR/)L\b|(?<=\bL/)R\b"
)


def mirrored(text: str) -> str:
    """The text with right and left exchanged, capitals kept."""

    def other(match: re.Match[str]) -> str:
        word = match.group()
        swapped = MIRROR[word.lower()]
        return swapped.upper() if word.isupper() else swapped.capitalize() if word[0].isupper() else swapped

    return _MIRRORED.sub(other, text)


def flipped(rows: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """Findings with right and left exchanged."""
    return sorted((*row[:2], {"right": "left", "left": "right"}.get(row[2], row[2]), *row[3:]) for row in rows)


@pytest.mark.parametrize("case", golden(), ids=lambda case: case["id"])
def test_a_mirrored_dictation_gives_mirrored_findings(case: dict[str, Any]) -> None:
    """No rule favours a side: exchange right and left in the words, and only the sides change."""
    plain = meaning(grammar.parse(case["text"]).note)
    assert flipped(meaning(grammar.parse(mirrored(case["text"])).note)) == plain


def test_the_mirror_exchanges_what_it_should() -> None:
    """Side words change, words that only look like sides do not."""
    said = "Right knee, that's right, L5 and L 4/5, b/l, RUE, LT normal, on looking leftwards, Lt plantar"
    want = "Left knee, that's right, L5 and R 4/5, b/l, LUE, LT normal, on looking rightwards, Rt plantar"
    assert mirrored(said) == want


UNRELATED = "The kettle is in the kitchen."


@pytest.mark.parametrize("case", golden(), ids=lambda case: case["id"])
def test_an_unrelated_sentence_changes_no_finding(case: dict[str, Any]) -> None:
    """Said before, after, or (spoken prose) between two sentences, it is unread and the rest stays."""
    text = case["text"].rstrip()
    plain = meaning(grammar.parse(text).note)
    places = {f"{UNRELATED} {text}", f"{text}{' ' if text[-1] in '.?!' else '. '}{UNRELATED}"}
    if case["id"].startswith(("sp", "sl", "sf")):
        stops = [match.end() for match in re.finditer(r"[a-z]\. (?=[A-Za-z])", text)]
        places |= {f"{text[:at]}{UNRELATED} {text[at:]}" for at in stops[:: max(1, len(stops) // 3)]}
    for changed in places:
        note = grammar.parse(changed).note
        assert meaning(note) == plain, changed
        if "[patient]" not in text.lower() and "patient:" not in text.lower() and "?" not in text:
            # in a conversation it may be taken for an answer
            assert any("kettle" in span.text for span in note.unread)


@pytest.mark.parametrize(
    "case",
    [case for case in golden() if not case["id"].startswith(("ty", "rp"))],
    ids=lambda case: case["id"],
)
def test_capitals_change_no_finding_of_a_spoken_dictation(case: dict[str, Any]) -> None:
    """All small letters, and sentences opened with a capital, give the same findings."""
    text = case["text"]
    plain = meaning(grammar.parse(text).note)
    assert meaning(grammar.parse(text.lower()).note) == plain
    opened = re.sub(r"(^|[.?!] )([a-z])", lambda match: match.group(1) + match.group(2).upper(), text)
    assert meaning(grammar.parse(opened).note) == plain


# ---- linear in length ----------------------------------------------------------------------------


def calls(text: str) -> int:
    """How many calls of the grammar's own functions one parse takes: work, measured without a clock."""
    home = str(Path(grammar.__file__).parent)
    count: Counter[str] = Counter()

    def seen(frame: FrameType, event: str, _: object) -> None:
        if event == "call" and frame.f_code.co_filename.startswith(home):
            count["calls"] += 1

    sys.setprofile(seen)
    try:
        grammar.parse(text)
    finally:
        sys.setprofile(None)
    return count["calls"]


@pytest.mark.parametrize(
    "piece",
    [
        "right knee jerk two plus. left knee jerk absent. no drift. ",
        "power four out of five on the right and five on the left, ",
        "follow my finger. well done. the weather is mild today. ",
        "right ankle jerk absent, sorry, left. withdraw that. ",
        "no tremor no ataxia no rigidity and ",
        "ditto the same on the left ",
        "biceps triceps supinator knee ankle ",
        "except the rest otherwise ",
        "zzz qqq ",
    ],
)
def test_the_work_grows_no_faster_than_the_text(piece: str) -> None:
    """Eight times the text takes at most about eight times the calls; a fixed part may make it less."""
    grammar.parse(piece)
    short, long = calls(piece * 40), calls(piece * 320)
    assert long <= 8.5 * short, f"{short} calls for 40 pieces, {long} for 320"
