"""From draft to signed note without scripts: edits, stale saves, undo, questions, signing, amending,
comparing.
"""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest

from dictate.storage import Store, check_store
from tests.dictate.desk.conftest import PASSWORD, SPOKEN, Browser, keep
from tests.dictate.storage.conftest import Clock

LEFT = {"side": "left", "status": "abnormal", "descriptors": "extensor"}


def plantar(store: Store, number: int) -> int:
    """The number of the plantar finding."""
    return next(e.number for e in store.draft(number).document.entries if e.finding.item == "plantar")


def settle(store: Store, browser: Browser, number: int) -> None:
    """Leave nothing undecided."""
    browser.sign_in("sue")
    assert browser.post(f"/drafts/{number}/findings/{plantar(store, number)}", **LEFT).status_code == 303
    assert browser.post(f"/drafts/{number}/unread/1", verdict="nothing_clinical").status_code == 303
    browser.sign_in("mary")
    document = store.draft(number).document
    for query in document.open_queries():
        answer = browser.post(f"/drafts/{number}/queries", key=document.query_key(query), reason="seen")
        assert answer.status_code == 303


def test_the_page_shows_what_was_said_and_found(store: Store, browser: Browser) -> None:
    number = keep(store)
    browser.sign_in("sue")
    html = browser.get(f"/drafts/{number}").text
    for word in ("kettle", "absent", "side not stated", "missing", "Examination kept"):
        assert word in html
    assert 'class="w weak' in html
    assert "also weighed: flexor" in html
    assert 'data-s="' in html


def test_each_edit_keeps_who_when_before_and_after(store: Store, browser: Browser) -> None:
    number = keep(store)
    browser.sign_in("sue")
    browser.post(f"/drafts/{number}/findings/{plantar(store, number)}", **LEFT)
    last = store.history(number)[-1]
    assert (last.actor, last.revision) == ("sue", 1)
    assert "side not stated" in last.change.before
    assert "left" in last.change.after
    assert store.history(number)[0].at < last.at < store.clock()


def test_a_stale_save_is_refused_explained_and_changes_nothing(store: Store, browser: Browser) -> None:
    number = keep(store)
    first, second = browser, Browser(store)
    first.sign_in("sue")
    second.sign_in("mary")
    assert first.post(f"/drafts/{number}/phrase", phrase="right ankle jerk two plus", revision=0).status_code == 303
    answer = second.post(f"/drafts/{number}/phrase", phrase="right ankle jerk absent", revision=0)
    assert answer.status_code == 409
    assert "Your change was not saved" in answer.text
    assert "right ankle jerk absent" in answer.text, "what was wanted is still there to repeat"
    assert "Finding added from a phrase" in answer.text, "and so is what the other person did"
    assert store.head(number).revision == 1
    assert "right ankle jerk absent" not in store.note(number).transcript


def test_many_people_saving_at_once_lose_nothing(store: Store) -> None:
    number = keep(store)
    saved: list[str] = []
    lock = threading.Lock()

    def work(name: str) -> None:
        browser = Browser(store)
        browser.sign_in("sue")
        for step in range(4):
            text = f"question {step} of {name}"
            for _attempt in range(60):
                if browser.post(f"/drafts/{number}/questions", question=text).status_code == 303:
                    with lock:
                        saved.append(text)
                    break

    threads = [threading.Thread(target=work, args=(f"person {n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(saved) == 16
    assert sorted(q.text for q in store.draft(number).document.questions) == sorted(saved)
    assert store.audit_report().sound


def test_undo_walks_back_and_stays_in_the_history(store: Store, browser: Browser) -> None:
    number = keep(store)
    browser.sign_in("sue")
    browser.post(f"/drafts/{number}/findings/1/withdraw")
    browser.post(f"/drafts/{number}/phrase", phrase="right ankle jerk two plus")
    browser.post(f"/drafts/{number}/header", patient_ref="P-18", clinician="mary")
    assert browser.post(f"/drafts/{number}/undo").status_code == 303
    assert "right ankle" not in store.note(number).transcript
    assert len(store.note(number).withdrawn) == 1
    assert browser.post(f"/drafts/{number}/undo").status_code == 303
    assert store.note(number) == store.machine_note(number)
    assert browser.post(f"/drafts/{number}/undo").status_code == 400
    assert [line.action for line in store.history(number)] == [
        "kept",
        "withdraw",
        "add",
        "header",
        "undo",
        "undo",
    ]
    assert store.head(number).patient_ref == "P-18", "undo is about the note, not about whose it is"


def test_asked_back_answered_and_handed_over(store: Store, browser: Browser) -> None:
    number = keep(store)
    browser.sign_in("sue")
    browser.post(f"/drafts/{number}/questions", about="plantar", question="which side?")
    assert store.head(number).state == "asked_back"
    assert browser.post(f"/drafts/{number}/ready").status_code == 400
    browser.sign_in("mary")
    answer = browser.post(f"/drafts/{number}/questions/1", answer="left plantar extensor", take="yes")
    assert answer.status_code == 303
    assert store.head(number).state == "draft"
    assert store.note(number).transcript.endswith("left plantar extensor")
    browser.sign_in("sue")
    browser.post(f"/drafts/{number}/unread/1", verdict="nothing_clinical")
    assert browser.post(f"/drafts/{number}/ready").status_code == 303
    assert store.head(number).state == "ready"


def test_an_answer_in_free_words_adds_no_finding(store: Store, browser: Browser) -> None:
    number = keep(store)
    browser.sign_in("sue")
    browser.post(f"/drafts/{number}/questions", question="seen again?")
    browser.sign_in("mary")
    browser.post(f"/drafts/{number}/questions/1", answer="no, she left before")
    assert store.note(number).findings == store.machine_note(number).findings
    assert store.draft(number).document.questions[0].answer == "no, she left before"


def test_signing_is_blocked_until_all_is_decided(store: Store, browser: Browser) -> None:
    number = keep(store)
    browser.sign_in("mary")
    answer = browser.post(f"/drafts/{number}/sign", password=PASSWORD)
    assert answer.status_code == 400
    assert "unread text is undecided" in answer.text
    settle(store, browser, number)
    assert browser.post(f"/drafts/{number}/sign", password="wrong").status_code == 403
    assert store.head(number).state == "draft"
    assert browser.post(f"/drafts/{number}/sign", password=PASSWORD).status_code == 303
    assert store.head(number).state == "signed"


def test_exactly_the_revision_that_was_read_is_signed(store: Store, browser: Browser) -> None:
    number = keep(store)
    settle(store, browser, number)
    seen = store.head(number).revision
    other = Browser(store)
    other.sign_in("sue")
    other.post(f"/drafts/{number}/phrase", phrase="right ankle jerk absent")
    document = store.draft(number).document
    for query in document.open_queries():
        browser.post(f"/drafts/{number}/queries", key=document.query_key(query), reason="seen")
    assert browser.post(f"/drafts/{number}/sign", password=PASSWORD, revision=seen).status_code == 409
    assert store.signatures(number) == ()


SIGNED_IS_CLOSED = [
    ("sue", "findings/1", LEFT),
    ("sue", "findings/1/withdraw", {}),
    ("sue", "phrase", {"phrase": "left biceps jerk absent"}),
    ("sue", "not-examined", {"item": "romberg", "side": "none", "reason": "x"}),
    ("sue", "questions", {"question": "x"}),
    ("sue", "header", {"patient_ref": "P-99", "clinician": "mary"}),
    ("sue", "ready", {}),
    ("mary", "undo", {}),
    ("mary", "sign", {"password": PASSWORD}),
]


@pytest.mark.parametrize(("who", "path", "fields"), SIGNED_IS_CLOSED)
def test_a_signed_note_does_not_change(
    store: Store, browser: Browser, who: str, path: str, fields: dict[str, str]
) -> None:
    number = keep(store, "right knee jerk two plus")
    browser.sign_in("mary")
    assert browser.post(f"/drafts/{number}/sign", password=PASSWORD).status_code == 303
    before = store.signed_note(number)
    browser.sign_in(who)
    assert browser.post(f"/drafts/{number}/{path}", **fields).status_code in (400, 409)
    assert store.signed_note(number) == before
    assert store.note(number) == before.note
    assert store.head(number).patient_ref == "P-17"


def test_an_amendment_makes_a_new_version_and_shows_the_difference(store: Store, browser: Browser) -> None:
    number = keep(store, "right knee jerk two plus")
    browser.sign_in("mary")
    browser.post(f"/drafts/{number}/sign", password=PASSWORD)
    assert browser.post(f"/drafts/{number}/amend", reason="wrong side").status_code == 303
    browser.post(f"/drafts/{number}/findings/1", side="left", status="normal", grade="2+", site="knee")
    browser.sign_in("eli")
    assert "last signed one" in browser.get(f"/notes/{number}").text
    browser.sign_in("mary")
    browser.post(f"/drafts/{number}/sign", password=PASSWORD)
    assert store.head(number).state == "amended"
    page = browser.get(f"/notes/{number}").text
    assert "Changed since version 1" in page
    assert "nothing recorded" in page
    assert "version 2" in page
    first = browser.get(f"/notes/{number}?version=1").text
    assert "Changed since" not in first
    assert browser.get(f"/notes/{number}?version=3").status_code == 404
    assert check_store(store).faults == ()


def test_earlier_examinations_stand_side_by_side(store: Store, browser: Browser, clock: Clock) -> None:
    first = keep(store, "right knee jerk two plus\nleft ankle jerk absent")
    second = keep(store, "right knee jerk absent\nleft ankle jerk absent\nromberg negative")
    stranger = keep(store, patient="Z-1")
    browser.sign_in("mary")
    assert f"/drafts/{second}/beside/{first}" in browser.get(f"/drafts/{second}").text
    page = browser.get(f"/drafts/{second}/beside/{first}").text
    changed = page[page.index("What changed") : page.index("</ul>")]
    assert "knee, right" in changed
    assert "is now" in changed
    assert "ankle" not in changed
    assert "nothing was recorded before" in changed
    assert browser.get(f"/drafts/{second}/beside/{stranger}").status_code == 400


def test_another_clinicians_draft_of_the_same_patient_stands_beside_nothing(store: Store, browser: Browser) -> None:
    hers = keep(store, "right knee jerk two plus", clinician="noor")
    mine = keep(store, "right knee jerk absent")
    for who, status in (("mary", 400), ("sue", 200)):
        browser.sign_in(who)
        link = f"/drafts/{mine}/beside/{hers}"
        assert (link in browser.get(f"/drafts/{mine}").text) == (status == 200)
        assert browser.get(link).status_code == status


def test_a_signed_note_names_each_gap_once_with_its_sides(store: Store, browser: Browser) -> None:
    number = keep(store, "right knee jerk two plus")
    browser.sign_in("mary")
    browser.post(f"/drafts/{number}/sign", password=PASSWORD)
    page = browser.get(f"/notes/{number}").text
    gaps = page[page.index("Not recorded") :]
    assert "Tendon reflex, knee (left)" in gaps
    assert "Tendon reflex, ankle (right and left)" in gaps
    assert gaps.count("Romberg test") == 1


def test_the_export_is_the_signed_note(store: Store, browser: Browser) -> None:
    number = keep(store, "right knee jerk two plus")
    browser.sign_in("mary")
    browser.post(f"/drafts/{number}/sign", password=PASSWORD)
    browser.sign_in("eli")
    answer = browser.get(f"/notes/{number}/export/json")
    assert answer.status_code == 200
    assert "attachment" in answer.headers["content-disposition"]
    assert "right knee jerk two plus" in answer.text


def test_the_list_filters_and_pages(store: Store, browser: Browser) -> None:
    for number in range(60):
        keep(store, "right knee jerk two plus", patient=f"P-{number:03}")
    browser.sign_in("sue")
    first = browser.get("/drafts?sort=patient&down=0").text
    assert first.index("P-000") < first.index("P-049")
    assert "P-050" not in first
    assert "page 1 of 2" in first
    assert "P-059" in browser.get("/drafts?sort=patient&down=0&page=2").text
    assert "1 draft for" in browser.get("/drafts?q=P-042").text
    assert "Nothing here" in browser.get("/drafts?state=signed").text


@pytest.mark.parametrize(
    ("minutes", "said"), [(0, "0 min"), (59, "59 min"), (60, "1 h"), (2879, "47 h"), (2880, "2 days"), (-5, "0 min")]
)
def test_the_list_says_how_old_a_draft_is(
    store: Store, browser: Browser, clock: Clock, minutes: int, said: str
) -> None:
    keep(store, started_at=clock.now - timedelta(minutes=minutes))
    browser.sign_in("sue")
    assert f"{said} ago" in browser.get("/drafts").text


def test_no_spoken_word_leaves_the_transcript(store: Store, browser: Browser) -> None:
    number = keep(store)
    settle(store, browser, number)
    browser.post(f"/drafts/{number}/findings/1/withdraw")
    assert store.note(number).transcript.startswith(SPOKEN)
