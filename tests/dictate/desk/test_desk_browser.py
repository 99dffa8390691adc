"""The desk in a real browser: from a live examination to the export, accessibility, keys, live view,
dictation.
"""

from __future__ import annotations

import itertools
import re
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dictate.storage import Store, Wanted, open_store
from tests.dictate.desk.conftest import PASSWORD, keep
from tests.dictate.desk.servers import (
    CHROMIUM,
    RunningDesk,
    add_people,
    axe_source,
    command,
    end_of_sample,
    running_desk,
    settings_of,
)

playwright = pytest.importorskip("playwright.sync_api")
playwright.expect.set_options(timeout=20_000)
pytestmark = pytest.mark.skipif(not CHROMIUM.exists(), reason="Chromium is not installed (apt-get install chromium)")

# The sample visit ends with the knee, ankle and plantar reflexes of both sides; the plantars come last.
SPOKEN_S, PHRASE_S = 13.5, 4.6
QUIET_ROOM = ["--no-sandbox", "--autoplay-policy=no-user-gesture-required"]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home folder with accounts and one examination, spoken and replayed through `dictate live`."""
    folder = tmp_path_factory.mktemp("home")
    add_people(folder)
    visit = end_of_sample(folder / "visit.wav", SPOKEN_S)
    done = command(
        folder, "live", "--from", str(visit), "--speed", "0", "--no-board", "--patient", "P-17",
        "--clinician", "mary",
        "--json",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert '"kept"' in done.stdout
    return folder


@pytest.fixture(scope="module")
def desk(home: Path) -> Iterator[RunningDesk]:
    with running_desk(home) as running:
        yield running


@pytest.fixture(scope="module")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Chromium whose microphone is a spoken phrase: "plantar extensor on the left, flexor on the right"."""
    phrase = end_of_sample(tmp_path_factory.mktemp("mic") / "phrase.wav", PHRASE_S, pad_s=1.2)
    microphone = [
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-audio-capture={phrase}%noloop",
    ]
    with playwright.sync_playwright() as api:
        browser = api.chromium.launch(executable_path=str(CHROMIUM), args=[*QUIET_ROOM, *microphone])
        yield browser
        browser.close()


Pages = Callable[..., Any]


@pytest.fixture
def page_of(desk: RunningDesk, chromium: Any) -> Iterator[Pages]:
    """Gives a signed-in page of a person; every page must stay free of errors and foreign requests."""
    opened: list[Any] = []
    faults: list[str] = []

    def ours(url: str) -> bool:
        return url.startswith((desk.url, "blob:"))

    def open_page(username: str = "", **options: Any) -> Any:
        context = chromium.new_context(**{"viewport": {"width": 1366, "height": 768}, **options})
        opened.append(context)
        context.set_default_timeout(15_000)
        page = context.new_page()
        page.on("pageerror", lambda error: faults.append(f"error: {error}"))
        page.on("console", lambda said: faults.append(said.text) if "Security Policy" in said.text else None)
        page.on("request", lambda asked: ours(asked.url) or faults.append(asked.url))
        page.goto(desk.url + "/sign-in")
        if username:
            page.fill("#username", username)
            page.fill("#password", PASSWORD)
            page.click("main button")
            page.wait_for_url(re.compile(r"/(drafts|people)"))
        return page

    yield open_page
    for context in opened:
        context.close()
    assert faults == []


def store_of(desk: RunningDesk) -> Store:
    return open_store(settings_of(desk.home), say=lambda text: None)


def until(page: Any, condition: str, seconds: float = 20) -> None:
    """Wait until a condition holds on the page (the content policy forbids the browser's own way of
    waiting).
    """
    deadline = time.monotonic() + seconds
    while not page.evaluate(condition):
        assert time.monotonic() < deadline, f"never became true: {condition}"
        page.wait_for_timeout(50)


def shows(place: Any, text: str) -> None:
    """Wait until a place on the page shows the text."""
    playwright.expect(place).to_contain_text(text, timeout=20_000)


def open_draft(page: Any, desk: RunningDesk, number: int) -> None:
    """Go to a draft and wait until its scripts are at work."""
    page.goto(f"{desk.url}/drafts/{number}")
    until(page, "document.querySelector('#transcript .w[tabindex=\"0\"]') !== null")


def cell(page: Any, place: str, side: str) -> Any:
    row = page.locator(".findings tr", has=page.locator("th", has_text=re.compile(f"^{place}$")))
    return row.locator("td").nth(0 if side == "right" else 1)


def test_from_the_spoken_examination_to_the_export(desk: RunningDesk, page_of: Pages) -> None:
    sue = page_of("sue")
    sue.click("th a:has-text('P-17')")
    sue.wait_for_url(re.compile(r"/drafts/\d+$"))
    number = int(sue.url.rsplit("/", 1)[1])
    shows(cell(sue, "Plantar response", "right"), "flexor")
    shows(cell(sue, "Plantar response", "left"), "extensor")

    # Play a word: the sound starts there and the word that sounds is marked.
    word = sue.locator(".w", has_text=re.compile("^plantar$")).first
    start_s = float(word.get_attribute("data-s"))
    word.click()
    sue.wait_for_selector(".w.now")
    assert abs(sue.evaluate("document.querySelector('audio').currentTime") - start_s) < 1.0
    sue.click("#play")

    # Correct a side; the words stay, the finding says what was heard.
    cell(sue, "Plantar response", "left").locator("a").click()
    sue.locator("dialog").get_by_label("right", exact=True).check()
    sue.click("dialog button:has-text('Save')")
    shows(cell(sue, "Plantar response", "right"), "extensor")
    shows(cell(sue, "Plantar response", "right"), "changed by sue")

    # Type a phrase, see what is read before it is saved, keep the rest as unread text.
    sue.fill("#phrase", "left biceps jerk absent zebra crossing")
    sue.wait_for_selector("#add .preview li")
    shows(sue.locator("#add .preview"), "biceps")
    shows(sue.locator("#add .preview .not"), "zebra")
    sue.click("#add button:has-text('Add')")
    shows(cell(sue, "Tendon reflex, biceps", "left"), "absent")

    # Decide unread text and ask back.
    sue.click("#to-do li[data-unread]:has-text('zebra') button:has-text('Nothing clinical')")
    waiting = sue.locator("#to-do li[data-unread]")
    playwright.expect(waiting.filter(has_text="zebra")).to_have_count(0)
    for left in range(waiting.count() - 1, -1, -1):
        waiting.first.locator("button:has-text('Nothing clinical')").click()
        playwright.expect(waiting).to_have_count(left)
    sue.locator("#questions summary:has-text('Ask back')").click()
    sue.fill("#ask-all", "Was the left biceps jerk really absent?")
    sue.locator("#questions button:has-text('Ask')").click()
    shows(sue.locator("h1"), "asked back")

    # The clinician answers with a finding, lets the queries stand, and signs.
    mary = page_of("mary")
    open_draft(mary, desk, number)
    mary.fill("#questions input[name=answer]", "right biceps jerk two plus")
    mary.wait_for_selector("#questions .preview li")
    mary.click("#questions button:has-text('Answer')")
    shows(cell(mary, "Tendon reflex, biceps", "right"), "2+")
    queries = mary.locator("#to-do summary:has-text('Let it stand')")
    for left in range(queries.count() - 1, -1, -1):
        queries.first.click()
        mary.locator("#to-do form[action$='/queries'] input[name=reason]").first.fill("seen and repeated")
        mary.locator("#to-do form[action$='/queries'] button").first.click()
        playwright.expect(queries).to_have_count(left)
    mary.click("text=Read and sign")
    mary.fill("#password", PASSWORD)
    mary.click("text=Sign as Dr Mary Vale")
    shows(mary.locator(".signature"), "Signed by Dr Mary Vale")
    shows(mary.locator(".signature"), "The note is what was signed.")

    # The exporter sees the signed note and takes it away.
    eli = page_of("eli")
    eli.click("th a:has-text('P-17')")
    with eli.expect_download() as waiting:
        eli.click(".row a:has-text('json')")
    assert "extensor" in Path(waiting.value.path()).read_text(encoding="utf-8")

    # The log verifies; with one byte changed it does not.
    done = command(desk.home, "audit", "verify")
    assert done.returncode == 0, done.stdout
    path = desk.home / "data" / "drafts.sqlite3"
    with sqlite3.connect(path) as connection:
        row, actor = connection.execute("SELECT id, actor FROM audit WHERE action = 'sign'").fetchone()
        connection.execute("UPDATE audit SET actor = ? WHERE id = ?", ("nary", row))
    changed = command(desk.home, "audit", "verify")
    assert changed.returncode == 1
    assert f"Audit entry {row} was changed" in changed.stdout
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE audit SET actor = ? WHERE id = ?", (actor, row))
    assert command(desk.home, "audit", "verify").returncode == 0


def an_open_draft(desk: RunningDesk, **more: Any) -> int:
    with store_of(desk) as store:
        return keep(store, **more)


def violations(page: Any) -> list[str]:
    page.evaluate(axe_source())
    found = page.evaluate("axe.run(document)")["violations"]
    return [f"{page.url} {fault['id']}: {fault['nodes'][0]['html'][:200]}" for fault in found]


@pytest.mark.parametrize("look", ["light", "dark", "tablet"])
def test_no_page_has_an_accessibility_fault(desk: RunningDesk, page_of: Pages, look: str) -> None:
    options: dict[str, Any] = {"color_scheme": "dark" if look == "dark" else "light"}
    if look == "tablet":
        options["viewport"] = {"width": 820, "height": 1180}
    first, number = an_open_draft(desk, patient="A-1"), an_open_draft(desk, patient="A-1")
    with store_of(desk) as store:
        signed = store.listing(Wanted(states=("signed",))).drafts
        if not signed:
            with store.writing() as writer:
                writer.sign(first, 0, store.draft(first).document, "mary", "Dr Mary Vale")
        note = signed[0].number if signed else first
    sue = page_of("sue", **options)
    open_draft(sue, desk, number)
    found = violations(sue)
    for summary in sue.locator("summary").all():
        if summary.is_visible():
            summary.click()
    sue.locator("a.result").first.click()
    sue.wait_for_selector("dialog[open] form")
    found += violations(sue)
    mary = page_of("mary", **options)
    mary.goto(f"{desk.url}/notes/{note}")
    found += violations(mary)
    if look == "light":
        found += violations(page_of(""))
        for page, path in (
            (sue, "/drafts"),
            (sue, f"/drafts/{number}/beside/{first}"),
            (sue, "/account"),
            (sue, "/drafts/9999"),
            (mary, f"/drafts/{number}"),
            (mary, f"/drafts/{number}/sign"),
            (page_of("ada"), "/people"),
        ):
            page.goto(desk.url + path)
            found += violations(page)
    open_draft(sue, desk, number)
    assert found == []
    for page in (sue, mary):
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0, "nothing has to be scrolled sideways"


def test_a_draft_is_reviewed_by_keys_alone(desk: RunningDesk, page_of: Pages) -> None:
    number = an_open_draft(desk, patient="K-1")
    sue = page_of("sue")
    open_draft(sue, desk, number)
    sue.keyboard.press("n")
    assert sue.evaluate("document.activeElement.textContent") == "kettle"
    sue.keyboard.press("ArrowRight")
    assert sue.evaluate("document.activeElement.textContent") == "is"
    sue.keyboard.press("Enter")
    until(sue, "!document.querySelector('audio').paused")
    sue.keyboard.press(" ")
    until(sue, "document.querySelector('audio').paused")
    for key, speed in (("]", "1.25"), ("]", "1.5"), ("[", "1.25")):
        sue.keyboard.press(key)
        assert sue.locator("#speed").input_value() == speed
    sue.keyboard.press("l")
    assert sue.get_attribute("#loop", "aria-pressed") == "true"
    sue.keyboard.press("a")
    sue.keyboard.type("left biceps jerk absent")
    sue.keyboard.press("Enter")
    sue.wait_for_load_state()
    shows(cell(sue, "Tendon reflex, biceps", "left"), "absent")
    sue.locator(".finding.abnormal a.result").first.focus()
    sue.keyboard.press("Enter")
    sue.wait_for_selector("dialog[open] form")
    assert sue.evaluate("document.activeElement.closest('dialog') !== null")
    sue.keyboard.press("Escape")
    assert sue.evaluate("document.activeElement.classList.contains('result')"), "the focus comes back"
    sue.locator("summary:has-text('Keys')").click()
    sue.uncheck("#keys")
    sue.evaluate("document.activeElement.blur()")
    sue.keyboard.press("a")
    assert sue.evaluate("document.activeElement.id") != "phrase", "single keys can be switched off"
    sue.check("#keys")


def test_pointing_at_a_finding_shows_its_words_and_the_other_way_round(desk: RunningDesk, page_of: Pages) -> None:
    number = an_open_draft(desk, patient="H-1")
    sue = page_of("sue")
    open_draft(sue, desk, number)
    finding = sue.locator(".finding.abnormal", has_text="absent")
    finding.hover()
    assert sue.locator(".w.near").all_inner_texts() == ["left", "ankle", "jerk", "absent"]
    sue.locator("h1").hover()
    assert sue.locator(".w.near").count() == 0
    sue.locator(".w", has_text="absent").hover()
    assert "near" in finding.get_attribute("class")


def test_a_phrase_loops(desk: RunningDesk, page_of: Pages) -> None:
    number = an_open_draft(desk, patient="L-1")
    sue = page_of("sue")
    open_draft(sue, desk, number)
    sue.click("#loop")
    sue.select_option("#speed", "2")
    sue.locator(".w", has_text="absent").click()
    until(sue, "!document.querySelector('audio').paused")
    assert sue.evaluate("document.querySelector('audio').playbackRate") == 2
    spots = []
    for _look in range(16):
        sue.wait_for_timeout(150)
        spots.append(sue.evaluate("document.querySelector('audio').currentTime"))
    # "left ankle jerk absent" lies at 5.0 to 6.9 s in the made-up sound.
    assert min(spots) > 4.5
    assert max(spots) < 7.6
    assert any(later < earlier for earlier, later in itertools.pairwise(spots)), "it went back"


def test_the_second_person_sees_the_change_and_a_stale_save_is_explained(desk: RunningDesk, page_of: Pages) -> None:
    number = an_open_draft(desk, patient="T-1")
    sue, mary = page_of("sue"), page_of("mary")
    open_draft(sue, desk, number)
    open_draft(mary, desk, number)
    until(sue, "document.getElementById('news').textContent.includes('Dr Mary Vale')")
    mary.locator(".finding a.result").first.click()
    mary.wait_for_selector("dialog[open] form")
    sue.fill("#phrase", "right ankle jerk two plus")
    sue.click("#add button:has-text('Add')")
    until(mary, "document.getElementById('news').textContent.includes('sue changed this draft')")
    shows(cell(mary, "Tendon reflex, ankle", "right"), "2+")
    mary.locator("dialog").get_by_label("both sides").check()
    mary.click("dialog button:has-text('Save')")
    shows(mary.locator(".refused"), "Not saved.")
    shows(mary.locator(".refused"), "both")
    with store_of(desk) as store:
        assert store.head(number).revision == 1


def test_a_question_is_answered_with_the_microphone(desk: RunningDesk, page_of: Pages) -> None:
    number = an_open_draft(desk, transcript="right knee jerk two plus", patient="M-1")
    sue = page_of("sue")
    open_draft(sue, desk, number)
    sue.locator("#questions summary:has-text('Ask back')").click()
    sue.fill("#ask-all", "And the plantars?")
    sue.locator("#questions button:has-text('Ask')").click()
    mary = page_of("mary", permissions=["microphone"])
    open_draft(mary, desk, number)
    form = mary.locator("#questions form.phrase")
    form.locator("[data-record]").click()
    until(mary, "/listening, [7-9] s/.test(document.querySelector('#questions [data-said]').textContent)")
    form.locator("[data-record]").click()
    until(mary, "document.querySelector('#questions [data-said]').textContent.startsWith('heard')", seconds=90)
    assert "plantar" in form.locator("input[name=answer]").input_value()
    form.locator("button:has-text('Answer')").click()
    shows(cell(mary, "Plantar response", "left"), "extensor")
    shows(cell(mary, "Plantar response", "left"), "dictated later by mary")
    assert mary.locator(".w[data-r='1']").count() > 3, "the addition can be played too"


def test_a_page_prints_without_its_controls(desk: RunningDesk, page_of: Pages) -> None:
    number = an_open_draft(desk, patient="P-2")
    sue = page_of("sue")
    open_draft(sue, desk, number)
    sue.emulate_media(media="print")
    for hidden in ("#player", "#add", "nav", ".actions", "#more"):
        assert not sue.locator(hidden).first.is_visible(), hidden
    for shown in ("#transcript", ".findings", "#figure svg", ".letterhead", ".caution"):
        assert sue.locator(shown).first.is_visible(), shown
    box = sue.locator("#transcript").evaluate("e => [e.scrollHeight, e.clientHeight]")
    assert box[0] <= box[1] + 1, "nothing is cut off"
    assert len(sue.pdf()) > 20_000
