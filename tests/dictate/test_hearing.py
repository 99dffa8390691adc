"""Words' times and confidence on the note, rejected talk as unread text, level remarks."""

import pytest

from dictate.doubt import add_doubts, is_weak
from dictate.events import FinalText, Word
from dictate.hearing import level_remarks, note_with_times, weave_rejected
from grammar.models import CoverSpan, Finding, Note, TextSpan


def said(text: str, start_s: float = 0.0, rejected: bool = False, **confidence: float) -> FinalText:
    """An utterance of half-second words; confidence by word (default 0.9)."""
    words = tuple(
        Word(token, start_s + 0.5 * n, start_s + 0.5 * n + 0.4, confidence.get(token, 0.9))
        for n, token in enumerate(text.split())
    )
    return FinalText(words, start_s, start_s + 0.5 * len(words), rejected=rejected)


def finding(transcript: str, text: str, **more) -> Finding:
    start = transcript.index(text)
    return Finding(
        item="reflex",
        site="knee",
        side="right",
        status="normal",
        text=text,
        start_char=start,
        end_char=start + len(text),
        **more,
    )


def test_times_and_lowest_confidence_reach_the_finding() -> None:
    one, two = said("good right knee jerk two plus", 1.0, knee=0.4), said("left absent", 10.0)
    transcript = one.text + "\n" + two.text
    note = Note(
        transcript=transcript,
        findings=(finding(transcript, "right knee jerk two plus"), finding(transcript, "left absent")),
        unread=(TextSpan(text="good", start_char=0, end_char=4),),
    )
    timed = note_with_times(note, [*one.words, *two.words])
    assert [(f.start_s, f.end_s, f.confidence) for f in timed.findings] == [
        (1.5, 3.9, 0.4),
        (10.0, 10.9, 0.9),
    ]
    assert (timed.unread[0].start_s, timed.unread[0].end_s) == (1.0, 1.4)


def test_scattered_spans_take_only_their_words() -> None:
    one = said("right knee jerk um absent", um=0.1)
    note = Note(transcript=one.text, findings=(finding(one.text, one.text, spans=((0, 15), (19, 25))),))
    assert note_with_times(note, one.words).findings[0].confidence == 0.9


def test_typed_note_keeps_no_times() -> None:
    note = Note(transcript="knee", findings=(finding("knee", "knee"),))
    assert note_with_times(note, []) == note


def test_rejected_talk_becomes_unread_at_its_place() -> None:
    utterances = [
        said("right knee jerk two plus"),
        said("lovely weather left absent", 5.0, rejected=True),
        said("left absent", 9.0),
    ]
    heard = "right knee jerk two plus\nleft absent"
    note = Note(
        transcript=heard,
        findings=(
            finding(heard, "right knee jerk two plus"),
            finding(heard, "left absent", spans=((25, 29), (30, 36))),
        ),
        cover=(CoverSpan(kind="finding", start_char=0, end_char=36),),
    )
    woven = weave_rejected(note, utterances)
    assert woven.transcript == "\n".join(utterance.text for utterance in utterances)
    for index, text in enumerate(("right knee jerk two plus", "left absent")):
        found = woven.findings[index]
        assert woven.transcript[found.start_char : found.end_char] == text
    assert [woven.transcript[a:b] for a, b in woven.findings[1].spans] == ["left", "absent"]
    assert [span.text for span in woven.unread] == ["lovely weather left absent"]
    assert "".join(woven.transcript[c.start_char : c.end_char] for c in woven.cover) == woven.transcript
    assert [c.kind for c in woven.cover] == ["finding", "unread", "finding"]
    timed = note_with_times(woven, [word for utterance in utterances for word in utterance.words])
    assert timed.unread[0].start_s == 5.0
    assert timed.findings[1].start_s == 9.0


@pytest.mark.parametrize(
    ("weak", "asked"),
    [("right", "Which side?"), ("absent", "Present or absent?"), ("two", "Which grade?"), ("knee", None)],
)
def test_weak_side_negation_and_grade_are_asked_about(weak: str, asked: str | None) -> None:
    one = said("right knee jerk two absent", **{weak: 0.6})
    note = Note(transcript=one.text, findings=(finding(one.text, one.text),))
    queries = add_doubts(note, [one]).queries
    assert [query.message.split(" In ")[0] for query in queries] == ([asked] if asked else [])
    assert all(query.findings == (0,) and query.kind == "heard_weakly" for query in queries)


def test_an_opposite_rival_is_asked_about_whatever_the_confidence() -> None:
    words = (Word("left", 0, 1, 0.95, rivals=("lift", "right")), Word("knee", 1, 2, 0.95, rivals=("need",)))
    one = FinalText(words, 0, 2)
    note = Note(transcript=one.text, findings=(finding(one.text, one.text),))
    (query,) = add_doubts(note, [one]).queries
    assert "'left' or 'right' was heard" in query.message


def test_marking_limit() -> None:
    assert is_weak(0.3)
    assert not is_weak(0.9)
    assert not is_weak(None)


def test_level_remarks_need_a_good_part_of_the_utterances() -> None:
    loud = FinalText((), 0, 1, remarks=("clipped",))
    assert level_remarks([loud] + [FinalText((), 0, 1)] * 50) == ()
    assert "clipped in 2 of 3" in level_remarks([loud, loud, FinalText((), 0, 1)])[0]
