"""The page in other languages as a phone shows it: nothing spills, live parts are translated, times are the phone's."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

from tests.web.test_reached import PATHS, RUN, axe

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SPILLED = """() => {
  const wide = document.documentElement.clientWidth;
  return [...document.querySelectorAll("body *")].filter((one) => one.checkVisibility() && !one.closest(".wide, svg")
      && (one.getBoundingClientRect().right > wide + 1 || (one.matches("p, h1, h2, h3, button, a, summary, th, dt, dd")
      && one.clientWidth > 0 && one.scrollWidth > one.clientWidth + 1 && !one.querySelector("svg.lamp"))))
    .map((one) => one.outerHTML.slice(0, 160));
}"""


@pytest.fixture
def address(past: Any, equipped: Any) -> str:
    return f"http://linelamp.local:{equipped.port}"


@pytest.fixture(params=["de", "pt-BR"])
def code(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def failing(picture: dict[str, Any], turned: Callable[..., Any]) -> Any:
    """A picture of a no-go."""
    return turned(picture, "no-go")


def test_nothing_spills_on_a_phone(browser: Browser, past: Any, address: str, failing: Any, code: str) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, locale=code)
    page = context.new_page()
    found = {}
    for path in PATHS:
        past.show(failing)
        page.goto(f"{address}{path}")
        assert path.startswith("/job/sheet") or page.locator("html").get_attribute("lang") == code
        if spilled := page.evaluate(SPILLED):
            found[path] = spilled
    context.close()
    assert not found, json.dumps(found, indent=1)


def test_nothing_stands_in_anybodys_way_in_french(browser: Browser, past: Any, address: str, failing: Any) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, locale="fr")
    page, program, found = context.new_page(), axe(), {}
    tools = context.new_cdp_session(page)
    for path in ("/", "/messages", "/day", "/fault/1", "/needs/rate-section", "/box", "/help"):
        past.show(failing)
        page.goto(f"{address}{path}")
        page.wait_for_timeout(300)
        tools.send("Runtime.evaluate", {"expression": program})
        answer = tools.send("Runtime.evaluate", {"expression": RUN, "awaitPromise": True})
        told = json.loads(answer["result"]["value"])
        assert told["passes"] > 10
        if told["violations"]:
            found[path] = told["violations"]
    context.close()
    assert not found, json.dumps(found, indent=1)


def test_the_choice_is_kept_what_comes_live_is_translated_and_the_clock_is_the_phones(
    browser: Browser, past: Any, address: str, picture: dict[str, Any], failing: Any
) -> None:
    context = browser.new_context(locale="en-GB", timezone_id="America/Sao_Paulo")
    page = context.new_page()
    with past.kept_up(picture):
        page.goto(address)
        assert page.locator("html").get_attribute("lang") == "en"
        assert page.locator("p.time time").inner_text() == "06:17:12"
        page.locator("#more > summary").click()
        page.get_by_text("Deutsch", exact=True).click()
        assert page.locator("html").get_attribute("lang") == "de"
        assert "Alles, was das Steuergerät braucht, kommt." in page.inner_text("#verdict")
    with past.kept_up(failing):
        expect(page.locator("#verdict .word")).to_have_text("NO-GO")
        told = page.inner_text("#verdict").replace("\N{NO-BREAK SPACE}", " ")
    assert "GGA war 3,1 s lang weg; erlaubt ist eine Lücke von höchstens 0,6 s." in told
    assert "seit 06:17:09." in told
    context.close()


def test_watches_and_countries_are_told_in_the_language_and_zone_of_the_phone(browser: Browser, address: str) -> None:
    """Names of countries as the browser has them, from Unicode CLDR; 09:12 UTC is 06:12 in São Paulo."""
    context = browser.new_context(locale="de-DE", timezone_id="America/Sao_Paulo")
    page = context.new_page()
    page.goto(f"{address}/day")
    watch = page.locator("select[name=watch] option").first.inner_text()
    assert watch.startswith("04.05.2026, 06:12 bis 06:31, ")
    page.goto(f"{address}/box/wifi")
    country = page.locator("select[name=country]")
    expect(country.locator("option:checked")).to_have_text("Irland")
    assert country.input_value() == "IE"
    names = country.locator("option").all_inner_texts()
    assert names[1:4] == ["Afghanistan", "Ägypten", "Ålandinseln"]
    context.close()
