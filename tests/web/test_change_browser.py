"""Another Wi-Fi and an update, asked for with a phone at the real server; the box's unit is played by the test."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PIN = "405162"
BUNDLE = os.urandom(250_000)


@pytest.fixture
def folder(equipped: Any, page: Any) -> Path:
    path: Path = page.history_path.parent / "update"
    return path


@pytest.fixture(params=[(390, 844), (1280, 800)], ids=["phone", "wide"])
def phone(browser: Browser, folder: Path, equipped: Any, request: Any) -> Iterator[Page]:
    width, height = request.param
    context = browser.new_context(
        viewport={"width": width, "height": height}, base_url=f"http://127.0.0.1:{equipped.port}"
    )
    page = context.new_page()
    page.set_default_timeout(15_000)
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if "Content Security" in said.text else None)
    yield page
    context.close()
    assert complaints == []


def test_an_update_goes_on_after_touch_was_lost_and_tells_what_came_of_it(
    phone: Page, folder: Path, tmp_path: Path
) -> None:
    file = tmp_path / "linelamp-0.2.0.bundle"
    file.write_bytes(BUNDLE)
    phone.goto("/box")
    phone.get_by_role("link", name="Take in an update").click()
    phone.get_by_label("File of the update").set_input_files(file)
    phone.get_by_label("PIN").fill("111222")
    phone.get_by_role("button", name="Take it in").click()
    expect(phone.locator("#progress")).to_have_text("That PIN is wrong.")
    assert list(folder.iterdir()) == []

    phone.get_by_label("PIN").fill(PIN)
    lost: list[str] = []

    def lose(route: Any) -> None:
        """Out of reach for one piece, of which the box never hears, and for one answer, which never comes."""
        lost.append(route.request.url)
        if len(lost) == 3:
            route.abort("internetdisconnected")
        elif len(lost) == 6:
            route.fetch()
            route.abort("internetdisconnected")
        else:
            route.continue_()

    phone.route("**/box/update/piece", lose)
    phone.get_by_role("button", name="Take it in").click()
    expect(phone.locator("#progress")).to_contain_text("goes on by itself")
    expect(phone.locator("#bar")).to_be_visible()
    expect(phone.locator("#progress")).to_contain_text("The box will take it up soon.", timeout=60_000)
    assert hashlib.sha256((folder / "bundle").read_bytes()).digest() == hashlib.sha256(BUNDLE).digest()
    assert len(lost) > 20

    answer = {
        "state": "trying",
        "says": "It runs.",
        "version": "0.2.0",
        "utc": "2026-05-04T09:30:00Z",
    }
    (folder / "answer.json").write_text(json.dumps(answer))
    (folder / "bundle").unlink()
    expect(phone.locator("#answer")).to_have_text("The last update: being tried. Version 0.2.0. It runs.")
    expect(phone.get_by_role("button", name="Take it in")).to_be_disabled()
    (folder / "answer.json").write_text(json.dumps(answer | {"state": "fell-back", "says": "Its page did not answer."}))
    expect(phone.locator("#answer")).to_contain_text("taken back. Version 0.2.0. Its page did not answer.")
    expect(phone.get_by_role("button", name="Take it in")).to_be_enabled()


def test_another_wifi_tells_how_to_join_again(phone: Page, folder: Path) -> None:
    phone.goto("/box")
    phone.get_by_role("link", name="Change the Wi-Fi").click()
    phone.get_by_label("Name").fill("Larkmere box")
    phone.get_by_label("Country").select_option("GB")
    phone.get_by_label("Channel").select_option("6")
    phone.get_by_label("Passphrase").fill("schlüssel eins")
    phone.get_by_role("button", name="Change the Wi-Fi").click()
    expect(phone.get_by_role("heading")).to_contain_text("PIN")
    phone.get_by_label("PIN").fill(PIN)
    phone.get_by_role("button", name="Go on").click()
    field = phone.get_by_label("Passphrase")
    expect(field).to_have_attribute("aria-invalid", "true")
    expect(phone.get_by_text("without accents")).to_be_visible()
    field.fill("key number one")
    phone.get_by_role("button", name="Change the Wi-Fi").click()
    expect(phone.get_by_role("heading")).to_have_text("Join again")
    expect(phone.get_by_text("key number one")).to_be_visible()
    code = phone.get_by_role("img", name="Code that joins the Wi-Fi")
    box = code.bounding_box()
    assert box
    assert box["width"] >= 200
    wished = json.loads((folder.parent / "wifi" / "wanted").read_text())
    assert wished == {"name": "Larkmere box", "country": "GB", "channel": 6, "passphrase": "key number one"}
