"""Every page can be read and reached by everybody: axe-core finds nothing, by day and by night, at both sizes.

axe-core (Deque Systems, npm, pinned in image-build/page/package-lock.json) checks the rules of the Web Content
Accessibility Guidelines 2.2; contrast is asked for at level AAA, 7:1.
"""

from __future__ import annotations

import json
import runpy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

pytestmark = [pytest.mark.browser, pytest.mark.slow]

FETCH = Path(__file__).parents[2] / "image-build" / "page" / "fetch.py"
RUN = """axe.run({rules: {"color-contrast-enhanced": {enabled: true}, "target-size": {enabled: true}}}).then(
  (told) => JSON.stringify({passes: told.passes.length, violations: told.violations.map((one) => [one.id,
    ...one.nodes.slice(0, 3).map((node) => node.html.slice(0, 160) + " " + node.failureSummary)])}))"""
PATHS = (
    "/",
    "/messages",
    "/day",
    "/track",
    "/pattern",
    "/wiggle",
    "/take",
    "/fault/1",
    "/needs",
    "/needs/rate-section",
    "/needs/alive/change",
    "/job",
    "/job/sheet?anyway=yes",
    "/compare",
    "/box",
    "/box/wifi",
    "/box/update",
    "/watches",
    "/faults",
    "/help",
)


def axe() -> str:
    """The program, fetched where it is not there yet."""
    folder: Path = runpy.run_path(str(FETCH))["fetch"]("axe-core")
    return (folder / "axe.min.js").read_text()


@pytest.fixture
def site(browser: Browser, past: Any, equipped: Any) -> tuple[Browser, Any, str]:
    return browser, past, f"http://linelamp.local:{equipped.port}"


@pytest.mark.parametrize("state", ["go", "no-go", "wait"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_stands_in_anybodys_way(
    site: tuple[Browser, Any, str], picture: dict[str, Any], turned: Callable[..., Any], scheme: Any, state: str
) -> None:
    browser, past, address = site
    shown = picture if state == "go" else turned(picture, state)
    for message in shown["lines"][0]["messages"]:
        message["intervals_ms"] = [200.0] * 30 + [900.0] + [200.0] * 29
    there = {rule.rule for rule in past.app.url_map.iter_rules()}
    found: dict[str, Any] = {}
    program = axe()
    for width, height in ((390, 844), (1280, 800))[: 2 if state == "no-go" else 1]:
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
        page = context.new_page()
        tools = context.new_cdp_session(page)
        for path in PATHS if state == "no-go" else ("/", "/messages"):
            if path not in there and path.count("/") == 1:
                continue
            past.show(shown)
            page.goto(f"{address}{path}")
            page.wait_for_timeout(300)
            page.evaluate("for (const one of document.querySelectorAll('main details')) one.open = true")
            tools.send("Runtime.evaluate", {"expression": program})
            answer = tools.send("Runtime.evaluate", {"expression": RUN, "awaitPromise": True})
            told = json.loads(answer["result"]["value"])
            assert told["passes"] > 10
            if told["violations"]:
                found[f"{path} {width}"] = told["violations"]
        context.close()
    assert not found, json.dumps(found, indent=1)
