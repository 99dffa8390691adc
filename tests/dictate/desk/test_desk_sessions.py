"""Signing in and out, throttling, idle timeout, cookies, forms from elsewhere, headers, host names, TLS."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path

import pytest

from dictate.desk import accounts
from dictate.desk.accounts import People
from dictate.desk.serve import check_place
from dictate.errors import DeskError, SignInError
from dictate.storage import Store
from tests.dictate.desk.conftest import PASSWORD, PEOPLE, Browser, keep
from tests.dictate.storage.conftest import Clock


def test_the_cookie_is_for_the_server_only(browser: Browser) -> None:
    cookie = browser.sign_in("sue").headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "path=/" in cookie


def test_under_tls_the_cookie_is_secure_and_bound_to_the_host(store: Store) -> None:
    browser = Browser(store, tls=True)
    answer = browser.sign_in("sue")
    assert answer.headers["set-cookie"].startswith("__Host-desk=")
    assert "secure" in answer.headers["set-cookie"].lower()
    assert "max-age" in answer.headers["strict-transport-security"]


def test_the_store_keeps_no_password_and_no_token(store: Store, browser: Browser, tmp_path: Path) -> None:
    browser.sign_in("sue")
    token = browser.client.cookies["desk"]
    raw = b"".join(path.read_bytes() for path in tmp_path.glob("d.sqlite3*"))
    assert PASSWORD.encode() not in raw
    assert token.encode() not in raw
    assert b"$argon2id$" in raw


@pytest.mark.parametrize(
    ("username", "password"),
    [
        ("sue", "wrong"),
        ("sue", ""),
        ("", PASSWORD),
        ("nobody", PASSWORD),
        ("sue' --", PASSWORD),
        ("SUE", PASSWORD),
    ],
)
def test_a_wrong_name_and_a_wrong_password_get_the_same_answer(browser: Browser, username: str, password: str) -> None:
    answer = browser.sign_in(username, password)
    assert answer.status_code == 401
    assert "The user name or the password is wrong." in answer.text
    assert "set-cookie" not in answer.headers


def test_after_five_mistakes_even_the_right_password_waits(browser: Browser, clock: Clock) -> None:
    for _attempt in range(5):
        assert browser.sign_in("sue", "wrong").status_code == 401
    refused = browser.sign_in("sue")
    assert refused.status_code == 429
    assert 1 <= int(refused.headers["retry-after"]) <= 31
    clock.now += timedelta(seconds=32)
    assert browser.sign_in("sue", "wrong").status_code == 401
    assert int(browser.sign_in("sue").headers["retry-after"]) > 31, "each further mistake doubles the wait"
    clock.now += timedelta(seconds=70)
    assert browser.sign_in("sue").status_code == 303
    assert browser.sign_in("sue", "wrong").status_code == 401, "the count began anew"


def test_a_burst_of_guesses_does_not_overtake_the_count(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    people, looked_at, real = People(store), [], accounts._matches

    def slow(kept: str, password: str) -> bool:
        looked_at.append(password)
        time.sleep(0.03)  # long enough for all the others to arrive
        return real(kept, password)

    def guess(number: int) -> None:
        with pytest.raises(SignInError):
            people.sign_in("sue", f"guess number {number}", f"10.0.0.{number}")

    monkeypatch.setattr(accounts, "_matches", slow)
    with ThreadPoolExecutor(16) as pool:
        list(pool.map(guess, range(16)))
    assert len(looked_at) == 5


def test_guesses_of_strangers_do_not_keep_a_clinician_from_signing(
    store: Store, browser: Browser, clock: Clock
) -> None:
    browser.sign_in("mary")
    stranger = Browser(store)
    for _attempt in range(6):
        stranger.sign_in("mary", "wrong")
    assert stranger.sign_in("mary").status_code == 429
    people = People(store)
    mary = people.who(browser.client.cookies["desk"])
    assert mary is not None
    people.confirm(mary, PASSWORD)
    for _attempt in range(5):
        with pytest.raises(SignInError, match="is wrong"):
            people.confirm(mary, "wrong")
    with pytest.raises(SignInError, match=r"try again in 3[01] seconds"):
        people.confirm(mary, PASSWORD)
    clock.now += timedelta(seconds=31)
    people.confirm(mary, PASSWORD)
    people.confirm(mary, PASSWORD)


def test_an_address_that_guesses_at_many_accounts_waits(browser: Browser, clock: Clock) -> None:
    for number in range(20):
        assert browser.sign_in(f"user{number}", "wrong").status_code == 401
    assert browser.sign_in("sue").status_code == 429
    clock.now += timedelta(minutes=11)
    assert browser.sign_in("sue").status_code == 303


def test_a_session_ends_when_it_is_not_used(store: Store, browser: Browser, clock: Clock) -> None:
    browser.sign_in("sue")
    for _step in range(3):
        clock.now += timedelta(minutes=14)
        assert browser.get("/drafts").status_code == 200
    clock.now += timedelta(minutes=16)
    answer = browser.get("/drafts")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    clock.now -= timedelta(minutes=16)
    assert browser.get("/drafts").status_code == 303, "it does not come back"


def test_what_a_page_does_by_itself_does_not_keep_a_session_alive(browser: Browser, clock: Clock) -> None:
    browser.sign_in("sue")
    for _step in range(3):
        clock.now += timedelta(minutes=6)
        last = browser.get("/drafts", headers={"x-automatic": "1"}).status_code
    assert last == 303


def test_a_session_ends_after_twelve_hours_however_busy(browser: Browser, clock: Clock) -> None:
    browser.sign_in("sue")
    for _step in range(72):
        clock.now += timedelta(minutes=10)
        last = browser.get("/account").status_code
    assert last == 303


def test_signing_out_ends_the_session_on_the_server(store: Store, browser: Browser) -> None:
    browser.sign_in("sue")
    token = browser.client.cookies["desk"]
    browser.post("/sign-out")
    browser.client.cookies.set("desk", token)
    assert browser.get("/drafts").status_code == 303


@pytest.mark.parametrize("what", ["role", "password", "close"])
def test_a_change_of_an_account_ends_its_sessions(store: Store, browser: Browser, what: str) -> None:
    other = Browser(store)
    other.sign_in("sue")
    browser.sign_in("ada")
    assert browser.post("/people/sue", what=what, role="exporter", password="another long phrase").status_code == 303
    assert other.get("/drafts").status_code == 303
    allowed = other.sign_in("sue", "another long phrase" if what == "password" else PASSWORD).status_code
    assert allowed == (401 if what == "close" else 303)


def test_the_last_administrator_stays(store: Store) -> None:
    people = People(store)
    with pytest.raises(DeskError, match="last administrator"):
        people.set_active("ada", False, by="test")
    with pytest.raises(DeskError, match="last administrator"):
        people.set_role("ada", "secretary", by="test")


@pytest.mark.parametrize(
    ("username", "name", "role", "password", "sentence"),
    [
        ("x", "X", "secretary", PASSWORD, "user name 'x' cannot be used"),
        ("Sue B", "X", "secretary", PASSWORD, "cannot be used"),
        ("new", "", "secretary", PASSWORD, "Give the person's name"),
        ("new", "X", "boss", PASSWORD, "There is no role 'boss'"),
        ("new", "X", "secretary", "short", "12 to 1000 characters"),
        ("newname", "X", "secretary", "my newname is it", "too easy to guess"),
        ("new", "X", "secretary", "aaaaaaaaaaaaaaa", "too easy to guess"),
        ("sue", "X", "secretary", PASSWORD, "There is an account sue already"),
    ],
)
def test_a_bad_account_is_refused_with_the_reason(
    store: Store, username: str, name: str, role: str, password: str, sentence: str
) -> None:
    with pytest.raises(DeskError, match=sentence):
        People(store).add(username, name, role, password, by="test")
    assert len(People(store).all()) == len(PEOPLE)


FORM_ATTACKS = [
    ({"csrf": ""}, {}),
    ({"csrf": "guess"}, {}),
    ({"csrf": "\xfc"}, {}),
    ({}, {"origin": "http://evil.example"}),
    ({}, {"origin": "null"}),
    ({}, {"sec-fetch-site": "cross-site"}),
    ({}, {"sec-fetch-site": "same-site"}),
]


@pytest.mark.parametrize(("fields", "headers"), FORM_ATTACKS)
def test_a_form_from_elsewhere_changes_nothing(
    store: Store, browser: Browser, fields: dict[str, str], headers: dict[str, str]
) -> None:
    number = keep(store)
    browser.sign_in("sue")
    answer = browser.post(f"/drafts/{number}/findings/1/withdraw", headers, **fields)
    assert answer.status_code == 403
    assert store.head(number).revision == 0


def test_the_secret_of_another_session_is_not_taken(store: Store, browser: Browser) -> None:
    number = keep(store)
    other = Browser(store)
    other.sign_in("mary")
    browser.sign_in("sue")
    assert browser.post(f"/drafts/{number}/findings/1/withdraw", csrf=other.csrf).status_code == 403
    assert browser.post(f"/drafts/{number}/findings/1/withdraw").status_code == 303


def test_nobody_is_signed_in_from_another_site(browser: Browser) -> None:
    answer = browser.client.post(
        "/sign-in", data={"username": "sue", "password": PASSWORD}, headers={"origin": "http://evil.example"}
    )
    assert answer.status_code == 400
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("path", ["/sign-in", "/drafts", "/drafts/1", "/static/letter.css", "/nowhere", "/drafts/99"])
def test_every_answer_carries_the_strict_headers(store: Store, browser: Browser, path: str) -> None:
    keep(store)
    browser.sign_in("sue")
    headers = browser.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "same-origin"
    if "/static/" not in path:
        assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize("path", ["/sign-in", "/drafts", "/drafts/1", "/drafts/1/findings/1", "/account"])
def test_no_page_holds_inline_script_or_style_or_foreign_addresses(store: Store, browser: Browser, path: str) -> None:
    import re

    keep(store)
    if path != "/sign-in":
        browser.sign_in("sue")
    html = browser.get(path).text
    assert not re.search(r"<script(?![^>]*\ssrc=\"/static/)[^>]*>", html)
    assert "<style" not in html
    assert not re.search(r"\s(style|on\w+)=", html)
    assert not [u for u in re.findall(r"(?:src|href|action)=\"([^\"]+)\"", html) if not u.startswith(("/", "#"))]


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8040", 200),
        ("localhost", 200),
        ("[::1]:8040", 200),
        ("evil.example", 400),
        ("127.0.0.1.evil", 400),
        ("", 400),
    ],
)
def test_only_the_desks_own_host_names_are_answered(browser: Browser, host: str, status: int) -> None:
    assert browser.client.get("/sign-in", headers={"host": host}).status_code == status


def make_certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate for this test, signed by itself."""
    from datetime import UTC, datetime

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "desk.test")])
    start = datetime(2026, 1, 1, tzinfo=UTC)
    certificate = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(1).not_valid_before(start).not_valid_after(start + timedelta(days=3650))
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    paths = folder / "desk.pem", folder / "desk.key"
    paths[0].write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    paths[1].write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return paths


def test_a_network_address_needs_the_option_and_tls(tmp_path: Path) -> None:
    certificate, key = make_certificate(tmp_path)
    assert check_place("127.0.0.1", network=False, certificate=None, key=None) is False
    assert check_place("::1", network=False, certificate=certificate, key=key) is True
    assert check_place("0.0.0.0", network=True, certificate=certificate, key=key) is True
    with pytest.raises(DeskError, match="add --network"):
        check_place("192.168.1.5", network=False, certificate=certificate, key=key)
    with pytest.raises(DeskError, match="needs TLS"):
        check_place("0.0.0.0", network=True, certificate=None, key=None)
    with pytest.raises(DeskError, match="needs both"):
        check_place("127.0.0.1", network=False, certificate=certificate, key=None)
    with pytest.raises(DeskError, match="cannot be used"):
        check_place("0.0.0.0", network=True, certificate=certificate, key=tmp_path / "none")
