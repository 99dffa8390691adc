"""Listening in parts, dictating additions, and the live feed."""

from __future__ import annotations

import asyncio
import io
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dictate.desk.feed import Feed
from dictate.errors import EngineError
from dictate.storage import Store
from tests.dictate.desk.conftest import Browser, keep, words_of
from tests.dictate.storage.examples import example_sound

SIZE = 44 + 12 * 16_000 * 2
RANGES = [
    (None, 200, 0, SIZE),
    ("bytes=0-", 206, 0, SIZE),
    ("bytes=0-99", 206, 0, 100),
    ("bytes=44-1043", 206, 44, 1044),
    ("bytes=319990-320100", 206, 319_990, 320_101),
    ("bytes=-500", 206, SIZE - 500, SIZE),
    (f"bytes={SIZE - 1}-", 206, SIZE - 1, SIZE),
    (f"bytes=0-{SIZE + 999}", 206, 0, SIZE),
    ("bytes=-9999999", 206, 0, SIZE),
    (f"bytes={SIZE}-", 416, 0, 0),
    ("bytes=500-100", 416, 0, 0),
    ("bytes=-", 200, 0, SIZE),
    ("bytes=0-10,20-30", 200, 0, SIZE),
    ("bytes=a-b", 200, 0, SIZE),
    ("lines=0-10", 200, 0, SIZE),
]


@pytest.mark.parametrize(("asked", "status", "start", "end"), RANGES)
def test_any_range_of_the_sound(
    store: Store, browser: Browser, asked: str | None, status: int, start: int, end: int
) -> None:
    number = keep(store)
    browser.sign_in("sue")
    whole = store.sound(number).read(0, SIZE)
    answer = browser.get(f"/drafts/{number}/sound/0.wav", headers={"range": asked} if asked else {})
    assert answer.status_code == status
    if status == 416:
        assert answer.headers["content-range"] == f"bytes */{SIZE}"
        return
    assert answer.content == whole[start:end]
    assert answer.headers["content-type"] == "audio/wav"
    if status == 206:
        assert answer.headers["content-range"] == f"bytes {start}-{end - 1}/{SIZE}"
    else:
        heard, _rate = soundfile.read(io.BytesIO(answer.content), dtype="int16")
        assert np.array_equal(heard, example_sound(12))


def wave(seconds: float = 1.0) -> bytes:
    buffer = io.BytesIO()
    soundfile.write(buffer, example_sound(seconds), 16_000, format="WAV", subtype="PCM_16")
    return buffer.getvalue()


def dictating(store: Store, text: str) -> Browser:
    """A desk whose recogniser hears the given words in any sound."""
    return Browser(store, hear=lambda path: (words_of(text), soundfile.read(path, dtype="int16")[0]))


def send(browser: Browser, number: int) -> dict[str, object]:
    answer = browser.client.post(
        f"/drafts/{number}/dictation",
        content=wave(),
        headers={"x-csrf": browser.csrf, "accept": "application/json"},
    )
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_a_dictated_addition_keeps_its_sound_and_words(store: Store) -> None:
    number = keep(store)
    browser = dictating(store, "right ankle jerk two plus")
    browser.sign_in("mary")
    heard = send(browser, number)
    assert heard["text"] == "right ankle jerk two plus"
    assert store.head(number).revision == 0, "nothing is saved before it was looked at"
    answer = browser.post(f"/drafts/{number}/phrase", phrase=heard["text"], dictation=heard["dictation"])
    assert answer.status_code == 303
    _examination, addition = store.recordings(number)
    transcript = store.note(number).transcript
    assert addition.kind == "addition"
    assert [transcript[w.start_char : w.end_char] for w in addition.words] == str(heard["text"]).split()
    assert np.array_equal(store.sound(number, 1).all_samples(), example_sound(1))
    assert store.draft(number).document.entries[-1].origin == "dictated"
    page = browser.get(f"/drafts/{number}").text
    assert 'data-r="1"' in page
    assert browser.get(f"/drafts/{number}/sound/1.wav").status_code == 200


def test_a_question_is_answered_by_dictation(store: Store) -> None:
    number = keep(store)
    browser = dictating(store, "left plantar extensor")
    browser.sign_in("sue")
    browser.post(f"/drafts/{number}/questions", question="which side?")
    browser.sign_in("mary")
    heard = send(browser, number)
    answer = browser.post(
        f"/drafts/{number}/questions/1", answer=heard["text"], dictation=heard["dictation"], take="yes"
    )
    assert answer.status_code == 303
    assert len(store.recordings(number)) == 2
    assert store.draft(number).document.open_questions() == ()


def test_a_stale_dictation_can_be_saved_again(store: Store) -> None:
    number = keep(store)
    browser = dictating(store, "right ankle jerk two plus")
    browser.sign_in("mary")
    heard = send(browser, number)
    facts = {"phrase": heard["text"], "dictation": heard["dictation"]}
    assert browser.post(f"/drafts/{number}/phrase", revision=7, **facts).status_code == 409
    assert len(store.recordings(number)) == 1
    assert browser.post(f"/drafts/{number}/phrase", **facts).status_code == 303
    assert browser.post(f"/drafts/{number}/phrase", **facts).status_code == 400, "but only once"


def test_a_dictation_belongs_to_its_person_and_draft(store: Store) -> None:
    number, other = keep(store), keep(store)
    browser = dictating(store, "right ankle jerk two plus")
    browser.sign_in("mary")
    heard = send(browser, number)
    facts = {"phrase": heard["text"], "dictation": heard["dictation"]}
    assert browser.post(f"/drafts/{other}/phrase", **facts).status_code == 400
    browser.sign_in("sue")
    assert browser.post(f"/drafts/{number}/phrase", **facts).status_code == 400


def test_a_recogniser_that_fails_gets_a_sentence(store: Store) -> None:
    def broken(path: Path) -> tuple[object, object]:
        raise EngineError("No speech model is installed; run `dictate doctor`.")

    number = keep(store)
    browser = Browser(store, hear=broken)
    browser.sign_in("mary")
    answer = browser.client.post(
        f"/drafts/{number}/dictation",
        content=wave(),
        headers={"x-csrf": browser.csrf, "accept": "application/json"},
    )
    assert answer.status_code == 503
    assert "dictate doctor" in answer.json()["said"]


def test_the_feed_tells_of_changes_and_of_who_else_is_there() -> None:
    facts = {"revision": 0}

    async def listen() -> list[dict[str, object]]:
        feed = Feed()
        seen: list[dict[str, object]] = []
        alive = True
        stream = feed.stream(1, "Sue", lambda: (facts["revision"], "draft"), lambda: alive)

        async def next_facts() -> dict[str, object]:
            while True:
                text = (await asyncio.wait_for(anext(stream), 10)).decode()
                if text.startswith("data: "):
                    return json.loads(text.removeprefix("data: "))

        seen.append(await next_facts())
        other = feed.stream(1, "Mary", lambda: (facts["revision"], "draft"), lambda: True)
        await asyncio.wait_for(anext(other), 10)
        seen.append(await next_facts())
        facts["revision"] = 1
        feed.tell(1)
        seen.append(await next_facts())
        await other.aclose()
        seen.append(await next_facts())
        alive = False
        feed.tell(1)
        with pytest.raises(StopAsyncIteration):
            await asyncio.wait_for(anext(stream), 10)
        return seen

    assert asyncio.run(listen()) == [
        {"revision": 0, "state": "draft", "others": []},
        {"revision": 0, "state": "draft", "others": ["Mary"]},
        {"revision": 1, "state": "draft", "others": ["Mary"]},
        {"revision": 1, "state": "draft", "others": []},
    ]
