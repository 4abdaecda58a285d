"""What changes the box, done on a phone against the real two processes: a simulated receiver, a pty, tap and page."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from appliance.demo import PIN
from appliance.history.reader import History

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SLOW_MS = 15_000


@pytest.fixture
def cab(tmp_path: Path) -> Iterator[str]:
    """The address of a demo's page. The demo says by its exit code that the box sent nothing."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "appliance", "demo", "--web-port", str(port), "--folder", str(tmp_path)]
    demo = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert demo.stdout is not None
        said = ""
        while "The page:" not in said:
            said = demo.stdout.readline()
            assert said, "the demo ended"
        yield f"http://127.0.0.1:{port}"
        demo.send_signal(signal.SIGINT)
        rest = demo.communicate(timeout=60)[0]
        assert demo.returncode == 0, rest
    finally:
        demo.kill()
        demo.communicate()


@pytest.fixture
def phone(browser: Browser, cab: str) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, base_url=cab)
    page = context.new_page()
    page.set_default_timeout(SLOW_MS)
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if "Content Security" in said.text else None)
    yield page
    context.close()
    assert complaints == []


def test_needs_and_box_from_the_phone(phone: Page, tmp_path: Path) -> None:
    phone.goto("/needs")
    phone.get_by_role("link", name="Anything alive").tap()
    phone.get_by_role("link", name="Copy it, to change").tap()
    phone.get_by_label("What this sheet is for").fill("Larkmere, spreader")
    phone.get_by_label("Speed of the line").select_option("38400")
    phone.get_by_label("Longest silence").fill("long")
    phone.get_by_role("button", name="Keep this sheet").tap()

    expect(phone.get_by_role("heading")).to_contain_text("PIN")  # once, and what was typed comes along
    phone.get_by_label("PIN").fill("111222")
    phone.get_by_role("button", name="Go on").tap()
    expect(phone.get_by_role("alert")).to_have_text("That PIN is wrong.")
    phone.get_by_label("PIN").fill(PIN)
    phone.get_by_role("button", name="Go on").tap()

    field = phone.get_by_label("Longest silence")
    expect(field).to_have_attribute("aria-invalid", "true")
    expect(field).to_have_value("long")
    field.fill("2,5")
    phone.get_by_role("button", name="Keep this sheet").tap()
    expect(phone.get_by_role("status")).to_have_text("The sheet was kept.")

    phone.get_by_role("link", name="Larkmere, spreader").tap()
    phone.get_by_role("button", name="Take it into use").tap()
    expect(phone.get_by_role("status")).to_contain_text("A new watch has begun")
    phone.goto("/")
    expect(phone.locator("#box")).to_contain_text("Larkmere, spreader")

    phone.goto("/box")
    phone.get_by_role("button", name="Try it").tap()
    expect(phone.locator("table[role=status]")).to_contain_text("64 kB were written and read back")
    expect(phone.locator("table[role=status]")).to_contain_text("It is open and listens.")
    phone.get_by_text("Erase a watch").tap()
    phone.get_by_label("Which").select_option("1")
    phone.get_by_label("I want it erased for good").tap()
    phone.get_by_role("button", name="Erase it").tap()
    expect(phone.get_by_role("status")).to_contain_text("It is being erased.")
    for _ in range(20):
        phone.reload()
        if phone.get_by_text("Watch 1 erased.").count():
            break
        phone.wait_for_timeout(500)
    expect(phone.get_by_text("Watch 1 erased.")).to_be_visible()
    with History(tmp_path / "history.db") as history:
        assert [watch.needs_name for watch in history.watches()] == ["larkmere-spreader"]

    phone.get_by_text("Ask for the PIN again").tap()
    phone.get_by_role("button", name="Lock").tap()
    expect(phone.get_by_role("heading")).to_have_text("Locked")
    phone.goto("/needs/rate-section")
    phone.get_by_role("button", name="Take it into use").tap()
    expect(phone.get_by_role("heading")).to_contain_text("PIN")


def test_a_link_opens_the_finding_it_leads_to(phone: Page) -> None:
    phone.goto("/help#finding-contact-loss")
    expect(phone.locator("#finding-contact-loss p").first).to_be_visible()
    expect(phone.locator("#finding-noise p").first).to_be_hidden()
