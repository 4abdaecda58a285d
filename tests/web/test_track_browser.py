"""The plan of the track in a real browser: its scale is true at any size, and fingers move and scale it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from appliance.history.rows import SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from tests.web.test_track_page import drive, lanes

pytestmark = [pytest.mark.browser, pytest.mark.slow]
S = 1_000_000_000

SCALE = """() => {
  const bar = document.querySelector("#bar path");
  const told = document.querySelector("#bar text").textContent.split(" ");
  const metres = Number(told[0]) * (told[1] === "km" ? 1000 : 1);
  const lane = document.querySelector(".driven");
  const { x, y } = lane.getBoundingClientRect();
  const px = (shape, side) => shape.getBBox()[side] * shape.getScreenCTM().a;
  return { px_in_m: px(bar, "width") / metres, lane_px: px(lane, "height"), x, y };
}"""


@pytest.fixture
def plan(browser: Browser, page: Any, server: Any) -> Iterator[Page]:
    with HistoryWriter(page.history_path) as writer:
        writer.begin_watch(WatchStart(500 * S, 10**18, "x", "", "x", "0"))
        for n in range(400):  # straight to the north, 400 m
            latitude = 52.1 + n / 111_256.5
            row = SecondRow("from-receiver", (500 + n) * S, 9, 1, 0, 0, 0.1, "go", 4, 12, 0.8, 1, latitude, -1.2)
            writer.add_second(row)
        writer.commit()
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    shown = context.new_page()
    complaints: list[str] = []
    shown.on("pageerror", lambda error: complaints.append(str(error)))
    shown.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    shown.goto(f"http://linelamp.local:{server.port}/track")
    shown.wait_for_timeout(300)
    yield shown
    context.close()
    assert complaints == []


def drag(page: Page, *way: list[tuple[float, float]]) -> None:
    tools = page.context.new_cdp_session(page)
    for number, places in enumerate(way):
        points = [{"x": x, "y": y} for x, y in places]
        tools.send("Input.dispatchTouchEvent", {"type": "touchMove" if number else "touchStart", "touchPoints": points})
        page.wait_for_timeout(40)
    tools.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_timeout(100)


def test_the_scale_is_true_at_any_size(plan: Page) -> None:
    """399 m from first to last position (a degree of latitude at 52.1 N is 111,256.5 m: WGS 84, by geographiclib)."""
    for press in ("", "larger", "larger", "smaller", "all"):
        if press:
            plan.locator(f"#{press}").click()
            plan.wait_for_timeout(100)
        told = plan.evaluate(SCALE)
        assert told["lane_px"] / told["px_in_m"] == pytest.approx(399, rel=0.005)


def test_fingers_move_and_scale_it(plan: Page) -> None:
    plan.locator("#plan").scroll_into_view_if_needed()
    box = plan.locator("#plan").bounding_box()
    assert box
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    before = plan.evaluate(SCALE)
    drag(plan, [(x, y)], [(x + 40, y + 10)], [(x + 60, y + 30)])
    after = plan.evaluate(SCALE)
    assert after["x"] - before["x"] == pytest.approx(60, abs=1)
    assert after["y"] - before["y"] == pytest.approx(30, abs=1)
    drag(plan, [(x - 30, y), (x + 30, y)], [(x - 60, y), (x + 60, y)])
    assert plan.evaluate(SCALE)["lane_px"] == pytest.approx(2 * before["lane_px"], rel=0.02)
    plan.locator("#plan").focus()
    plan.keyboard.press("0")
    plan.wait_for_timeout(100)
    assert plan.evaluate(SCALE)["x"] == pytest.approx(before["x"], abs=1)


FLAGS = """() => [...document.querySelectorAll(".flag")].map((flag) => {
  const { left, top, width, height } = flag.querySelector("rect").getBoundingClientRect();
  const text = flag.querySelector("text").getBoundingClientRect();
  return { numbers: flag.dataset.numbers.split(" ").map(Number), left, top, width, height,
           room: width - text.width, px: parseFloat(getComputedStyle(flag.querySelector("text")).fontSize) };
})"""
CLOSE = tuple((at, at + 2) for at in (100, 103, 106, 120, 400, 700, 702, 1000, 1001, 1002, 1003))


@pytest.fixture(params=[(390, 844), (1280, 800)], ids=["phone", "wide"])
def crowded(browser: Browser, page: Any, server: Any, request: Any) -> Iterator[Page]:
    """The plan of a drive with faults that lie close together."""
    drive(page.history_path, lanes, 1500, CLOSE)
    width, height = request.param
    context = browser.new_context(viewport={"width": width, "height": height}, has_touch=width < 500)
    shown = context.new_page()
    complaints: list[str] = []
    shown.on("pageerror", lambda error: complaints.append(str(error)))
    shown.goto(f"http://linelamp.local:{server.port}/track")
    shown.wait_for_timeout(300)
    yield shown
    context.close()
    assert complaints == []


def test_each_fault_can_be_read_and_touched_at_any_scale(crowded: Page) -> None:
    counts = []
    for press in ("", "larger", "larger", "larger", "larger", "all"):
        if press:
            crowded.locator(f"#{press}").click()
            crowded.wait_for_timeout(100)
        flags = crowded.evaluate(FLAGS)
        counts.append(len(flags))
        assert sorted(number for flag in flags for number in flag["numbers"]) == list(range(1, len(CLOSE) + 1))
        for flag in flags:
            assert min(flag["width"], flag["height"]) >= 47.9
            assert flag["px"] >= 15.9
            assert flag["room"] >= 0
        for one in flags:
            for other in flags:
                beside = abs(one["left"] - other["left"]) >= one["width"]
                assert one is other or beside or abs(one["top"] - other["top"]) >= one["height"]
    assert counts[0] == counts[-1] < len(CLOSE)
    assert max(counts) > counts[0]  # closer by, they part


def test_a_flag_leads_to_its_fault_or_tells_which_are_there(crowded: Page) -> None:
    several = next(flag for flag in crowded.evaluate(FLAGS) if len(flag["numbers"]) > 1)
    key = " ".join(map(str, several["numbers"]))
    crowded.locator(f'.flag[data-numbers="{key}"]').click()
    here = crowded.locator("#here")
    expect(here).to_be_visible()
    expect(here.locator("li a")).to_have_count(len(several["numbers"]))
    expect(here.locator("li a").first).to_contain_text(f"{several['numbers'][0]}. ")
    for row in here.locator("li a").all():
        box = row.bounding_box()
        assert box
        assert box["height"] >= 48
    for _ in range(3):
        crowded.locator("#larger").click()
    lone = crowded.locator('.flag[data-numbers="5"]')
    lone.focus()
    crowded.keyboard.press("Enter")
    crowded.wait_for_url("**/fault/5")
    expect(crowded.get_by_role("heading", level=1)).to_have_text("<i>4</i>")


def test_moving_the_plan_opens_nothing(crowded: Page) -> None:
    box = crowded.locator(".flag").first.bounding_box()
    assert box
    x, y = box["x"] + 24, box["y"] + 24
    crowded.mouse.move(x, y)
    crowded.mouse.down()
    crowded.mouse.move(x + 40, y + 20, steps=4)
    crowded.mouse.up()
    moved = crowded.locator(".flag").first.bounding_box()
    assert moved
    assert moved["x"] - box["x"] == pytest.approx(40, abs=2)
    assert "/track" in crowded.url
    assert crowded.locator("#here").is_hidden()
