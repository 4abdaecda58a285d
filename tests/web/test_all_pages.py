"""The pages that list all watches and faults, over a history of more than a page of each; and what a page offers."""

from __future__ import annotations

import re
from typing import Any

import pytest

from appliance.history.reader import History
from appliance.history.rows import FaultRow, MarkRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.site.all_pages import ROWS_MOST
from appliance.site.which_watch import WATCHES_MOST
from tests.web.conftest import MACHINE, NEEDS, NS

WATCHES = WATCHES_MOST + 7
FAULTS = 2 * ROWS_MOST + 3
BEGAN_UTC_NS = 1_777_886_000 * NS


@pytest.fixture
def long_past(page: Any) -> Any:
    """The page over WATCHES watches, an hour apart, the second of which has FAULTS faults, a second apart."""
    with HistoryWriter(page.history_path) as writer:
        for number in range(WATCHES):
            start = WatchStart(5 * NS, BEGAN_UTC_NS + number * 3600 * NS, "rate-section", NEEDS, MACHINE, "0.1.0")
            writer.begin_watch(start)
            if number == 1:
                for at in range(FAULTS):
                    begin_ns = (10 + at // 2) * NS  # two at each moment: their numbers tell which is newer
                    row = FaultRow("gap", "from-receiver", "GGA", begin_ns, begin_ns, f"Fault {at}.", 1.0, 0.6, "s")
                    writer.open_fault(f"{at}", row)
                    writer.close_fault(f"{at}", row)
            writer.add_mark(MarkRow((20 + number) * NS, "box", f"Mark {number}."))
            writer.end_watch((3000 + number) * NS)
    return page


def listed(html: str) -> list[str]:
    return re.findall(r'<li><a href="[^"]+"><b>(.*?)</b>', html)


def walked(page: Any, path: str) -> list[list[str]]:
    """Page after page, by what each offers as older."""
    pages = []
    while path:
        html = page.html(path)
        pages.append(listed(html.partition("<main>")[2]))
        older = re.search(r'href="([^"]+)" rel="next"', html)
        path = older[1].replace("&amp;", "&") if older else ""
    return pages


def test_every_fault_is_reached_page_by_page_and_none_twice(long_past: Any) -> None:
    pages = walked(long_past, "/faults")
    assert [len(rows) for rows in pages] == [ROWS_MOST, ROWS_MOST, 3]
    assert [row for rows in pages for row in rows] == [f"Fault {at}." for at in reversed(range(FAULTS))]
    assert walked(long_past, "/faults?watch=2") == pages
    assert listed(long_past.html("/faults?watch=1").partition("<main>")[2]) == []
    assert "None so far." in long_past.html("/faults?watch=1")


def test_every_watch_is_reached_page_by_page(long_past: Any) -> None:
    assert [len(rows) for rows in walked(long_past, "/watches")] == [ROWS_MOST, 7]
    oldest = long_past.html(f"/watches?before={WATCHES - ROWS_MOST + 1}")
    assert f'<a href="/faults?watch=2">{FAULTS} faults</a>' in oldest
    assert '<a href="/faults?watch=1">0 faults</a>' in oldest


@pytest.mark.parametrize("path", ["/watches?before=x", "/faults?before=-1", "/faults?watch=99999999999"])
def test_a_number_that_is_none_is_refused(long_past: Any, path: str) -> None:
    long_past.html(path, 400)


def test_what_is_not_there_is_said(long_past: Any) -> None:
    long_past.html("/faults?watch=4711", 404)
    assert "There is none older." in long_past.html("/faults?before=1")
    assert "There is none older." in long_past.html("/watches?before=1")


@pytest.mark.parametrize("path", ["/day", "/track", "/take", "/job", "/pattern", "/box"])
def test_a_page_offers_the_newest_watches_and_the_one_it_shows(long_past: Any, path: str) -> None:
    offered = re.findall(r'<option value="(\d+)"[^>]*?( selected)?>', long_past.html(f"{path}?watch=2"))
    assert [int(number) for number, _ in offered] == [*range(WATCHES, WATCHES - WATCHES_MOST, -1), 2]
    assert [number for number, chosen in offered if chosen] == ["2"]


def test_history_reads_no_more_than_it_is_asked_for(long_past: Any) -> None:
    with History(long_past.history_path) as history:
        assert [watch.id for watch in history.watches(3)] == [WATCHES, WATCHES - 1, WATCHES - 2]
        assert [watch.id for watch in history.watches(9, 3)] == [2, 1]
        assert [mark.note for _, mark in history.box_marks(2)] == [f"Mark {WATCHES - 1}.", f"Mark {WATCHES - 2}."]
        at_ns = 21 * NS
        assert [mark.at_ns for mark in history.marks(2, at_ns, at_ns + 1)] == [at_ns]
        assert history.marks(2, at_ns + 1) == history.marks(2, None, at_ns) == []


def test_the_strip_asks_only_watches_that_fall_into_it(long_past: Any) -> None:
    """Each watch is asked for its seconds, faults and losses: no watch of long ago may cost anything."""
    asked: list[str] = []
    with History(long_past.history_path) as history:
        history._db.conn.set_trace_callback(asked.append)
        cells = history.strip(BEGAN_UTC_NS + 2 * 3600 * NS, hours=1, cells=4)
    assert sum("FROM second" in sql and "GROUP BY" in sql for sql in asked) == 1
    assert sum(cell.faults for cell in cells) == FAULTS
