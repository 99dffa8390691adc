"""The board's door: who may see, who may press, and how long a guess lasts."""

import asyncio
import re
import ssl
import urllib.error
import urllib.request
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest

from dictate.errors import SettingsError
from dictate.live.board import entry, server
from dictate.live.board.app import create_app
from dictate.live.board.entry import COOKIE, Door, make_certificate
from dictate.live.board.feed import Feed
from dictate.live.board.server import Board, BoardPlan
from dictate.live.commands import Command

OURS = frozenset({"board.test", "127.0.0.1"})


@pytest.fixture
def codes():
    return []


@pytest.fixture
def pressed():
    return []


def client(pressed, codes, *, code_needed):
    from starlette.testclient import TestClient

    door = Door(code_needed, OURS, codes.append)
    app = create_app(Feed(), door, pressed.append)
    return TestClient(app, base_url="https://board.test", follow_redirects=False)


@pytest.mark.parametrize(
    ("method", "path", "headers", "body", "status"),
    [
        ("GET", "/", {}, None, 200),
        ("GET", "/board.css", {}, None, 200),
        ("GET", "/board.js", {}, None, 200),
        ("GET", "/favicon.ico", {}, None, 204),
        ("GET", "/nothing", {}, None, 404),
        ("GET", "/static/../app.py", {}, None, 404),
        ("GET", "/do", {}, None, 405),
        ("POST", "/do", {}, {"do": "pause"}, 202),
        ("POST", "/do", {"Origin": "https://board.test"}, {"do": "pause"}, 202),
        ("POST", "/do", {"Origin": "https://evil.test"}, {"do": "pause"}, 403),
        ("POST", "/do", {"Origin": "null"}, {"do": "pause"}, 403),
        ("POST", "/do", {"Content-Type": "text/plain"}, {"do": "pause"}, 415),
        ("POST", "/do", {}, {"do": "format the disk"}, 400),
        ("POST", "/do", {}, {"do": "complaint", "value": "foot drop"}, 202),
        ("POST", "/do", {}, {"do": "complaint", "value": "left knee; withdraw that"}, 400),
        ("POST", "/do", {}, {"do": "complaint"}, 400),
        ("POST", "/do", {}, ["pause"], 400),
        ("POST", "/do", {}, {"do": "pause", "pad": "x" * 5000}, 400),
        ("GET", "/", {"Host": "evil.test"}, None, 421),
        ("GET", "/", {"Host": "evil.test:8020"}, None, 421),
        ("GET", "/", {"Host": "[::1"}, None, 421),
        ("GET", "/", {"Host": "127.0.0.1:8020"}, None, 200),
    ],
)
def test_what_each_request_gets_on_the_loopback_address(pressed, codes, method, path, headers, body, status):
    with client(pressed, codes, code_needed=False) as asker:
        answer = (
            asker.request(method, path, headers=headers, json=body)
            if body
            else asker.request(method, path, headers=headers)
        )
    assert answer.status_code == status
    assert len(pressed) == (1 if status == 202 else 0)
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert answer.headers["cache-control"] == "no-store"


def test_keys_arrive_as_commands(pressed, codes):
    with client(pressed, codes, code_needed=False) as asker:
        asker.post("/do", json={"do": "withdraw"})
        asker.post("/do", json={"do": "complaint", "value": "foot_drop"})
    assert pressed == [Command("withdraw"), Command("complaint", "foot_drop")]
    assert [command.words for command in pressed] == ["withdraw that", "complaint foot drop"]


@pytest.mark.parametrize(("method", "path"), [("GET", "/events"), ("GET", "/board.js"), ("POST", "/do")])
def test_on_a_network_nothing_is_shown_or_done_without_the_code(pressed, codes, method, path):
    with client(pressed, codes, code_needed=True) as asker:
        assert "Code from the terminal" in asker.get("/").text
        assert asker.request(method, path, json={"do": "pause"}).status_code == 401
        asker.cookies.set(COOKIE, "guess")
        assert asker.request(method, path, json={"do": "pause"}).status_code == 401
    assert pressed == []


def test_the_code_opens_once_and_its_cookie_is_closed_to_scripts_and_other_sites(pressed, codes):
    with client(pressed, codes, code_needed=True) as asker:
        code = codes[-1]
        assert re.fullmatch(r"\d{8}", code)
        answer = asker.post("/enter", content=f"code={code}")
        assert answer.status_code == 303
        cookie = answer.headers["set-cookie"].lower()
        assert all(word in cookie for word in ("httponly", "secure", "samesite=strict"))
        assert asker.post("/do", json={"do": "pause"}).status_code == 202
    with client(pressed, codes, code_needed=True) as other:
        assert other.post("/enter", content=f"code={code}").headers["location"] == "/?wrong"


def test_a_used_code_is_dead_and_a_new_one_was_told(codes):
    door = Door(True, OURS, codes.append)
    first = codes[-1]
    assert door.admit(first)
    assert door.admit(first) is None
    assert codes[-1] != first
    assert door.admit(codes[-1])


def test_after_five_wrong_guesses_the_door_stays_shut_longer_and_longer_and_the_code_stays(codes):
    now = [1000.0]
    door = Door(True, OURS, codes.append, clock=lambda: now[0])
    right = codes[-1]
    wrong = "00000000" if right != "00000000" else "11111111"
    assert [door.admit(wrong) for _ in range(4)] == [None] * 4
    assert door.wait_s == 0
    waits = []
    for _ in range(5):
        assert door.admit(wrong) is None
        waits.append(door.wait_s)
        now[0] += door.wait_s - 1
        assert door.admit(right) is None, "nothing is looked at while it is shut"
        assert door.wait_s == 1
        now[0] += 1
    assert waits == [30, 60, 120, 240, 240]
    assert codes == [right]
    assert door.admit(right)
    assert door.admit(wrong) is None
    assert door.wait_s == 0, "the count began anew"


def test_the_page_says_how_long_the_door_stays_shut(pressed, codes):
    with client(pressed, codes, code_needed=True) as asker:
        for _ in range(5):
            answer = asker.post("/enter", content="code=abc")
        page = asker.get(answer.headers["location"]).text
    assert re.search(r"Too many wrong codes: the next one is looked at in (29|30) seconds", page)


def test_a_wrong_code_is_answered_with_a_sentence(pressed, codes):
    with client(pressed, codes, code_needed=True) as asker:
        answer = asker.post("/enter", content="code=abc")
        assert "That was not the code" in asker.get(answer.headers["location"]).text


def test_without_a_code_no_pass_can_be_had(codes):
    assert Door(False, OURS, codes.append).admit("") is None
    assert codes == []


def test_by_default_the_board_listens_on_the_loopback_address_only():
    board = Board(BoardPlan(port=0), lambda command: None, lambda code: None)
    try:
        assert board._socket.getsockname()[0] == "127.0.0.1"
        assert board.address.startswith("http://127.0.0.1:")
        assert httpx.get(board.address, trust_env=False).status_code == 200
    finally:
        board.close()


def test_on_a_network_the_page_comes_over_tls_with_the_certificate_whose_fingerprint_is_told(codes, monkeypatch):
    monkeypatch.setattr(server, "own_addresses", lambda: ["127.0.0.1"])
    board = Board(BoardPlan(port=0, on_network=True), lambda command: None, codes.append)
    try:
        assert board.address.startswith("https://127.0.0.1:")
        context = ssl.create_default_context(cafile=str(board.certificate.cert))
        with urllib.request.urlopen(board.address, context=context, timeout=5) as answer:
            assert b"Code from the terminal" in answer.read()
        with pytest.raises(urllib.error.HTTPError, match="401"):
            urllib.request.urlopen(board.address + "events", context=context, timeout=5)
        with pytest.raises(OSError):  # noqa: PT011 - the kind of error differs between systems
            urllib.request.urlopen(board.address.replace("https", "http"), timeout=5)
        der = ssl.PEM_cert_to_DER_cert(board.certificate.cert.read_text())
        import hashlib

        assert hashlib.sha256(der).hexdigest().upper() == board.certificate.fingerprint.replace(":", "")
        key = board.certificate.key
        assert key.stat().st_mode & 0o077 == 0
    finally:
        board.close()
    assert not key.exists()


def test_a_missing_library_for_tls_is_a_sentence(tmp_path, monkeypatch):
    import builtins

    real = builtins.__import__

    def without(name, *args, **kwargs):
        if name.startswith("cryptography"):
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(SettingsError, match="pip install"):
        make_certificate(tmp_path, ["127.0.0.1"])


def test_a_taken_port_gives_the_next_and_ten_taken_ports_a_sentence():
    first = Board(BoardPlan(port=0), lambda command: None, lambda code: None)
    port = first._socket.getsockname()[1]
    second = Board(BoardPlan(port=port), lambda command: None, lambda code: None)
    try:
        assert second._socket.getsockname()[1] in range(port + 1, port + 10)
    finally:
        first.close()
        second.close()


def test_our_own_addresses_are_found_without_sending_anything():
    assert all(not address.startswith("127.") for address in entry.own_addresses())


def in_a_loop_of_its_own(work):
    """Run a coroutine function in a thread (the browser tests keep a loop in the main thread)."""
    with ThreadPoolExecutor(1) as apart:
        return apart.submit(lambda: asyncio.run(work())).result(timeout=20)


def test_a_stream_ends_only_after_the_last_picture_was_sent():
    async def read():
        feed = Feed()
        feed.attach(asyncio.get_running_loop())
        feed.publish("view", "1")
        stream = feed.stream()
        first = [await anext(stream), await anext(stream)]
        feed.publish("view", "2")
        feed.close()
        return [*first, *[message async for message in stream]]

    assert in_a_loop_of_its_own(read) == [
        "retry: 1000\n\n", "event: view\ndata: 1\n\n", "event: view\ndata: 2\n\n",
    ]  # fmt: skip


def test_a_slow_page_skips_pictures_and_gets_the_newest():
    async def read():
        feed = Feed()
        feed.attach(asyncio.get_running_loop())
        stream = feed.stream()
        await anext(stream)
        for n in range(100):
            feed.publish("view", str(n))
            feed.publish("meter", str(n))
        feed.close()
        return [message async for message in stream]

    assert in_a_loop_of_its_own(read) == ["event: view\ndata: 99\n\n", "event: meter\ndata: 99\n\n"]
