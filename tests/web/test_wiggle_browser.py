"""The wiggle page in a real browser: strokes of sound and vibration, touch lost, no JavaScript, size on the screen."""

from __future__ import annotations

import copy
import json
import re
import threading
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.slow]

TEST: dict[str, Any] = {
    "format": 1, "on": True, "line": "from-receiver", "started_utc": "2026-05-04T09:12:00.000Z", "seconds": 20.0,
    "count": 0, "damaged": 0, "missing": 0, "last_hit_s": None, "silent": False, "silence_s": 0.05, "strip": [0] * 240,
}  # fmt: skip

HEARING = """
window.strokes = [];
window.shakes = [];
const start = OscillatorNode.prototype.start;
OscillatorNode.prototype.start = function (at) { strokes.push(at); return start.call(this, at); };
Navigator.prototype.vibrate = function (pattern) { shakes.push([pattern].flat()); return true; };
"""
"""Takes down at the browser's own doors what would be heard and felt."""


class Tap:
    """A listening part that shows its picture and a test, over and over. test: what it shows; None: no test was run."""

    def __init__(self, page: Any, picture: dict[str, Any]) -> None:
        self.test: dict[str, Any] | None = None
        self._page = page
        self._picture = picture
        self._stop = threading.Event()
        self._renewing = threading.Thread(target=self._renew)
        self._renewing.start()

    def lose(self, number: int = 1) -> None:
        """So many more damaged sentences."""
        assert self.test is not None
        count = self.test["count"] + number
        self.test = self.test | {"count": count, "damaged": count, "last_hit_s": 0.01}

    def calm(self) -> None:
        """The last loss is some time ago."""
        assert self.test is not None
        self.test = self.test | {"last_hit_s": 5.0}

    def end(self) -> None:
        self._stop.set()
        self._renewing.join(5)

    def _renew(self) -> None:
        path = self._page.picture_path.with_name("wiggle.json")
        while not self._stop.wait(0.05):
            self._page.show(self._picture)
            if self.test is not None:
                fresh = path.with_suffix(".new")
                fresh.write_text(json.dumps(self.test))
                fresh.replace(path)


@pytest.fixture
def tap(page: Any, server: Any, picture: dict[str, Any]) -> Iterator[Tap]:
    made = Tap(page, picture)
    yield made
    made.end()


@pytest.fixture
def url(server: Any) -> str:
    """By name, since a browser trusts 127.0.0.1 more than it will trust the box."""
    return f"http://linelamp.local:{server.port}/wiggle"


@pytest.fixture
def phone(browser: Browser, tap: Tap, url: str) -> Iterator[Page]:
    """A phone that shows the page; fails on any error or refusal that the browser reports."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    screen = context.new_page()
    complaints: list[str] = []
    screen.on("pageerror", lambda error: complaints.append(str(error)))
    screen.on("console", lambda said: complaints.append(said.text) if "Content Security" in said.text else None)
    screen.add_init_script(HEARING)
    screen.goto(url)
    yield screen
    context.close()
    assert complaints == []


def start(phone: Page, tap: Tap, listener: Any) -> None:
    """A tap on Start, and the listening part does it."""
    phone.get_by_role("button", name="Start").click()
    expect(phone.locator("#order button").first).to_be_enabled()
    assert listener.heard[-1] == {"do": "wiggle", "on": True}
    tap.test = dict(TEST)
    expect(phone.locator(".word").last).to_have_text("STEADY")


def test_one_stroke_of_each_for_each_loss(phone: Page, tap: Tap, listener: Any) -> None:
    start(phone, tap, listener)
    for number in (1, 2, 3):
        tap.lose()
        expect(phone.locator(".count")).to_have_text(str(number))
        assert phone.evaluate("strokes.length") == number
        assert phone.evaluate("shakes.map(shake => shake[0])") == [60] * number
    expect(phone.locator(".verdict")).to_contain_text("LOSS")
    tap.calm()
    expect(phone.locator(".verdict")).to_contain_text("STEADY")
    assert phone.evaluate("strokes.length") == 3


def test_losses_at_once_are_strokes_one_after_another_and_never_lag(phone: Page, tap: Tap, listener: Any) -> None:
    start(phone, tap, listener)
    tap.lose(3)
    expect(phone.locator(".count")).to_have_text("3")
    strokes = phone.evaluate("strokes")
    assert len(strokes) == 3
    assert all(after - before > 0.08 for before, after in pairwise(strokes))
    phone.wait_for_timeout(600)
    tap.lose(500)
    expect(phone.locator(".count")).to_have_text("503")
    assert phone.evaluate("strokes.length") <= 3 + 5
    assert phone.evaluate("Math.max(...strokes)") - phone.evaluate("strokes[3]") <= 0.6


def test_a_phone_that_joins_is_silent_until_it_is_tapped(phone: Page, tap: Tap) -> None:
    tap.test = TEST | {"count": 7, "damaged": 7}
    phone.wait_for_timeout(200)
    phone.reload()
    phone.wait_for_timeout(500)
    expect(phone.locator(".count")).to_have_text("7")
    assert phone.evaluate("[strokes.length, shakes.length]") == [0, 0]  # those were before its time
    tap.lose()
    expect(phone.locator(".count")).to_have_text("8")
    assert phone.evaluate("[strokes.length, shakes.length]") == [0, 1]
    sound = phone.locator("#sound")
    expect(sound).to_have_attribute("aria-pressed", "false")
    sound.click()
    expect(sound).to_have_attribute("aria-pressed", "true")
    tap.lose()
    expect(phone.locator(".count")).to_have_text("9")
    assert phone.evaluate("strokes.length") == 1
    sound.click()
    tap.lose()
    expect(phone.locator(".count")).to_have_text("10")
    assert phone.evaluate("strokes.length") == 1


def test_a_refusal_is_told_and_leaves_the_page(phone: Page, tap: Tap, listener: Any) -> None:
    listener.answer = {"ok": False, "says": "Not now."}
    phone.evaluate("window.same = true")
    phone.get_by_role("button", name="Start").click()
    expect(phone.locator("#said")).to_have_text("Not now.")
    assert phone.evaluate("window.same")


def test_lost_touch_is_told_as_on_the_front_page(phone: Page, tap: Tap, server: Any) -> None:
    tap.test = dict(TEST)
    expect(phone.locator(".word").last).to_have_text("STEADY")
    server.kill()
    lost = phone.locator("#lost")
    expect(lost).to_contain_text(re.compile(r"Lost touch with the box. What you see is from \d\d:\d\d:\d\d "))
    expect(lost).to_be_visible(timeout=3500)
    assert phone.title().startswith("LOST")
    tap.test = TEST | {"count": 4, "damaged": 4}
    server.start()
    expect(lost).to_be_hidden(timeout=10_000)
    expect(phone.locator(".count")).to_have_text("4")
    assert phone.evaluate("shakes.length") == 0  # a stroke means now


def test_a_test_that_nobody_runs_any_more_is_never_steady(phone: Page, tap: Tap) -> None:
    tap.test = dict(TEST)
    expect(phone.locator(".word").last).to_have_text("STEADY")
    tap.test = None
    expect(phone.locator(".word").last).to_have_text("NOT LISTENING", timeout=3000)


def test_works_without_javascript(browser: Browser, tap: Tap, listener: Any, url: str) -> None:
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 844})
    phone = context.new_page()
    phone.goto(url)
    expect(phone.locator("noscript p")).to_contain_text("Reload it")
    tap.test = dict(TEST)
    phone.get_by_role("button", name="Start").click()
    phone.wait_for_url(url)
    assert listener.heard == [{"do": "wiggle", "on": True}]
    phone.reload()
    expect(phone.locator(".word").last).to_have_text("STEADY")
    phone.get_by_role("button", name="Stop").click()
    phone.wait_for_url(url)
    assert listener.heard[1:] == [{"do": "wiggle", "on": False}]
    context.close()


SHOWN: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
    "steady": lambda test: test,
    "loss": lambda test: test | {"count": 12, "damaged": 12, "last_hit_s": 0.1, "strip": [0] * 200 + [1] * 40},
    "silent": lambda test: test | {"count": 12_345, "missing": 12_345, "silent": True, "silence_s": 300.0},
    "off": lambda test: test | {"count": 3, "damaged": 3, "on": False},
}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [(320, 700), (390, 844), (1280, 800)])
def test_fits_the_screen_the_finger_and_the_eye(
    browser: Browser, tap: Tap, url: str, size: tuple[int, int], scheme: Any
) -> None:
    """No scrolling sideways, all within one screen while a test is on, 48 px for a finger, and nothing moves."""
    width, height = size
    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
    screen = context.new_page()
    places = set()
    for state, change in SHOWN.items():
        tap.test = change(copy.deepcopy(TEST))
        screen.wait_for_timeout(120)
        screen.goto(url)
        expect(screen.locator(f".verdict.{state}")).to_be_visible()
        assert screen.evaluate("document.documentElement.scrollWidth") <= width
        count = screen.locator(".count").evaluate(
            "element => [element.scrollWidth <= element.clientWidth, parseFloat(getComputedStyle(element).fontSize)]"
        )
        assert count[0]
        assert count[1] >= (70 if state != "off" else 48)
        stop = screen.locator("#order button").first.bounding_box()
        assert stop
        if state != "off":
            assert stop["y"] + stop["height"] <= height
            places.add(round(stop["y"]))
        for target in screen.locator("button, a").all():
            if target.is_visible() and (shape := target.bounding_box()):
                assert shape["height"] >= 48
    assert len(places) == 1  # a button that moves away under a thumb is pressed in the wrong place
    context.close()
