"""The room board in a real browser: updates arrive, it can be read from far, it excludes nobody."""

import json
import re
import time

import pytest

from tests.dictate.live.pictures import BUSY, LONGEST, SUMMED, finding

SIZES = {"room": {"width": 1280, "height": 720}, "phone": {"width": 390, "height": 844}}
PICTURES = {
    "busy": BUSY,
    "longest": LONGEST,
    "paused": BUSY.model_copy(update={"phase": "paused", "recording": "Paused: nothing is kept"}),
    "missing": BUSY.model_copy(update={"missing_asked": True}),
    "ended": SUMMED,
    "first": BUSY.model_copy(update={"latest": None, "earlier": (), "station": "", "queries": (), "unread_count": 0}),
}


def publish(board, view, *, level=0.4, elapsed_s=252.0):
    board.feed.publish("view", view.model_dump_json())
    board.feed.publish("meter", json.dumps({"level": level, "elapsed_s": elapsed_s}))


@pytest.fixture(params=SIZES)
def page(request, chromium, board):
    opened = chromium.new_page(viewport=SIZES[request.param])
    opened.faults = []
    opened.on("pageerror", lambda error: opened.faults.append(str(error)))
    opened.on("console", lambda line: opened.faults.append(line.text) if line.type == "error" else None)
    yield opened
    assert opened.faults == []
    opened.close()


def pressed_kinds(page, board, count):
    """The commands that reached the program: waits for `count` of them, then a little for one too many."""
    for _ in range(150):
        if len(board.pressed) >= count:
            break
        page.wait_for_timeout(100)
    page.wait_for_timeout(300)
    return [command.kind for command in board.pressed]


def opened_on(page, board, view):
    publish(board, view)
    page.goto(board.address)
    page.wait_for_selector("body:not([data-phase=waiting])")


def test_a_picture_shows_item_side_as_a_word_and_result(page, board):
    opened_on(page, board, BUSY)
    assert page.inner_text("#item") == "Arm drift"
    assert page.inner_text("#side") == "LEFT"
    assert page.inner_text("#result") == "pronator, abnormal"
    assert page.inner_text("#station") == "Arms"
    page.wait_for_selector("#clock:has-text('4:12')")  # the meter comes by itself, after the picture
    assert page.inner_text("#recording-words") == "Recording"
    assert "finger nose is accurate on the" in page.inner_text("#hearing")
    assert page.inner_text("#here-title") == "Still open in Arms: 7"


def test_a_new_finding_arrives_in_an_open_page_without_reloading(page, board):
    opened_on(page, board, BUSY)
    page.evaluate("window.sameDocument = true")
    update = {"latest": finding("Plantar response", "right", "extensor, abnormal", "right plantar up", "abnormal")}
    publish(board, BUSY.model_copy(update=update))
    page.wait_for_selector("#item:has-text('Plantar response')")
    assert page.inner_text("#side") == "RIGHT"
    assert page.evaluate("window.sameDocument")


@pytest.mark.parametrize("name", ["busy", "longest", "first"])
def test_the_main_line_is_at_least_seven_hundredths_of_the_screen_high(page, board, name):
    opened_on(page, board, PICTURES[name])
    height = page.viewport_size["height"]
    for line in ("#item", "#result") if name != "first" else ("#item",):
        size = page.eval_on_selector(line, "e => parseFloat(getComputedStyle(e).fontSize)")
        assert size >= 0.07 * height, line


@pytest.mark.parametrize("name", PICTURES)
def test_nothing_is_cut_off_at_the_sides_and_the_last_finding_is_on_the_first_screen(page, board, name):
    opened_on(page, board, PICTURES[name])
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    if name in ("busy", "longest", "paused"):
        box = page.locator("#result").bounding_box()
        assert box["y"] + box["height"] <= page.viewport_size["height"]
        assert box["x"] + box["width"] <= page.viewport_size["width"]


@pytest.mark.parametrize("name", PICTURES)
def test_the_accessibility_checker_finds_nothing(page, board, axe, name):
    opened_on(page, board, PICTURES[name])
    page.evaluate(axe)
    result = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    assert [(v["id"], [n["html"] for n in v["nodes"]]) for v in result["violations"]] == []


def test_in_the_room_everything_fits_one_screen_without_scrolling(chromium, board):
    page = chromium.new_page(viewport=SIZES["room"])
    for view in PICTURES.values():
        publish(board, view)
        page.goto(board.address)
        page.wait_for_selector("body:not([data-phase=waiting])")
        assert page.evaluate("document.documentElement.scrollHeight <= innerHeight")
        foot = page.locator("footer").bounding_box()
        assert foot["y"] + foot["height"] <= 720
        for each in ("#here", "#ask", "#latest"):
            if page.locator("#panel").is_hidden():
                box = page.locator(each).bounding_box()
                assert box["y"] + box["height"] <= foot["y"], each
    page.close()


def test_a_list_that_is_too_long_says_how_many_more_there_are(chromium, board):
    page = chromium.new_page(viewport=SIZES["room"])
    opened_on(page, board, SUMMED)
    last = page.locator("#columns section").first.locator("li").last.inner_text()
    shown = page.locator("#columns section").first.locator("li").count() - 1
    assert re.fullmatch(rf"and {len(SUMMED.summary.omissions) - shown} more", last)
    page.close()


@pytest.mark.parametrize(
    ("act", "kinds"),
    [
        (lambda page: page.keyboard.press("p"), ["pause"]),
        (lambda page: page.click("button:has-text('What is missing')"), ["missing"]),
        (lambda page: page.keyboard.press("W"), ["withdraw"]),
        (lambda page: page.keyboard.press("e"), []),
        (lambda page: (page.keyboard.press("e"), page.keyboard.press("e")), ["end"]),
        (lambda page: page.keyboard.press("Control+p"), []),
        (lambda page: page.keyboard.press("x"), []),
    ],
)
def test_keys_and_buttons_reach_the_program_and_the_end_needs_two_presses(chromium, board, act, kinds):
    page = chromium.new_page(viewport=SIZES["room"])
    opened_on(page, board, BUSY)
    act(page)
    assert pressed_kinds(page, board, len(kinds)) == kinds
    page.close()


def test_while_paused_the_button_resumes(chromium, board):
    page = chromium.new_page(viewport=SIZES["room"])
    opened_on(page, board, PICTURES["paused"])
    page.click("#key-pause")
    assert pressed_kinds(page, board, 1) == ["resume"]
    assert "Paused" in page.inner_text("#recording")
    page.close()


def test_what_is_missing_is_answered_with_every_open_item(page, board):
    opened_on(page, board, PICTURES["missing"])
    text = page.inner_text("#panel")
    assert page.locator("#panel").bounding_box()["y"] < 200
    for line in ("Tandem gait", "Cogwheel rigidity right only", "Visual fields", "Plantar response"):
        assert line in text


def test_a_trouble_is_announced(page, board):
    opened_on(page, board, LONGEST)
    assert page.get_by_role("alert").inner_text() == LONGEST.notices[0]


def test_words_are_shown_as_words_never_as_markup(page, board):
    evil = "<img src=x onerror=alert(1)><b>bold</b>"
    shown = finding(evil, "left", evil, evil)
    opened_on(page, board, BUSY.model_copy(update={"latest": shown, "queries": (evil,), "partial": evil}))
    assert page.inner_text("#item") == evil
    assert page.locator("main b, main img").count() == 0


def test_a_page_whose_program_died_says_so_and_recovers_no_false_trust(chromium):
    from dictate.live.board.server import Board, BoardPlan

    served = Board(BoardPlan(port=0), lambda command: None, lambda code: None)
    page = chromium.new_page(viewport=SIZES["room"])
    opened_on(page, served, BUSY)
    assert page.inner_text("#recording-words") == "Recording"
    served.close()
    page.wait_for_selector("#alarm:has-text('this picture may be old')", timeout=20_000)
    assert page.inner_text("#recording-words") == "Connection lost"
    page.close()


def test_nothing_is_loaded_from_elsewhere(chromium, board):
    page = chromium.new_page(viewport=SIZES["room"])
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    opened_on(page, board, BUSY)
    time.sleep(0.3)
    assert {url[: len(board.address)] for url in asked} == {board.address}
    page.close()


def test_keys_pressed_quickly_arrive_in_their_order(chromium, board):
    page = chromium.new_page(viewport=SIZES["room"])
    opened_on(page, board, BUSY)
    page.keyboard.type("wmpwmpee")
    kinds = ["withdraw", "missing", "pause", "withdraw", "missing", "pause", "end"]
    assert pressed_kinds(page, board, len(kinds)) == kinds
    page.close()
