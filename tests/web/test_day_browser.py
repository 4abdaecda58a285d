"""The page of a day in a real browser: looked at closer by fingers, mouse, keys and buttons, and back."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Browser, Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.slow]


PLACES = "[...document.querySelectorAll('.drawn')].map((one) => one.getBoundingClientRect().y)"


@pytest.fixture
def phone(browser: Browser, past: Any, server: Any) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, timezone_id="Asia/Tokyo")
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.goto(f"http://linelamp.local:{server.port}/day")
    expect(page.locator("#drawing")).to_have_text("")
    expect(page.locator(".plot canvas").first).to_be_visible()
    yield page
    context.close()
    assert complaints == []


def stretch(page: Page) -> tuple[str, str] | None:
    """From and to as the address tells them; None: the whole."""
    query = parse_qs(urlsplit(page.url).query)
    return (query["from"][0], query["to"][0]) if "from" in query else None


def settled(page: Page, before: tuple[str, str] | None) -> tuple[str, str]:
    """Where one looks once it is no longer where it was; 5 s at most."""
    for _ in range(100):
        if (now := stretch(page)) not in (None, before):
            break
        page.wait_for_timeout(50)
    assert now is not None
    return now


def fingers(page: Page, *way: list[tuple[float, float]]) -> None:
    """Fingers that go from place to place."""
    tools = page.context.new_cdp_session(page)
    for number, places in enumerate(way):
        kind = "touchMove" if number else "touchStart"
        tools.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y} for x, y in places]})
        page.wait_for_timeout(40)
    tools.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_timeout(500)


def middle(page: Page) -> float:
    page.locator("[data-key='GPGGA']").evaluate("(plot) => plot.scrollIntoView({ block: 'center' })")
    page.wait_for_timeout(200)
    box = page.locator("[data-key='GPGGA'] .drawn").bounding_box()
    assert box
    return box["y"] + box["height"] / 2


def test_two_fingers_look_closer_one_goes_along_and_back_leads_back(phone: Page) -> None:
    y = middle(phone)
    fingers(phone, [(180, y), (220, y)], [(140, y), (260, y)], [(110, y), (290, y)])
    closer = settled(phone, None)
    assert "2026-05-04T09:1" in closer[0]
    fingers(phone, [(200, y)], [(260, y)], [(300, y)])
    earlier = settled(phone, closer)
    assert earlier[0] < closer[0]
    phone.go_back()
    assert settled(phone, earlier) == closer
    phone.go_back()
    expect(phone).to_have_url(re.compile(r"/day$"))


def test_buttons_and_keys_do_the_same_as_fingers(phone: Page) -> None:
    phone.evaluate("window.same = true")
    phone.get_by_role("link", name="Closer").click()
    closer = settled(phone, None)
    phone.locator("#plots").focus()
    phone.keyboard.press("ArrowRight")
    later = settled(phone, closer)
    assert later[0] > closer[0]
    phone.keyboard.press("0")
    expect(phone).to_have_url(re.compile(r"/day\?watch=1$"))
    expect(phone.get_by_role("link", name="Wider")).to_have_count(0)  # there is nothing wider
    assert phone.evaluate("window.same")


def test_a_mouse_drags_across_what_it_wants_to_see_and_figures_are_read(phone: Page) -> None:
    y = middle(phone)
    phone.mouse.move(100, y)
    phone.mouse.down()
    phone.mouse.move(150, y, steps=4)
    phone.mouse.up()
    settled(phone, None)
    expect(phone.locator("#listed")).to_contain_text("GGA was away for 30.2")
    places = phone.evaluate(PLACES)
    phone.mouse.move(300, y)
    expect(phone.locator("[data-key='GPGGA'] output")).to_have_text(re.compile(r"^1\.00"))
    assert phone.evaluate(PLACES) == places  # figures that come move nothing
    phone.evaluate("scrollTo(0, 0)")
    state = phone.locator("[data-key='states'] .drawn").bounding_box()
    assert state
    phone.wait_for_timeout(300)
    phone.mouse.move(300, state["y"] + 20)
    there = re.compile(r"^18:17:\d\d no-go$")  # the phone's zone
    expect(phone.locator("[data-key='states'] output")).to_have_text(there)


def test_all_plots_show_the_same_span(phone: Page) -> None:
    phone.get_by_role("link", name="Closer").click()
    phone.wait_for_timeout(500)
    edges = phone.evaluate(
        "[...document.querySelectorAll('.u-over')].map((over) => over.getBoundingClientRect()).map("
        "({ left, width }) => `${left} ${width}`)"
    )
    assert len(edges) > 3
    assert len(set(edges)) == 1


def test_without_javascript_there_are_strip_table_and_links(browser: Browser, past: Any, server: Any) -> None:
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(f"http://linelamp.local:{server.port}/day")
    expect(page.locator("#plots")).to_be_hidden()
    expect(page.locator("noscript svg.day")).to_be_visible()
    page.get_by_role("link", name="Closer").click()
    settled(page, None)
    page.locator("summary", has_text="The same as a table").click()
    expect(page.locator("table.stretch")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    context.close()
