"""Markup and database text through every field and through the transcript itself, strange paths, bodies
too large.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from html.parser import HTMLParser

import pytest
from starlette.types import Message

from dictate.desk.app import create_app
from dictate.storage import Store, check_store
from grammar import parse
from grammar.models import Note, TextSpan
from tests.dictate.desk.conftest import PASSWORD, Browser, keep

MARKUP = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'><b id=evil>"
DATABASE = "x'; DROP TABLE examination; --"
HOSTILE = [
    MARKUP,
    DATABASE,
    "{{ 7*7 }}{% raw %}",
    "\u202egnp.exe",
    "a\x00b\x1b[31m",
    "𝔘" * 50,
    "%s%n%00",
    "&lt;b&gt;",
]


class Evil(HTMLParser):
    """Counts what hostile text would have made of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = dict(attrs)
        if tag == "img" or names.get("id") == "evil" or any(name.startswith("on") for name in names):
            self.found.append(tag)
        if tag == "script" and not (names.get("src") or "").startswith("/static/"):
            self.found.append(tag)


def harmless(html: str) -> bool:
    reader = Evil()
    reader.feed(html)
    return reader.found == [] and "49{%" not in html


def fields() -> Iterator[tuple[str, str, str, dict[str, str]]]:
    """(who, path, field under attack, other fields) for every text field of the desk."""
    yield "mary", "/drafts/1/phrase", "phrase", {}
    yield "mary", "/drafts/1/preview", "phrase", {}
    yield "sue", "/drafts/1/phrase", "unread", {"phrase": "left ankle jerk absent"}
    yield "sue", "/drafts/1/phrase", "dictation", {"phrase": "left ankle jerk absent"}
    for field in ("side", "status", "grade", "site", "descriptors", "reason"):
        good = {"side": "left", "status": "not_examined", "site": "knee", "reason": "pain"}
        yield "sue", "/drafts/1/findings/1", field, {k: v for k, v in good.items() if k != field}
    for field in ("item", "site", "side", "reason"):
        slot = {"item": "romberg", "site": "", "side": "none", "reason": "plaster"}
        yield "sue", "/drafts/1/not-examined", field, {k: v for k, v in slot.items() if k != field}
    yield "sue", "/drafts/1/questions", "question", {"about": "left ankle"}
    yield "sue", "/drafts/1/questions", "about", {"question": "which side?"}
    yield "sue", "/drafts/1/header", "patient_ref", {"clinician": "mary"}
    yield "sue", "/drafts/1/header", "clinician", {"patient_ref": "P-17"}
    yield "mary", "/drafts/1/unread/1", "reason", {"verdict": "accepted"}
    yield "mary", "/drafts/1/unread/1", "verdict", {}
    yield "mary", "/drafts/1/queries", "reason", {}
    yield "mary", "/drafts/1/queries", "key", {"reason": "seen"}
    yield "mary", "/drafts/1/sign", "password", {}
    yield "sue", "/drafts/1/undo", "revision", {}
    yield "ada", "/people", "username", {"name": "X", "role": "secretary", "password": PASSWORD}
    yield "ada", "/people", "name", {"username": "newone", "role": "secretary", "password": PASSWORD}
    yield "ada", "/people", "role", {"username": "newone", "name": "X", "password": PASSWORD}
    yield "ada", "/people/sue", "what", {}
    yield "ada", "/people/sue", "role", {"what": "role"}
    yield "sue", "/sign-in", "username", {"password": PASSWORD}
    yield "sue", "/account", "password", {"fresh": "another long phrase", "again": "another long phrase"}


@pytest.mark.parametrize(
    ("who", "path", "field", "others"),
    list(fields()),
    ids=[f"{path} {field}" for _w, path, field, _o in fields()],
)
def test_hostile_text_in_a_field_stays_text(
    store: Store, browser: Browser, who: str, path: str, field: str, others: dict[str, str]
) -> None:
    keep(store)
    machine = store.machine_note(1)
    browser.sign_in(who)
    for hostile in HOSTILE:
        if path == "/account":
            browser.sign_in(who)  # the right password each time, or the wrong ones would throttle the account
        answer = browser.post(path, **{**others, field: hostile})
        assert answer.status_code < 500, answer.text
        assert "json" in answer.headers.get("content-type", "") or harmless(answer.text)
    for reader, pages in (("sue", ("/drafts", "/drafts/1", "/drafts/1/findings/1")), ("ada", ("/people",))):
        browser.sign_in(reader)
        for page in pages:
            html = browser.get(page)
            assert html.status_code == 200
            assert harmless(html.text)
    assert store.machine_note(1) == machine
    assert check_store(store).faults == ()


@pytest.mark.parametrize("hostile", HOSTILE)
def test_hostile_text_in_the_transcript_stays_text(store: Store, browser: Browser, hostile: str) -> None:
    text = f"right knee jerk two plus\n{hostile}\nleft ankle jerk absent"
    note = parse(text).note
    span = TextSpan(text=hostile, start_char=25, end_char=25 + len(hostile))
    unread = note.model_copy(update={"unread": (*note.unread, span)})
    from tests.dictate.desk.conftest import words_of

    number = store.keep_examination(
        unread,
        words_of(text),
        patient_ref=hostile.replace("\x00", ""),
        clinician="mary",
        device=hostile.replace("\x00", ""),
    )
    other = store.keep_examination(Note(transcript=text), patient_ref=hostile.replace("\x00", ""), clinician="mary")
    browser.sign_in("sue")
    for page in (f"/drafts/{number}", "/drafts", "/drafts?sort=patient", f"/drafts/{number}/beside/{other}"):
        answer = browser.get(page)
        assert answer.status_code == 200
        assert harmless(answer.text)
    assert store.machine_note(number) == unread


@pytest.mark.parametrize("query", ["q", "sort", "state", "page", "down"])
def test_hostile_text_in_the_address_of_the_list(store: Store, browser: Browser, query: str) -> None:
    keep(store)
    browser.sign_in("sue")
    for hostile in HOSTILE:
        answer = browser.get("/drafts", params={query: hostile})
        assert answer.status_code in (200, 400)
        assert harmless(answer.text)
    assert store.listing().total == 1


@pytest.mark.parametrize(
    "path",
    [
        "/drafts/1/sound/../../../../etc/passwd",
        "/drafts/1/sound/..%2f..%2fstore.key",
        "/drafts/1/sound/0.wav%00.key",
        "/drafts/1/sound/-1.wav",
        "/drafts/1/sound/0.wav/../../2/sound/0.wav",
        "/drafts/1/sound/99999999999999999999.wav",
        "/drafts/99999999999999999999",
        "/drafts/9223372036854775808/sound/0.wav",
        "/drafts/1%20OR%201=1",
        "/drafts/1/sound/1.wav",
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/%2e%2e/storage/keys.py",
        "/static//etc/passwd",
        "/notes/1/export/..%2f..%2fetc%2fpasswd",
        "/notes/1/export/json%00",
    ],
)
def test_paths_lead_nowhere_else(store: Store, browser: Browser, path: str) -> None:
    keep(store)
    browser.sign_in("mary")
    answer = browser.client.request("GET", path)
    assert answer.status_code in (400, 404)
    for secret in ("root:", "def ", "RIFF"):
        assert secret not in answer.text


def test_another_clinicians_sound_is_out_of_reach(store: Store, browser: Browser) -> None:
    keep(store, clinician="noor")
    browser.sign_in("mary")
    assert browser.get("/drafts/1/sound/0.wav").status_code == 403


def test_bodies_that_are_too_large_are_refused(store: Store, browser: Browser) -> None:
    keep(store)
    browser.sign_in("mary")
    csrf = browser.csrf
    answer = browser.post("/drafts/1/phrase", phrase="x" * 70_000, csrf=csrf)
    assert answer.status_code == 413
    answer = browser.client.post("/drafts/1/dictation", content=b"x" * (26 * 1024 * 1024), headers={"x-csrf": csrf})
    assert answer.status_code == 413

    def endless() -> Iterator[bytes]:
        for _piece in range(40):
            yield b"x" * 1024 * 1024

    answer = browser.client.post("/drafts/1/dictation", content=endless(), headers={"x-csrf": csrf})
    assert answer.status_code == 413
    answer = browser.post("/drafts/1/phrase", phrase="left ankle jerk absent " * 100, csrf=csrf)
    assert answer.status_code == 400
    assert "at most 2000 characters" in answer.text
    assert store.head(1).revision == 0


@pytest.mark.parametrize(
    ("kind", "body", "status"),
    [
        ("application/json", b'{"phrase": "x"}', 415),
        ("multipart/form-data; boundary=x", b"--x--", 415),
        ("text/plain", b"phrase=x", 415),
        ("application/x-www-form-urlencoded", b"&".join(b"a%d=1" % n for n in range(500)), 400),
        ("application/x-www-form-urlencoded", b"\xff\xfe=%ff", 403),
    ],
)
def test_only_plain_forms_are_taken(store: Store, browser: Browser, kind: str, body: bytes, status: int) -> None:
    keep(store)
    browser.sign_in("mary")
    answer = browser.client.post("/drafts/1/phrase", content=body, headers={"content-type": kind})
    assert answer.status_code == status
    assert store.head(1).revision == 0


@pytest.mark.parametrize("sound", [b"", b"RIFF", b"not a sound at all" * 100, b"\x00" * 5000])
def test_a_broken_sound_gets_a_sentence(store: Store, browser: Browser, sound: bytes) -> None:
    keep(store)
    browser.sign_in("mary")
    answer = browser.client.post(
        "/drafts/1/dictation", content=sound, headers={"x-csrf": browser.csrf, "accept": "application/json"}
    )
    assert answer.status_code == 400
    assert answer.json()["said"]
    assert store.head(1).revision == 0


@pytest.mark.parametrize("path", ["/drafts/1/dictation", "/drafts/1/phrase", "/people", "/account"])
@pytest.mark.parametrize("cookie", [b"", b"desk=madeup"])
def test_a_body_is_not_read_before_it_is_known_who_sends_it(store: Store, path: str, cookie: bytes) -> None:
    keep(store)
    sent: list[Message] = []

    async def receive() -> Message:
        raise AssertionError("the body was asked for")

    async def send(message: Message) -> None:
        sent.append(message)

    headers = [(b"host", b"127.0.0.1:8040"), (b"content-length", b"60000"), (b"cookie", cookie)]
    headers.append((b"content-type", b"application/x-www-form-urlencoded"))
    scope = {
        "type": "http", "http_version": "1.1", "method": "POST", "path": path, "raw_path": path.encode(),
        "query_string": b"", "headers": headers, "client": ("10.0.0.9", 5000), "server": ("127.0.0.1", 8040),
        "scheme": "http", "root_path": "",
    }  # fmt: skip
    asyncio.run(create_app(store)(scope, receive, send))
    assert sent[0]["status"] == 401
    assert (b"connection", b"close") in sent[0]["headers"]
