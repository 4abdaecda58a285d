"""From a day to a fault, its file, and the raw sentences of the same minutes: on a phone, by what can be touched."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture
def phone(browser: Browser, past: Any, server: Any) -> Iterator[Page]:
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, base_url=f"http://127.0.0.1:{server.port}"
    )
    page = context.new_page()
    page.set_default_timeout(15_000)
    yield page
    context.close()


def test_from_the_day_to_the_fault_and_its_file_and_its_minutes(phone: Page, tmp_path: Path) -> None:
    phone.goto("/day")
    phone.get_by_role("link", name="GGA was away for 30.2 s").tap()
    phone.wait_for_url("**/fault/1")
    expect(phone.get_by_role("heading", level=1)).to_contain_text("GGA was away for 30.2 s")

    with phone.expect_download() as coming:
        phone.get_by_role("link", name="This fault as a file").tap()
    assert coming.value.suggested_filename == "linelamp-fault-1-2026-05-04-091700-gap.txt"
    told = Path(coming.value.path()).read_bytes().decode()
    assert "WHAT WAS ON THE LINE" in told
    assert "    -0.998  $GPZDA,091700.00,04,05,2026,00,00*6E\r\n" in told

    with phone.expect_download() as coming:
        phone.get_by_role("link", name="Its minutes as a log").tap()
    assert coming.value.suggested_filename.endswith(".nmea")
    rows = Path(coming.value.path()).read_text().splitlines()
    sentences = [row for row in rows if "GPGGA," in row]
    assert sentences[0].partition("GPGGA,")[2][:6] == "091630"  # half a minute before, to half a minute after
    assert sentences[-1].partition("GPGGA,")[2][:6] == "091800"

    phone.get_by_role("link", name="Fault after").tap()
    phone.wait_for_url("**/fault/2")
    phone.get_by_role("link", name="All faults").tap()
    phone.wait_for_url("**/faults?watch=1")
    expect(phone.locator("main .rows a")).to_have_count(2)


def test_from_the_fault_to_where_and_when_it_was(phone: Page) -> None:
    phone.goto("/fault/1")
    phone.get_by_role("link", name="On the day").tap()
    phone.wait_for_url("**/day?watch=1&from=2026-05-04T09:15:00&to=2026-05-04T09:19:30")
    expect(phone.get_by_role("link", name="GGA was away for 30.2 s")).to_be_visible()
    phone.goto("/fault/1")
    phone.get_by_role("link", name="On the track").tap()
    phone.wait_for_url("**/track?watch=1&from=*")


def test_from_and_to_are_told_by_the_phones_clock_and_asked_in_utc(browser: Browser, past: Any, server: Any) -> None:
    """Kolkata is 5 h 30 min ahead of UTC all the year (IANA time zone database)."""
    context = browser.new_context(timezone_id="Asia/Kolkata", base_url=f"http://127.0.0.1:{server.port}")
    page = context.new_page()
    page.goto("/take")
    start = page.get_by_label("From", exact=True)
    expect(start).to_have_value("2026-05-04T14:42")
    expect(page.get_by_text(", UTC")).to_be_hidden()
    start.fill("2026-05-04T14:45:00")
    page.get_by_label("To", exact=True).fill("2026-05-04T14:46:00")
    expect(page.locator('[data-form="raw"]')).to_have_text("4.3 kB")
    with page.expect_download() as coming:
        page.get_by_role("button", name="Raw bytes as received").click()
    assert coming.value.suggested_filename.endswith("0915-0916.raw")
    sentences = Path(coming.value.path()).read_bytes().split()
    assert (sentences[0][7:13], len(sentences)) == (b"091500", 60)
    page.goto("/job")
    page.get_by_text("Only a part of the watch").click()
    field = page.get_by_label("From")
    assert field.get_attribute("min") == "2026-05-04T14:42:00"
    field.fill("2026-05-04T14:45:00")
    page.get_by_label("Also if it is too short").check()
    page.get_by_role("button", name="Look at it").click()
    page.wait_for_url("**from=2026-05-04T09%3A15%3A00**")
    context.close()
