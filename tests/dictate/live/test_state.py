"""The running state: what each utterance changes, what is pointed out and when, which commands are obeyed."""

from dataclasses import replace

import pytest

from dictate.events import FinalText, Word
from dictate.live import recover, state
from dictate.live.start import reading
from dictate.live.view import Surroundings, picture
from dictate.settings import load_settings


@pytest.fixture(scope="module")
def read():
    return reading()


def final(text, at_s=0.0, confidence=1.0, rejected=False):
    words = tuple(Word(word, at_s + n * 0.3, at_s + n * 0.3 + 0.3, confidence) for n, word in enumerate(text.split()))
    return FinalText(words, at_s, at_s + 0.3 * len(words), rejected)


def after(read, *lines, complaint=()):
    now = state.opened(read, complaint)
    for n, line in enumerate(lines):
        now = state.heard(read, now, line if isinstance(line, FinalText) else final(line, 3.0 * n))
    return now


def shown(read, now, **around):
    return picture(now, read.catalogue, Surroundings(**around))


def test_a_clinics_own_words_are_read(tmp_path):
    for folder, text in (
        ("protocols", '[items.pinch_meter]\nlabel = "Pinch strength by meter"\nstation = "arms"\nsided = true\n'),
        ("phrases", '[[phrase]]\nitem = "pinch_meter"\none = ["pinch meter"]\n'),
    ):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "own.toml").write_text(text, encoding="utf-8")
    settings = load_settings()
    settings = settings.model_copy(update={"speech": settings.speech.model_copy(update={"phrases": tmp_path})})
    read = reading(settings)
    now = after(read, "pinch meter reduced on the right")
    assert [(found.item, found.side) for found in now.note.findings] == [("pinch_meter", "right")]
    assert shown(read, now)


def station(view, name):
    return next(each for each in view.stations if each.id == name)


def test_before_a_word_was_said_everything_is_missing(read):
    view = shown(read, state.opened(read))
    assert all(each.filled == 0 for each in view.stations)
    assert view.latest is None
    assert view.phase == "listening"


@pytest.mark.parametrize(
    ("said", "label", "side", "result"),
    [
        ("left ankle jerk absent", "Tendon reflex, ankle", "LEFT", "absent, abnormal"),
        ("right knee jerk two plus", "Tendon reflex, knee", "RIGHT", "2+, normal"),
        ("no arm drift", "Arm drift", "BOTH SIDES", "normal"),
        ("plantar extensor", "Plantar response", "WHICH SIDE?", "abnormal"),
        ("romberg negative", "Romberg test", "", "normal"),
        ("fundi not seen", "Fundi", "BOTH SIDES", "not examined"),
    ],
)
def test_the_last_finding_is_shown_with_its_side_as_a_word(read, said, label, side, result):
    latest = shown(read, after(read, said)).latest
    assert (latest.label, latest.side_word) == (label, side)
    assert all(word in latest.result for word in result.split(", "))


def test_a_corrected_side_is_shown_as_the_latest_finding(read):
    latest = shown(read, after(read, "right knee jerk two plus", "left plantar flexor", "sorry right")).latest
    assert (latest.label, latest.side_word) == ("Plantar response", "RIGHT")


@pytest.mark.parametrize(
    ("said", "outcome"),
    [
        ("left ankle jerk absent", "found"),
        ("there is pronator drift", "needs_side"),
        ("what is missing", "command"),
        ("complaint foot drop", "command"),
        ("the kettle is boiling over", "not_understood"),
        ("", "nothing"),
    ],
)
def test_what_an_utterance_was(read, said, outcome):
    assert after(read, said).outcome == outcome


def test_withdraw_that_takes_the_last_finding_away_and_the_log_keeps_it(read):
    now = after(read, "left ankle jerk absent", "right ankle jerk absent", "withdraw that")
    assert [finding.side for finding in now.note.findings] == ["left"]
    assert [finding.side for finding in now.note.withdrawn] == ["right"]
    assert shown(read, now).latest.side_word == "LEFT"


def test_a_key_does_what_its_words_do(read):
    spoken = after(read, "left ankle jerk absent", "withdraw that")
    pressed = state.typed(read, after(read, "left ankle jerk absent"), "withdraw that", 5.0)
    assert pressed.note == spoken.note


def test_refused_speech_is_unread_with_its_times_and_never_a_finding(read):
    now = after(read, "left ankle jerk absent", final("right ankle jerk absent", 9.0, rejected=True))
    assert [finding.side for finding in now.note.findings] == ["left"]
    assert now.outcome == "turned_down"
    assert shown(read, now).unread == ("right ankle jerk absent",)
    assert now.shown.unread[-1].start_s == 9.0


def test_times_and_weakest_word_are_on_the_shown_findings(read):
    now = after(read, final("left ankle jerk absent", 2.0, confidence=0.4))
    assert now.shown.findings[0].start_s == pytest.approx(2.0)
    assert shown(read, now).latest.weak
    assert any("?" in query for query in shown(read, now).queries)


@pytest.mark.parametrize(
    ("said", "kind"), [("pause", "pause"), ("end of examination", "end"), ("what is missing", "missing")]
)
def test_well_heard_commands_are_obeyed(read, said, kind):
    assert [control.kind for control in after(read, said).controls] == [kind]


@pytest.mark.parametrize(
    ("said", "kinds"), [("pause", []), ("end of examination", []), ("what is missing", ["missing"])]
)
def test_a_faint_command_that_would_stop_the_listening_is_asked_again(read, said, kinds):
    now = after(read, final(said, confidence=0.3))
    assert [control.kind for control in now.controls] == kinds
    assert bool(now.reply) == (kinds == [])


@pytest.mark.parametrize(
    "said",
    [
        "no pause in the finger taps",
        "end of examination of the arms is normal tone",
        "there is resting tremor missing",
    ],
)
def test_words_of_a_command_inside_a_longer_utterance_are_no_command(read, said):
    assert after(read, said).controls == ()


def test_while_paused_nothing_but_resume_is_heard(read):
    now = state.paused(after(read, "left ankle jerk absent"))
    for words in ("right ankle jerk absent", "withdraw that", "end of examination", "pause"):
        now = state.heard(read, now, final(words))
        assert now.controls == ()
    assert len(now.note.findings) == 1
    assert now.note.transcript == "left ankle jerk absent"
    now = state.heard(read, now, final("resume"))
    assert [control.kind for control in now.controls] == ["resume"]


def test_leaving_a_station_with_gaps_is_said_once(read):
    now = after(read, "romberg negative", "no arm drift")
    first = [hint for hint in shown(read, now).hints if "Standing" in hint]
    assert len(first) == 1
    assert "gaps in Standing and walking" in first[0]
    now = state.heard(read, now, final("finger nose normal both sides"))
    now = state.heard(read, now, final("fine finger movements normal"))
    now = state.heard(read, now, final("tone normal in the arms"))
    assert not [hint for hint in shown(read, now).hints if "Standing" in hint]
    now = state.heard(read, now, final("tandem gait normal"))
    now = state.heard(read, now, final("no arm drift"))
    assert not [hint for hint in shown(read, now).hints if "Standing" in hint]


def test_a_gap_that_is_filled_is_no_longer_mentioned(read):
    now = after(read, "romberg negative", "no arm drift", "tandem gait heel and toe walking and hopping are normal")
    assert not [hint for hint in shown(read, now).hints if "Standing" in hint]


def test_an_asked_item_is_under_way_until_its_result_is_said(read):
    now = after(read, "follow my finger")
    view = shown(read, now)
    assert view.under_way == ("Eye movements",)
    assert view.latest is None
    now = state.heard(read, now, final("eye movements full"))
    assert shown(read, now).under_way == ()
    assert shown(read, now).hints == ()


def test_a_missing_result_is_pointed_out_when_the_clinician_moves_on(read):
    now = after(read, "follow my finger")
    assert not any("Eye movements" in hint for hint in shown(read, now).hints)
    now = state.heard(read, now, final("tongue midline"))
    assert "Eye movements: asked, but no result was said" in shown(read, now).hints
    assert shown(read, now).under_way == ()
    now = state.heard(read, now, final("eye movements full"))
    assert not any("Eye movements: asked" in hint for hint in shown(read, now).hints)


def test_the_answer_to_what_is_missing_names_the_station_at_hand_and_counts_the_others(read):
    words = shown(read, after(read, "right knee jerk two plus", "what is missing")).missing
    assert words.startswith("Couch: ")
    assert "Tendon reflex, knee left only" in words
    assert "Standing and walking: 5 items." in words


def test_a_complaint_adds_its_pieces_by_voice_and_at_the_start(read):
    by_voice = after(read, "complaint foot drop")
    at_start = after(read, complaint=("foot_drop",))
    assert by_voice.note.complaint == at_start.note.complaint == ("foot_drop",)
    assert {s.item for s in state.open_slots(by_voice.note)} == {s.item for s in state.open_slots(at_start.note)}
    assert "straight_leg_raise" in {slot.item for slot in state.open_slots(by_voice.note)}


def test_a_full_station_is_complete(read):
    now = after(read, "romberg negative", "tandem gait toe walking heel walking and hopping are all normal")
    assert station(shown(read, now), "standing").open == ()


def test_each_stretch_of_speech_that_was_not_understood_is_a_line_of_its_own(read):
    now = after(read, "romberg negative", "the kettle is boiling over", "mind the step")
    view = shown(read, now)
    assert view.unread == ("mind the step", "kettle is boiling over")
    assert view.unread_count == 2


def test_the_end_sums_up_omissions_queries_and_unread_words(read):
    now = state.ended(after(read, "plantar extensor", "the kettle is boiling over"))
    summary = shown(read, now, kept_as="7").summary
    assert summary.title == "Examination kept as draft 7"
    assert any("Romberg" in line for line in summary.omissions)
    assert any("side" in query.lower() for query in summary.queries)
    assert any("kettle" in words for words in summary.unread)


@pytest.mark.parametrize(
    ("around", "words"),
    [
        ({"behind_s": 12.0}, "12 s behind"),
        ({"overflows": 1}, "dropped sound 1 time."),
        ({"overflows": 2}, "dropped sound 2 times."),
        ({"problems": ("The microphone is lost.",)}, "The microphone is lost."),
    ],
)
def test_troubles_are_on_the_board(read, around, words):
    assert any(words in notice for notice in shown(read, after(read), **around).notices)


@pytest.mark.parametrize(
    ("change", "around", "words"),
    [
        (lambda now: now, {}, "Recording"),
        (state.paused, {}, "Paused: nothing is kept"),
        (lambda now: now, {"muted": True}, "Microphone muted while the tool speaks"),
        (lambda now: now, {"keep_sound": False}, "Recording (sound dropped after reading)"),
        (state.ended, {}, "Examination ended"),
    ],
)
def test_whether_it_records_is_always_said(read, change, around, words):
    assert shown(read, change(after(read)), **around).recording == words


def test_the_same_events_from_a_journal_give_the_same_state(read, tmp_path):
    from dictate.live import journal

    log = journal.Journal(tmp_path / "j.jsonl")
    log.append("opened", complaint=["foot_drop"])
    said = [
        final("left ankle jerk absent", 0.0),
        final("plantar extensor", 3.0),
        final("radio", 6.0, rejected=True),
    ]
    now = state.opened(read, ("foot_drop",))
    for one in said:
        log.append("utterance", **journal.utterance_facts(one))
        now = state.heard(read, now, one)
    log.append("typed", at_s=7.0, text="withdraw that")
    now = state.typed(read, now, "withdraw that", 7.0)
    log.append("paused", at_s=8.0, by="key")
    log.append("resumed", at_s=9.0, by="key")
    last = final("tongue midline", 9.5)
    log.append("utterance", **journal.utterance_facts(last))
    now = state.heard(read, now, last)
    log.close()
    again = recover.from_journal(read, journal.read(tmp_path / "j.jsonl").entries)
    assert replace(again, context=None) == replace(now, context=None)
