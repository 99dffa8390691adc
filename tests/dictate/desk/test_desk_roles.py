"""Who may use which address: a table of every route, every role and the answer, and the log of it."""

from __future__ import annotations

import re

import pytest

from dictate.desk.routes import PAGES
from dictate.storage import Store
from tests.dictate.desk.conftest import Browser, keep

OK, GO, NO, IN, GONE, BAD = 200, 303, 403, 401, 404, 400
ROLES = ("nobody", "mary", "noor", "sue", "eli", "ada")

# Draft 1 is Mary's and open, draft 2 is Mary's and signed. Columns: nobody, its clinician, another clinician,
# secretary, exporter, administrator. 400 and 409 are answers to a form that got through to its page.
TABLE: list[tuple[str, str, tuple[int, int, int, int, int, int]]] = [
    ("GET", "/", (GO, GO, GO, GO, GO, GO)),
    ("GET", "/figure.css", (OK, OK, OK, OK, OK, OK)),
    ("GET", "/sign-in", (OK, GO, GO, GO, GO, GO)),
    ("POST", "/sign-in", (IN, IN, IN, IN, IN, IN)),
    ("POST", "/sign-out", (IN, GO, GO, GO, GO, GO)),
    ("GET", "/account", (GO, OK, OK, OK, OK, OK)),
    ("POST", "/account", (IN, NO, NO, NO, NO, NO)),
    ("GET", "/people", (GO, NO, NO, NO, NO, OK)),
    ("POST", "/people", (IN, NO, NO, NO, NO, BAD)),
    ("POST", "/people/sue", (IN, NO, NO, NO, NO, BAD)),
    ("GET", "/drafts", (GO, OK, OK, OK, OK, NO)),
    ("GET", "/drafts/1", (GO, OK, NO, OK, NO, NO)),
    ("GET", "/drafts/1/beside/2", (GO, OK, NO, OK, NO, NO)),
    ("GET", "/drafts/1/sound/0.wav", (GO, OK, NO, OK, NO, NO)),
    ("POST", "/drafts/1/dictation", (IN, BAD, NO, BAD, NO, NO)),
    ("GET", "/drafts/1/findings/1", (GO, OK, NO, OK, NO, NO)),
    ("POST", "/drafts/1/findings/1", (IN, BAD, NO, BAD, NO, NO)),
    ("POST", "/drafts/1/findings/1/withdraw", (IN, GO, NO, GO, NO, NO)),
    ("POST", "/drafts/1/findings/1/restore", (IN, BAD, NO, BAD, NO, NO)),
    ("POST", "/drafts/1/preview", (IN, OK, NO, OK, NO, NO)),
    ("POST", "/drafts/1/phrase", (IN, BAD, NO, BAD, NO, NO)),
    ("POST", "/drafts/1/unread/1", (IN, GO, NO, GO, NO, NO)),
    ("POST", "/drafts/1/not-examined", (IN, BAD, NO, BAD, NO, NO)),
    ("POST", "/drafts/1/questions", (IN, NO, NO, BAD, NO, NO)),
    ("POST", "/drafts/1/questions/1", (IN, BAD, NO, NO, NO, NO)),
    ("POST", "/drafts/1/queries", (IN, BAD, NO, NO, NO, NO)),
    ("POST", "/drafts/1/undo", (IN, BAD, NO, BAD, NO, NO)),
    ("POST", "/drafts/1/ready", (IN, NO, NO, BAD, NO, NO)),
    ("POST", "/drafts/1/header", (IN, NO, NO, BAD, NO, NO)),
    ("GET", "/drafts/1/sign", (GO, OK, NO, NO, NO, NO)),
    ("POST", "/drafts/1/sign", (IN, BAD, NO, NO, NO, NO)),
    ("POST", "/drafts/1/amend", (IN, BAD, NO, NO, NO, NO)),
    ("GET", "/notes/2", (GO, OK, NO, OK, OK, NO)),
    ("GET", "/notes/1", (GO, GONE, NO, GONE, NO, NO)),
    ("GET", "/notes/2/export/json", (GO, OK, NO, NO, OK, NO)),
    ("GET", "/notes/1/export/json", (GO, GONE, NO, NO, NO, NO)),
    ("GET", "/drafts/99", (GO, GONE, GONE, GONE, NO, NO)),
]
ELSEWHERE = {("GET", "/drafts/{number:int}/feed")}  # a stream without end: test_desk_feed.py


def two_drafts(store: Store) -> tuple[int, int]:
    """Mary's open draft and her signed one."""
    opened, signed = keep(store), keep(store, "right knee jerk two plus")
    with store.writing() as writer:
        writer.sign(signed, 0, store.draft(signed).document, "mary", "Dr Mary Vale")
    return opened, signed


def renumbered(path: str, numbers: tuple[int, int]) -> str:
    """The path with the numbers of these two drafts in place of 1 and 2."""
    return re.sub(r"/(drafts|notes|beside)/([12])\b", lambda m: f"/{m[1]}/{numbers[int(m[2]) - 1]}", path)


@pytest.mark.parametrize(("method", "path", "expected"), TABLE, ids=[f"{row[0]} {row[1]}" for row in TABLE])
def test_every_role_gets_exactly_what_it_may(
    store: Store, browser: Browser, method: str, path: str, expected: tuple[int, ...]
) -> None:
    found = []
    for role, answer in zip(ROLES, expected, strict=True):
        numbers = two_drafts(store)
        asked = renumbered(path, numbers)
        browser.client.cookies.clear()
        if role != "nobody":
            browser.sign_in(role)
        reply = browser.get(asked) if method == "GET" else browser.post(asked)
        found.append(reply.status_code)
        if answer in (NO, IN):
            assert "knee" not in reply.text
    assert dict(zip(ROLES, found, strict=True)) == dict(zip(ROLES, expected, strict=True))
    assert store.audit_report().sound


def test_the_table_names_every_route() -> None:
    def shape(path: str) -> str:
        path = re.sub(r"\{(number|entry|piece|question|recording|other):int\}", "1", path)
        return path.replace("{username}", "sue").replace("{format}", "json")

    listed = {(method, path.replace("/2", "/1").replace("sound/0", "sound/1")) for method, path, _codes in TABLE}
    missing = [
        (page.method, page.path)
        for page in PAGES
        if (page.method, page.path) not in ELSEWHERE and (page.method, shape(page.path)) not in listed
    ]
    assert missing == []


def test_accepted_and_rejected_access_to_clinical_data_is_logged(store: Store, browser: Browser) -> None:
    two_drafts(store)
    browser.get("/drafts/1")
    for who, path in (
        ("sue", "/drafts/1"),
        ("noor", "/drafts/1"),
        ("eli", "/drafts/1"),
        ("mary", "/drafts/1/sound/0.wav"),
    ):
        browser.sign_in(who)
        browser.get(path)
    browser.sign_in("ada")
    browser.get("/drafts")
    with store.reading() as reader:
        log = [(e.actor, e.action, e.target, e.outcome) for e in reader.audit_entries()]
    for entry in (
        ("nobody", "show draft", "draft 1", "rejected"),
        ("sue", "show draft", "draft 1", "accepted"),
        ("noor", "show draft", "draft 1", "rejected"),
        ("eli", "show draft", "draft 1", "rejected"),
        ("mary", "listen", "draft 1", "accepted"),
        ("ada", "show list", "drafts", "rejected"),
    ):
        assert entry in log
    assert store.audit_report().sound


def test_lists_hold_only_what_the_role_may_see(store: Store, browser: Browser) -> None:
    two_drafts(store)
    keep(store, patient="N-5", clinician="noor")
    seen = {}
    for who in ("mary", "noor", "sue", "eli"):
        browser.sign_in(who)
        page = browser.get("/drafts").text
        seen[who] = [page.count(f'/{number}">') for number in (1, 2, 3)]
    assert seen == {"mary": [1, 1, 0], "noor": [0, 0, 1], "sue": [1, 1, 1], "eli": [0, 1, 0]}


def test_a_clinician_does_not_learn_of_a_colleagues_draft_through_search(store: Store, browser: Browser) -> None:
    keep(store, patient="N-5", clinician="noor")
    browser.sign_in("mary")
    assert "N-5</a>" not in browser.get("/drafts?q=N-5").text
