"""The page in a real browser, under its real server: what a technician sees on a phone."""

from __future__ import annotations

import copy
import http.client
import re
import signal
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from appliance.site.streams import STREAMS_MOST
from tests.web.conftest import layout_shifts

pytestmark = [pytest.mark.browser, pytest.mark.slow]

Turned = Callable[[dict[str, Any], str], dict[str, Any]]


class Box:
    """A listening part that renews its picture, beside the served page. picture: the one it shows."""

    def __init__(self, page: Any, server: Any, picture: dict[str, Any]) -> None:
        self._page = page
        self.server = server
        self.picture = picture
        self.listening = True
        self._stop = threading.Event()
        self._renewing = threading.Thread(target=self._renew)
        self._renewing.start()

    @property
    def url(self) -> str:
        """Where the page is. By name, since a browser trusts 127.0.0.1 more than it will trust the box."""
        return f"http://linelamp.local:{self.server.port}"

    def end(self) -> None:
        """Ends the renewing."""
        self._stop.set()
        self._renewing.join(5)

    def _renew(self) -> None:
        while not self._stop.wait(0.2):
            if self.listening:
                self._page.show(self.picture | {"at_utc": datetime.now(UTC).isoformat()})


@pytest.fixture
def box(past: Any, server: Any, picture: dict[str, Any]) -> Iterator[Box]:
    made = Box(past, server, picture)
    yield made
    made.end()


@pytest.fixture
def phone(browser: Browser, box: Box) -> Iterator[Page]:
    """A phone that shows the front page; fails on any error or refusal that the browser reports."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if "Content Security" in said.text else None)
    page.goto(f"{box.url}/")
    yield page
    context.close()
    assert complaints == []


def test_a_fault_is_seen_within_a_second_and_its_end_too(
    phone: Page, box: Box, picture: dict[str, Any], turned: Turned
) -> None:
    word = phone.locator("#verdict .word")
    expect(word).to_have_text("GO")
    box.picture = turned(picture, "no-go")
    began_s = time.monotonic()
    expect(word).to_have_text("NO-GO", timeout=3000)
    assert time.monotonic() - began_s < 1.2  # 0.2 s until the picture is renewed, then a second
    expect(phone.locator("#verdict .why")).to_have_text(box.picture["verdict"]["says"])
    assert phone.title().startswith("NO-GO")
    box.picture = picture
    expect(word).to_have_text("GO", timeout=3000)


LOSSES: dict[str, tuple[Callable[[Any], object], Callable[[Any], object]]] = {
    "the box went off": (lambda server: server.kill(), lambda server: server.start()),
    "the phone went out of reach": (
        lambda server: server.process.send_signal(signal.SIGSTOP),
        lambda server: server.process.send_signal(signal.SIGCONT),
    ),
}


@pytest.mark.parametrize("loss", LOSSES)
def test_a_lost_box_is_told_within_three_seconds_and_mends_by_itself(phone: Page, box: Box, loss: str) -> None:
    lose, mend = LOSSES[loss]
    lost = phone.locator("#lost")
    phone.wait_for_timeout(1500)
    expect(lost).to_be_hidden()
    lose(box.server)
    began_s = time.monotonic()
    while lost.is_hidden() and time.monotonic() - began_s < 5:
        phone.wait_for_timeout(50)
    assert time.monotonic() - began_s < 3.0
    expect(lost).to_contain_text(re.compile(r"Lost touch with the box. What you see is from \d\d:\d\d:\d\d "))
    expect(phone.locator("#verdict .word")).to_have_css("font-size", "32px")
    assert phone.title().startswith("LOST")
    mend(box.server)
    expect(lost).to_be_hidden(timeout=10_000)
    expect(phone.locator("#verdict .word")).to_have_text("GO")


def test_more_phones_than_the_box_can_serve_are_told_so(phone: Page, box: Box, browser: Browser) -> None:
    others = [http.client.HTTPConnection("127.0.0.1", box.server.port, timeout=10) for _ in range(STREAMS_MOST)]
    answers = []
    for other in others:
        other.request("GET", "/live")
        answers.append(other.getresponse())
    late = browser.new_context().new_page()
    late.goto(f"{box.url}/")
    expect(late.locator("#lost-more")).to_contain_text("phones are watching already", timeout=5000)
    for answer, other in zip(answers, others, strict=True):
        answer.close()
        other.close()
    expect(late.locator("#lost")).to_be_hidden(timeout=10_000)
    late.context.close()


def test_a_box_that_stopped_listening_is_a_no_go(phone: Page, box: Box) -> None:
    expect(phone.locator("#verdict .word")).to_have_text("GO")
    box.listening = False
    expect(phone.locator("#verdict")).to_contain_text("The box is not listening", timeout=6000)
    expect(phone.locator("#verdict .word")).to_have_text("NO-GO")
    box.listening = True
    expect(phone.locator("#verdict .word")).to_have_text("GO", timeout=3000)


def test_what_is_open_focused_or_typed_stays_so(phone: Page, box: Box, picture: dict[str, Any]) -> None:
    phone.locator("#all-fields > summary").click()
    inner = phone.locator("[id='fields-from-receiver-GN-VTG']")
    inner.locator("> summary").click()
    phone.locator("#note").fill("row 12")
    phone.locator("#note").focus()
    place = phone.locator("#note").bounding_box()
    changed = copy.deepcopy(picture)
    changed["lines"][0]["messages"].insert(0, changed["lines"][0]["messages"][0] | {"type": "GLL"})
    changed["lines"][0]["messages"][2]["fields"][0][1] = "82.5"
    box.picture = changed
    expect(inner).to_contain_text("82.5", timeout=3000)
    assert inner.evaluate("element => element.open")
    assert not phone.locator("[id='fields-from-receiver-GN-GLL']").evaluate("element => element.open")
    assert phone.locator("#note").input_value() == "row 12"
    assert phone.evaluate("document.activeElement.id") == "note"
    assert phone.locator("#note").bounding_box() == pytest.approx(place, abs=1)  # though a row came in above it


def test_updates_shift_nothing(phone: Page) -> None:
    """Layout Instability (W3C, WICG): the sum of shifts over some updates is nil."""
    phone.wait_for_timeout(1200)
    shifts = layout_shifts(phone)
    phone.wait_for_timeout(300)
    before = len(shifts)  # what came while the page was laid out is told at once
    phone.wait_for_timeout(3000)
    assert sum(shifts[before:]) == 0
    phone.evaluate("document.body.prepend(Object.assign(document.createElement('p'), {textContent: 'a row more'}))")
    phone.wait_for_timeout(500)
    assert sum(shifts[before:]) > 0  # so a shift would have been told


def test_a_mark_is_set_without_leaving_the_page(phone: Page, listener: Any) -> None:
    phone.evaluate("window.same = true")
    phone.locator("#note").fill("bump <b>")
    phone.get_by_role("button", name="Mark this moment").click()
    expect(phone.locator("#mark-said")).to_have_text("Marked.")
    assert listener.heard == [{"do": "mark", "note": "bump <b>"}]
    assert phone.evaluate("window.same")
    assert phone.locator("#note").input_value() == ""


def test_markup_from_the_line_is_shown_as_text(phone: Page, box: Box, picture: dict[str, Any]) -> None:
    evil = copy.deepcopy(picture)
    text = "<img src=x onerror='window.evil=1'><script>window.evil=2</script>"
    evil["lines"][0]["messages"][0]["fields"].append(["station", text])
    evil["verdict"]["says"] = text
    box.picture = evil
    expect(phone.locator("#verdict .why")).to_have_text(text, timeout=3000)
    phone.wait_for_timeout(300)
    assert phone.evaluate("window.evil") is None
    assert phone.locator("main img, main script").count() == 0


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_fits_the_screen_and_the_finger(phone: Page, box: Box, width: int) -> None:
    """48 px: a choice of ours, above the 44 of WCAG 2.2, success criterion 2.5.5."""
    phone.set_viewport_size({"width": width, "height": 844})
    for path in ("/", "/take", "/fault/1", "/pattern"):
        phone.goto(f"{box.url}{path}")
        assert phone.evaluate("document.documentElement.scrollWidth") <= width
        for target in phone.locator("button, select, summary, a, input:not([type=radio]), label.pick").all():
            if target.is_visible() and (shape := target.bounding_box()):
                assert shape["height"] >= 48, target.evaluate("element => element.outerHTML")


def test_the_verdict_is_large(phone: Page) -> None:
    size = phone.locator("#verdict .word").evaluate("element => parseFloat(getComputedStyle(element).fontSize)")
    assert size >= 64
    shape = phone.locator("#verdict").bounding_box()
    assert shape
    assert shape["y"] + shape["height"] < 844


def test_the_log_is_taken_away_by_phone(phone: Page, box: Box) -> None:
    phone.goto(f"{box.url}/")
    phone.get_by_role("link", name="Choose what to take").click()
    phone.get_by_label("Its last 10 minutes").check()
    with phone.expect_download() as caught:
        phone.locator("button[formaction='/take/raw']").click()
    assert caught.value.suggested_filename.startswith("linelamp-2026-05-04-")
    with caught.value.path().open("rb") as taken:
        assert taken.read().count(b"$GPGGA") == 600


def test_works_without_javascript(browser: Browser, box: Box, listener: Any) -> None:
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 844})
    phone = context.new_page()
    phone.goto(f"{box.url}/")
    expect(phone.locator("#verdict .word")).to_have_text("GO")
    expect(phone.locator("noscript p")).to_contain_text("Reload it")
    phone.locator("#note").fill("by hand")
    phone.get_by_role("button", name="Mark this moment").click()
    expect(phone.locator("#mark-said")).to_have_text("Marked.")
    assert listener.heard == [{"do": "mark", "note": "by hand"}]
    context.close()


@pytest.mark.parametrize("path", ["/", "/messages"])
def test_times_are_the_phones_also_when_they_are_renewed(browser: Browser, box: Box, path: str) -> None:
    """Kolkata is 5 h 30 min ahead of UTC all the year (IANA time zone database)."""
    context = browser.new_context(timezone_id="Asia/Kolkata")
    page = context.new_page()
    page.goto(f"{box.url}{path}")
    head = page.locator("header time")
    for _ in range(6):
        page.wait_for_timeout(400)
        told = head.evaluate("(place) => ({ shown: place.textContent, when: place.dateTime })")
        when = datetime.fromisoformat(told["when"]) + timedelta(hours=5, minutes=30)
        assert told["shown"] == f"{when:%H:%M:%S}"
    context.close()
