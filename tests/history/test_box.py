"""How the box itself was: kept, read back for a span, told of at once where the supply is low, dropped and erased."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from appliance.history.reader import History
from appliance.history.rows import BoxRow, SecondRow, WatchStart
from appliance.history.space import _drop_events
from appliance.history.writer import HistoryWriter

S = 1_000_000_000
ROWS = [BoxRow(50 * S, 41, False), BoxRow(300 * S, 42, False), BoxRow(400 * S, None, True), BoxRow(500 * S, 43, None)]


def test_it_is_read_back_with_the_row_that_holds_at_the_start_of_a_span(
    path: Path, start: WatchStart, writer: HistoryWriter
) -> None:
    watch = writer.begin_watch(start)
    for row in ROWS:
        writer.add_box(row)
    writer.commit()
    with History(path) as history:
        assert history.boxes(watch) == ROWS
        assert history.boxes(watch, 350 * S, 450 * S) == ROWS[1:3]
        assert history.boxes(watch, 400 * S, 401 * S) == ROWS[2:3]
        assert history.boxes(watch, 10 * S, 40 * S) == []
        assert history.boxes(watch + 1) == []


def test_warmth_waits_for_the_next_commit_and_a_low_supply_does_not(start: WatchStart, writer: HistoryWriter) -> None:
    writer.begin_watch(start)
    writer.add_box(ROWS[0])
    assert writer.secure()
    writer.add_box(ROWS[2])
    assert not writer.secure()
    writer.commit()
    assert writer.secure()


def test_room_is_made_of_what_no_second_needs(
    path: Path, start: WatchStart, writer: HistoryWriter, second: Callable[..., SecondRow]
) -> None:
    watch = writer.begin_watch(start)
    for row in ROWS:
        writer.add_box(row)
    writer.add_second(second(470 * S))  # what is older than it was dropped
    writer.commit()
    assert _drop_events(writer._db, watch)
    assert not _drop_events(writer._db, watch)
    with History(path) as history:
        assert history.boxes(watch) == ROWS[2:] or history.boxes(watch) == ROWS[1:]
        assert history.boxes(watch, 470 * S, 471 * S) == ROWS[2:3]


def test_an_erased_watch_loses_it_and_the_one_under_way_keeps_what_holds(
    path: Path, start: WatchStart, writer: HistoryWriter
) -> None:
    gone = writer.begin_watch(start)
    writer.add_box(ROWS[0])
    writer.end_watch(600 * S)
    here = writer.begin_watch(start)
    writer.add_box(ROWS[1])
    writer.erase(None)
    assert writer._db.execute("SELECT watch FROM box").fetchall() == [(here,)]
    assert gone != here
