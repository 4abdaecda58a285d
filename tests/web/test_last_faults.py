"""Last faults on the front page: those of the live picture joined with those of history."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from appliance.history.rows import FaultRow, WatchStart
from appliance.history.writer import HistoryWriter
from tests.web.conftest import MACHINE, NEEDS, NS, STARTED_NS, STARTED_UTC


def _faults_of_a_minute(path: Path, count: int) -> None:
    """A history of one fault each second, over at once."""
    utc_ns = int(STARTED_UTC.timestamp()) * NS
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(STARTED_NS, utc_ns, "rate-section", NEEDS, MACHINE, "0.1.0"))
        writer.date_watch(utc_ns - STARTED_NS, 0.01)
        for second in range(count):
            at_ns = STARTED_NS + second * NS
            writer.close_fault(
                "", FaultRow("gap", "from-receiver", "GGA", at_ns, at_ns, f"Gap {second}.", 1, 0, "s", ())
            )
        writer.commit()


def test_a_fault_that_ten_newer_ones_push_out_does_not_come_back_without_its_page(
    page: Any, picture: dict[str, Any]
) -> None:
    _faults_of_a_minute(page.history_path, 12)
    picture["faults_recent"] = [
        {
            "kind": "gap", "line": "from-receiver", "message": "GGA", "start_s": start_s, "end_s": start_s,
            "start_utc": None, "end_utc": None, "says": f"Gap {start_s}.",
        }
        for start_s in (20, 11, 1, 0)
    ]  # fmt: skip
    page.show(picture)
    told_page = page.html()
    told = re.findall(r"<b>Gap (\d+)\.</b>", told_page)
    assert told == ["20", *(str(second) for second in range(11, 2, -1))]
    assert ", for 0" not in told_page  # over within a moment: no length to tell
    assert "no-go</strong> for" not in told_page
