"""The page that lets one take a watch away: sizes of each form before, how far it is meanwhile, and a code to scan."""

from __future__ import annotations

import html as markup
import json
import re
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from appliance.site.take_page import TICKETS_MOST, Tickets
from appliance.take.forms import FORMS


def test_each_form_tells_its_size_for_each_span(past: Any) -> None:
    text = past.html("/take?span=ten")
    sizes = json.loads(markup.unescape(re.search(r"data-sizes='([^']+)'", text)[1]))  # type: ignore[index]
    assert set(sizes) == {"whole", "hour", "ten"}
    assert set(sizes["ten"]["from-receiver"]) == set(FORMS)
    raw = len(past.client.get("/take/raw?span=whole").data)
    assert sizes["whole"]["from-receiver"]["raw"] == raw
    assert sizes["ten"]["from-receiver"]["text"] < sizes["whole"]["from-receiver"]["text"]
    for form in FORMS:
        assert re.search(rf'about <span data-form="{form}">[\d.]+ (bytes|kB)</span>', text)


def test_a_span_of_ones_own_is_weighed_when_asked_for(past: Any) -> None:
    query = "span=between&from=2026-05-04T09:20&to=2026-05-04T09:21"
    told = json.loads(past.client.get(f"/take/sizes.json?{query}").data)
    assert told["from-receiver"]["raw"] == pytest.approx(len(past.client.get(f"/take/raw?{query}").data), rel=0.2)
    assert "about" in past.html(f"/take?{query}")
    past.html("/take/sizes.json?span=between&from=noon&to=x", 400)
    past.html("/take/sizes.json?watch=9", 404)


def test_it_is_told_how_far_a_download_is(past: Any) -> None:
    past.html("/take/progress.json?ticket=none", 404)
    size = len(past.client.get("/take/raw?ticket=abc").data)
    told = json.loads(past.client.get("/take/progress.json?ticket=abc").data)
    assert told == {"sent": size, "about": size, "done": True}


def test_old_tickets_are_forgotten() -> None:
    tickets = Tickets()
    for number in range(TICKETS_MOST + 1):
        tickets.begin(str(number), 10)
    assert tickets.look("0") is None
    tickets.sent("0", 5)
    tickets.done("0")
    tickets.sent("1", 5)
    assert tickets.look("1") == {"sent": 5, "about": 10, "done": False}


def test_the_code_leads_to_this_watch(past: Any) -> None:
    text = past.html("/take?watch=1")
    assert "http://localhost/take?watch=1" in text
    assert "<svg" in text.partition('class="code"')[2]


@pytest.fixture
def phone(browser: Browser, past: Any, server: Any) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.goto(f"http://linelamp.local:{server.port}/take")
    yield page
    context.close()
    assert complaints == []


@pytest.mark.browser
@pytest.mark.slow
def test_sizes_follow_what_is_chosen_and_a_download_tells_how_far_it_is(phone: Page) -> None:
    size = phone.locator("[data-form='raw']")
    whole = size.text_content()
    phone.get_by_label("From", exact=True).fill("2026-05-04T09:20:00")
    phone.get_by_label("To", exact=True).fill("2026-05-04T09:22:00")
    expect(size).not_to_have_text(whole or "")
    expect(size).to_have_text(re.compile(r"^[\d.]+ kB$"))
    with phone.expect_download() as caught:
        phone.locator("button[formaction='/take/raw']").click()
    assert caught.value.suggested_filename.endswith("-0920-0922.raw")
    expect(phone.locator("#progress")).to_have_text(re.compile(r"^All of it has been sent: [\d.]+ kB\.$"))
