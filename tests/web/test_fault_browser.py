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
