"""What the eye gets: contrast, shapes and fit of the page as a browser paints it, in the sun and at night.

Source of the ratio: Web Content Accessibility Guidelines 2.2 (W3C), "contrast ratio" and success criterion 1.4.6.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

pytestmark = [pytest.mark.browser, pytest.mark.slow]

Turned = Callable[[dict[str, Any], str], dict[str, Any]]

PAINTED = """() => {
  const channel = (value) => value <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4;
  const parts = (colour) => colour.match(/[\\d.]+/g).map(Number);
  const luminance = (colour) => {
    const [red, green, blue] = parts(colour).map((part) => channel(part / 255));
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue;
  };
  const ground = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const colour = getComputedStyle(at).backgroundColor;
      if (parts(colour).length < 4 || parts(colour)[3] === 1) return colour;
    }
    return "rgb(255, 255, 255)";
  };
  const ratio = (one, other) => {
    const [dark, light] = [luminance(one), luminance(other)].sort((a, b) => a - b);
    return (light + 0.05) / (dark + 0.05);
  };
  const found = [];
  for (const element of document.querySelectorAll("body *")) {
    if (!element.checkVisibility() || ["SCRIPT", "NOSCRIPT"].includes(element.tagName)) continue;
    const style = getComputedStyle(element);
    const said = [...element.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
    const svg = element.closest("svg");
    if (svg && (svg.matches(".wedge, .dot") || element.matches(".gap")) && element !== svg) {
      const ink = style.stroke !== "none" ? style.stroke : style.fill;
      found.push([ratio(ink, ground(svg.parentElement)), element.outerHTML]);
    } else if (said && !svg) {
      found.push([ratio(style.color, ground(element)), element.outerHTML.slice(0, 160)]);
    }
  }
  return found;
}"""

SPILLED = """() => [...document.querySelectorAll("th, td, dd, dt, li, p, button, caption, summary")]
  .filter((element) => element.checkVisibility() && element.scrollWidth > element.clientWidth + 1
    && element.clientWidth > 0 && !element.querySelector("svg.lamp"))
  .map((element) => element.outerHTML.slice(0, 160))"""


def losing(picture: dict[str, Any], turned: Turned, state: str) -> dict[str, Any]:
    """A picture with a loss under way, losses that are over, and something to look at."""
    lost = turned(copy.deepcopy(picture), state)
    lost["at_utc"] = "2026-05-04T14:40:00.000Z"
    lost["checks"][-1] |= {"state": "warn", "says": "The corrections are 41 s old; at most 60 s is allowed."}
    lost["controller_saw"] |= {
        "lost_s": {"position": 29.6, "speed": 86_399.0},
        "spans": [
            {"what": "position", "start_s": 100.6, "end_s": 130.2},
            {"what": "speed", "start_s": 204.0, "end_s": 204.001},
            {"what": "speed", "start_s": -86_000.0, "end_s": None},
        ],
    }
    lost["lines"][0]["clock"]["steps"] = [{"at_s": 182.0, "step_s": -1.0}]
    return lost


SIGHTS = [
    (state, scheme, size)
    for state in ("go", "no-go", "wait")
    for scheme in ("light", "dark")
    for size in ((390, 844), (1280, 800))
]


@pytest.fixture(params=SIGHTS, ids=str)
def sight(request: pytest.FixtureRequest, browser: Browser) -> Iterator[tuple[str, Page, int]]:
    """A state to show, a browser to look with, and how wide it is."""
    state, scheme, (width, height) = request.param
    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
    yield state, context.new_page(), width
    context.close()


def test_all_that_is_painted_can_be_read_and_fits(
    sight: tuple[str, Page, int], past: Any, server: Any, picture: dict[str, Any], turned: Turned
) -> None:
    state, phone, width = sight
    for path in ("/", "/fault/1", "/take"):
        with past.kept_up(losing(picture, turned, state)):
            phone.goto(f"http://127.0.0.1:{server.port}{path}")
            if path == "/":
                assert phone.locator("#losses .wedge").count() == 4
                assert phone.locator("#day path.gap").count() == 3  # two in the strip, one in the legend
                assert phone.locator("#verdict .warned .dot.warn").count() == 1
                phone.evaluate("document.querySelectorAll('details').forEach((element) => { element.open = true; })")
        painted = phone.evaluate(PAINTED)
        assert len(painted) > 10
        assert [(round(ratio, 2), html) for ratio, html in painted if ratio < 7] == []
        assert phone.evaluate(SPILLED) == []
        assert phone.evaluate("document.documentElement.scrollWidth") <= width
