"""The job filled in by a finger, in a real browser: the PIN on the way, and the sheet behind it."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Browser

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def test_a_job_is_kept_and_its_sheet_fits_phone_and_paper(
    browser: Browser, past: Any, server: Any, listener: Any
) -> None:
    address = f"http://linelamp.local:{server.port}"
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(f"{address}/job")
    page.get_by_label("Work order").fill("WO-2217 ✓")
    page.get_by_label("Notes").fill("one\ntwo")
    page.get_by_role("button", name="Keep the job").click()
    page.get_by_label("PIN").fill("405162")
    page.get_by_role("button", name="Go on").click()
    page.get_by_text("The job is kept.").wait_for()
    (asked,) = [one for one in listener.heard if one["do"] == "job"]
    assert (asked["job"]["work_order"], asked["job"]["notes"]) == ("WO-2217 ✓", "one\ntwo")
    page.get_by_label("Also if it is too short").check()
    page.get_by_role("button", name="Look at it").click()
    page.get_by_role("heading", name="Commissioning sheet").wait_for()
    assert page.get_by_role("img", name="Rate of each message").is_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.pdf(format="A4").startswith(b"%PDF-")
    context.close()
