"""The page of a day of a million sentences, in a Chromium slowed down four times: how soon, how much, how smooth.

    python tests/bench/day_page.py [seconds of the watch; 86400]

Opens: from the start of the navigation to the first plots drawn. Sent: all bytes over the air, by the DevTools protocol
(Network.loadingFinished). Pans: frames a second while a finger moves a part of the day (Input.dispatchTouchEvent,
requestAnimationFrame). Aims: under 1 s, under 300 kB, 30 frames a second and more.
"""

from __future__ import annotations

import math
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from playwright.sync_api import CDPSession, Page, ViewportSize, sync_playwright

from appliance.history.rows import FaultRow, LossRow, MarkRow, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.judge.needs import text

S = 1_000_000_000
DAY_S = 86_400
BEGIN_NS = 500 * S
SLOWER = 4
OPENS_MOST_S, SENT_MOST_BYTES, FRAMES_LEAST_HZ = 1.0, 300_000, 30.0
PHONE: ViewportSize = {"width": 390, "height": 844}


@dataclass(slots=True)
class Told:
    """opens_s: median of the openings. sent_bytes: of one. frames_hz: while it pans."""

    opens_s: float
    sent_bytes: int
    frames_hz: float


def write(path: Path, watch_s: int) -> None:
    """A watch of the usual set, twelve sentences a second; all invented."""
    chance = random.Random(8)
    with HistoryWriter(path) as writer:
        utc_ns = 1_777_852_800 * S
        writer.begin_watch(
            WatchStart(BEGIN_NS, utc_ns, "rate-section", text("rate-section"), "Larkmere tractor 3", "0")
        )
        writer.date_watch(utc_ns - BEGIN_NS, 0.01)
        for n in range(watch_s):
            writer.add_second(_second(n, chance))
            if n % 600 == 599:
                writer.commit()
            if n % 1800 == 900:
                _fault(writer, n, chance)
        writer.end_watch(BEGIN_NS + watch_s * S)


def _second(n: int, chance: random.Random) -> SecondRow:
    hour = n / 3600
    away = n % 1800 in range(900, 906)
    row_m, along_m = divmod(2.4 * n, 380)
    north_m = along_m if row_m % 2 == 0 else 380 - along_m
    return SecondRow(
        "from-receiver", BEGIN_NS + n * S, 820, 7 if away else 12, int(chance.random() < 0.001), 0,
        0.21 + chance.gauss(0, 0.004), "no-go" if away else "go", 4 if chance.random() < 0.99 else 5,
        14 + round(4 * math.sin(hour)), 0.8 + 0.2 * math.cos(hour), 1 + n % 7,
        52.1 + (north_m + chance.gauss(0, 0.02)) / 111_200, -1.2 + (row_m % 60 * 12 + chance.gauss(0, 0.02)) / 68_400,
        2.4 + chance.gauss(0, 0.05), {"GNVTG": 5, "GNRMC": 1, "GNZDA": 1} | ({} if away else {"GNGGA": 5}),
        abs(chance.gauss(0.004, 0.001)),
    )  # fmt: skip


def _fault(writer: HistoryWriter, n: int, chance: random.Random) -> None:
    begin_ns = BEGIN_NS + n * S
    end_ns = begin_ns + int(chance.uniform(5, 7) * S)
    says = "GGA was away for 6 s; a gap of at most 0.6 s is allowed."
    writer.close_fault(f"gap {n}", FaultRow("gap", "from-receiver", "GGA", begin_ns, end_ns, says, 6.0, 0.6, "s"))
    writer.close_loss(f"position {n}", LossRow("position", begin_ns + S, end_ns))
    if n % 5400 == 900:
        writer.add_mark(MarkRow(begin_ns + 2 * S, "button", ""))


SERVE = """
import sys
from pathlib import Path
from appliance.site import create_app
from appliance.site.serve import serve
folder = Path(sys.argv[1])
app = create_app(folder / "picture.json", folder / "history.db", folder / "tap.sock", machine="box")
serve(app, "127.0.0.1", int(sys.argv[2]))
"""


@contextmanager
def served(folder: Path, port: int) -> Iterator[str]:
    """The page under its real server, in a process of its own."""
    process = subprocess.Popen([sys.executable, "-c", SERVE, str(folder), str(port)])
    try:
        for _ in range(200):
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/static/lamp.svg", timeout=5).close()
                break
            except OSError:
                time.sleep(0.05)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.kill()
        process.wait()


def opening(page: Page, tools: CDPSession, address: str) -> tuple[float, int]:
    """How long in s, and how many bytes."""
    sent: list[float] = []

    def finished(told: dict[str, Any]) -> None:
        sent.append(told["encodedDataLength"])

    tools.on("Network.loadingFinished", finished)
    page.goto(address)
    while not page.evaluate("performance.getEntriesByName('drawn').length"):
        page.wait_for_timeout(50)
    page.wait_for_timeout(300)
    opens_s: float = page.evaluate("performance.getEntriesByName('drawn')[0].startTime") / 1000
    tools.remove_listener("Network.loadingFinished", finished)
    return opens_s, int(sum(sent))


def panning(page: Page, tools: CDPSession) -> float:
    """Frames a second while a finger goes to and fro over the plots for three seconds."""
    page.evaluate(
        "() => { window.frames_ = []; const count = (at) => { window.frames_.push(at); requestAnimationFrame(count); };"
        " requestAnimationFrame(count); }"
    )
    box = page.locator(".plot").nth(2).bounding_box()
    assert box is not None
    y = box["y"] + 60
    tools.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": 200, "y": y}]})
    from_at = page.evaluate("performance.now()")
    until = time.monotonic() + 3
    n = 0
    while time.monotonic() < until:
        n += 1
        x = 200 + 120 * math.sin(n / 15)
        tools.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x, "y": y}]})
    to_at = page.evaluate("performance.now()")
    tools.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    frames: int = page.evaluate(f"window.frames_.filter((at) => at >= {from_at} && at <= {to_at}).length")
    return frames * 1000 / float(to_at - from_at)


def run(watch_s: int, port: int = 8397, openings: int = 5) -> Told:
    """Writes a watch, opens its page some times, each time with an empty store, and pans it."""
    path = shutil.which("chromium")
    assert path, "no chromium on this machine"
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        write(Path(name) / "history.db", watch_s)
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        with served(Path(name), port) as address:
            found = []
            for _ in range(openings):
                context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True, device_scale_factor=2)
                page = context.new_page()
                tools = context.new_cdp_session(page)
                tools.send("Network.enable")
                tools.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
                found.append(opening(page, tools, f"{address}/day"))
                if len(found) < openings:
                    context.close()
            begin = 1_777_852_800 + watch_s // 3
            ends = (time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(begin + more)) for more in (0, watch_s // 8))
            opening(page, tools, f"{address}/day?watch=1&from={next(ends)}&to={next(ends)}")
            frames_hz = panning(page, tools)
        browser.close()
    return Told(statistics.median(one[0] for one in found), max(one[1] for one in found), frames_hz)


if __name__ == "__main__":
    watched_s = int(sys.argv[1]) if len(sys.argv) > 1 else DAY_S
    told = run(watched_s)
    print(f"a watch of {watched_s * 12:,} sentences, Chromium {SLOWER} times slower, 390 x 844 at 2 dots a px")
    print(f"opens in {told.opens_s:.2f} s (aim: under {OPENS_MOST_S:g} s)")
    print(f"sends {told.sent_bytes / 1000:.0f} kB (aim: under {SENT_MOST_BYTES / 1000:.0f} kB)")
    print(f"pans at {told.frames_hz:.0f} frames a second (aim: {FRAMES_LEAST_HZ:.0f} and more)")
