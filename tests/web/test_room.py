"""Room for finger and eye on the pages that draw: nothing too small, too wide, shifting, or lost when text is large."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from tests.web.conftest import layout_shifts
from tests.web.test_seen import losing
from tests.web.test_track_page import drive, lanes

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PATHS = (
    "/messages", "/day", "/track", "/take", "/job", "/compare",
    "/needs", "/needs/alive", "/needs/alive/change", "/box", "/box/wifi",
    "/box/update", "/watches", "/faults", "/help",
)  # fmt: skip
SMALL = """() => [...document.querySelectorAll(
    "button, select, summary, a, label.pick, input:not([type=radio], [type=checkbox])")]
  .filter((one) => one.checkVisibility() && one.getBoundingClientRect().height > 0)
  .filter((one) => one.getBoundingClientRect().height < 47.5 || one.getBoundingClientRect().width < 44)
  .map((one) => one.outerHTML.slice(0, 120))"""
CUT = """() => [...document.querySelectorAll("main :is(a, button, th, td, p, b), nav :is(a, summary)")]
  .filter((one) => one.checkVisibility() && !one.closest(".wide"))
  .filter((one) => { const { left, right } = one.getBoundingClientRect(); return left < -1 || right > innerWidth + 1; })
  .map((one) => one.outerHTML.slice(0, 120))"""


@pytest.fixture
def address(page: Any, equipped: Any, picture: dict[str, Any]) -> Iterator[str]:
    """A drive with faults, served beside a picture that is renewed."""
    drive(page.history_path, lanes, 1200, ((300, 330), (700, 705)))
    stop = threading.Event()

    def renew() -> None:
        while not stop.wait(0.2):
            page.show(picture)

    renewing = threading.Thread(target=renew)
    renewing.start()
    yield f"http://linelamp.local:{equipped.port}"
    stop.set()
    renewing.join(5)


def shown(page: Page, address: str, path: str) -> None:
    page.goto(f"{address}{path}")
    page.wait_for_timeout(400)
    page.evaluate("for (const one of document.querySelectorAll('main details')) one.open = true")


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_all_fits_the_screen_and_the_finger_and_nothing_shifts(browser: Browser, address: str, width: int) -> None:
    """48 px: a choice of ours, above the 44 of WCAG 2.2, success criterion 2.5.5. Shifts: Layout Instability (WICG)."""
    context = browser.new_context(viewport={"width": width, "height": 844})
    page = context.new_page()
    for path in PATHS:
        page.goto(f"{address}{path}")
        page.wait_for_timeout(300)
        shifts = layout_shifts(page)
        page.wait_for_timeout(400)
        assert sum(shifts) < 0.01, path
        shown(page, address, path)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        assert page.evaluate(SMALL) == [], path
    context.close()


@pytest.fixture
def large(browser: Browser) -> Iterator[Browser]:
    """A browser whose owner has text drawn twice as large."""
    names = "--host-resolver-rules=MAP linelamp.local 127.0.0.1"
    args = ["--no-sandbox", "--disable-gpu", names, "--blink-settings=defaultFontSize=32"]
    opened = browser.browser_type.launch(executable_path=shutil.which("chromium"), args=args)
    yield opened
    opened.close()


def test_text_twice_as_large_is_all_there(large: Browser, address: str) -> None:
    """WCAG 2.2, success criterion 1.4.4: text can be resized up to 200 % without loss."""
    context = large.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    for path in ("/", *PATHS):
        shown(page, address, path)
        assert page.evaluate("parseFloat(getComputedStyle(document.documentElement).fontSize)") == 32
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, path
        assert page.evaluate(CUT) == [], path
        assert page.locator("nav.bar").evaluate("(bar) => getComputedStyle(bar).position") == "static"
    context.close()


CUT_WORDS = """() => [...document.querySelectorAll(".word")]
  .filter((one) => one.scrollWidth > one.clientWidth + 1).map((one) => one.textContent)"""


@pytest.mark.parametrize("twice", [False, True])
def test_the_word_of_the_verdict_is_whole_in_every_language(
    browser: Browser, large: Browser, past: Any, server: Any, *, picture: dict[str, Any], turned: Any, twice: bool
) -> None:
    context = (large if twice else browser).new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    address = f"http://linelamp.local:{server.port}"
    for language in ("en", "de", "fr", "es", "pt-BR"):
        page.goto(f"{address}/language/{language}")
        for state in ("go", "wait", "no-go"):
            with past.kept_up(losing(picture, turned, state)):
                page.goto(f"{address}/")
                assert page.locator(f"#verdict .verdict.{state}").count() == 1
                assert page.evaluate(CUT_WORDS) == [], language
                assert page.evaluate(CUT) == [], (language, state)
                assert page.evaluate("document.documentElement.scrollWidth") <= 390, (language, state)
        past.picture_path.unlink()
        page.goto(f"{address}/wiggle")
        assert page.locator(".verdict.deaf").count() == 1
        assert page.evaluate(CUT_WORDS) == [], language
    context.close()


def test_on_paper_it_is_day_and_the_bar_is_gone(browser: Browser, address: str) -> None:
    context = browser.new_context(viewport={"width": 800, "height": 1000}, color_scheme="dark")
    page = context.new_page()
    page.goto(f"{address}/track")
    page.emulate_media(media="print", color_scheme="dark")
    assert page.locator("nav.bar").is_hidden()
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(18, 23, 20)"
    assert page.locator("#plan").is_visible()
    context.close()
