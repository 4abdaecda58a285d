"""The page of what the faults go with: over a real history, in words and with pictures, without holding a thread."""

from __future__ import annotations

import math
import re
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

import pytest

from appliance.history.rows import FaultRow, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.site import pattern as pattern_of
from appliance.site import pattern_page
from appliance.site.words import hours_of_day
from tests.web.conftest import MACHINE, NS, STARTED_NS

HOURS = 1.5
FAST_MPS, SLOW_MPS = 3.0, 1.5


def fast(second: int) -> bool:
    """A quarter of each four minutes."""
    return second % 240 < 60


def day(path: Path, starts: list[int]) -> None:
    """A watch that goes to and fro, faster now and then, with silences at these seconds."""
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(STARTED_NS, 1_777_886_000 * NS, "rate-section", "", MACHINE, "0"))
        writer.date_watch(1_777_886_000 * NS - STARTED_NS, 0.01)
        north_m = 0.0
        for second in range(round(HOURS * 3600)):
            speed_mps = FAST_MPS if fast(second) else SLOW_MPS
            north_m += speed_mps if second % 600 < 300 else -speed_mps
            writer.add_second(
                SecondRow(
                    "from-receiver",
                    STARTED_NS + second * NS,
                    800,
                    12,
                    0,
                    0,
                    0.2,
                    "go",
                    4,
                    18,
                    0.7,
                    1.0,
                    52 + math.degrees(north_m / 6_371_000),
                    -1.2,
                    speed_mps,
                )
            )  # fmt: skip
        for start in starts:
            at_ns = STARTED_NS + start * NS + NS // 2
            row = FaultRow("silent", "from-receiver", "", at_ns, at_ns + 2 * NS, "Nothing came.", 2.0, 0.6, "s")
            writer.close_fault(f"silent {start}", row)
        writer.end_watch(STARTED_NS + round(HOURS * 3600) * NS)


@pytest.fixture
def settled(page: Any) -> Callable[[], str]:
    """The page, once what it shows is worked out."""

    def asked() -> str:
        until_s = time.monotonic() + 60
        while "Being worked out" in (text := page.html("/pattern")):
            assert time.monotonic() < until_s
        for thread in threading.enumerate():
            if thread.name == "pattern":
                thread.join()
        return str(text)

    return asked


def test_faults_that_go_with_a_speed_are_told_with_both_shares(page: Any, settled: Callable[[], str]) -> None:
    dice = Random(4)
    day(page.history_path, [240 * turn + dice.randrange(5, 55) for turn in range(1, 19)])
    text = settled()
    assert "<h2>Speed</h2>" in text
    words = re.search(r"18\s+of\s+18 silences came within 2.s of a speed of at least", text)
    assert words is not None
    shares = [float(width) for width in re.findall(r'<rect class="(?:struck|spent)"[^>]*width="([\d.]+)"', text)]
    assert shares[0] == 100.0
    assert shares[1] == pytest.approx(25, abs=1)  # 60 s of each 240, a fault being on for 2 of them
    assert text.count('class="spot"') == 18
    assert "style=" not in text


def test_hours_of_the_day_are_times_that_the_phone_can_put_into_its_zone() -> None:
    says = "6 of 6 gaps came between 22:00 UTC and 01:00 UTC, where the watch spent 12 % of its time."
    told = hours_of_day(says, datetime(2026, 5, 4, 21, tzinfo=UTC))
    times = re.findall(r'<time datetime="([^"]+)">([^<]+)</time>', told)
    nbsp = "\N{NO-BREAK SPACE}"
    assert times == [("2026-05-04T22:00:00Z", f"22:00{nbsp}UTC"), ("2026-05-04T01:00:00Z", f"01:00{nbsp}UTC")]
    assert "&lt;b&gt;" in hours_of_day("<b> 22:00 UTC", datetime(2026, 5, 4, tzinfo=UTC))


def test_few_faults_say_nothing_and_that_it_is_no_proof(page: Any, settled: Callable[[], str]) -> None:
    day(page.history_path, [500, 1500, 3000])
    text = settled()
    assert "3 silences" in text
    assert "nothing was found that they go with" in text
    assert "no proof that there is nothing" in text


def test_a_watch_without_faults_has_nothing_to_explain(page: Any, settled: Callable[[], str]) -> None:
    day(page.history_path, [])
    assert "there is nothing to explain" in settled()


def test_what_fails_is_told_and_not_waited_for_for_ever(
    page: Any, settled: Callable[[], str], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fails(*_: object) -> pattern_of.Pattern:
        raise ZeroDivisionError

    monkeypatch.setattr(pattern_of, "worked_out", fails)
    day(page.history_path, [500])
    assert "by a mistake in this program" in settled()
    assert "ZeroDivisionError" in caplog.text


def test_no_page_waits_for_it_and_it_is_worked_out_once(page: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    day(page.history_path, [500])
    free, worked = threading.Event(), []

    def slow(path: Path, watch: Any) -> pattern_of.Pattern:
        worked.append(watch.id)
        free.wait(30)
        return pattern_of.Pattern([], [("silent", 1)], 1.5, False, [], [])

    monkeypatch.setattr(pattern_of, "worked_out", slow)
    monkeypatch.setattr(pattern_page, "WAIT_S", 0.01)
    first = page.html("/pattern")
    assert 'http-equiv="refresh"' in first
    assert "Being worked out" in page.html("/pattern")
    free.set()
    for thread in threading.enumerate():
        if thread.name == "pattern":
            thread.join()
    text = page.html("/pattern")
    assert "nothing was found" in text
    assert 'http-equiv="refresh"' not in text
    assert worked == [1]


def test_a_box_that_recorded_nothing_says_so(page: Any) -> None:
    answer = page.client.get("/pattern")
    assert answer.status_code in (200, 503)
    assert "history" in answer.text.lower() or "Nothing was recorded yet." in answer.text
