"""What the controller would have lost: written, read back, ended with a watch that was cut off, and on the strip."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest

from appliance.history.loss_steps import NEWEST
from appliance.history.reader import History
from appliance.history.rows import LossRow, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter

S = 1_000_000_000
MINUTE = 60 * S


def test_a_loss_is_there_when_it_opens_and_ended_when_it_closes(
    path: Path, start: WatchStart, writer: HistoryWriter
) -> None:
    watch = writer.begin_watch(start)
    writer.open_loss("position", LossRow("position", 60 * S, None))
    writer.open_loss("speed", LossRow("speed", 61 * S, None))
    writer.commit()
    with History(path) as history:
        assert list(history.losses(watch)) == [LossRow("position", 60 * S, None), LossRow("speed", 61 * S, None)]
    writer.close_loss("position", LossRow("position", 60 * S, 64 * S))
    writer.open_loss("position", LossRow("position", 70 * S, None))  # the same key again, for a new one
    writer.commit()
    with History(path) as history:
        assert list(history.losses(watch)) == [
            LossRow("position", 60 * S, 64 * S),
            LossRow("speed", 61 * S, None),
            LossRow("position", 70 * S, None),
        ]
        assert list(history.losses(watch, 64 * S, 70 * S)) == [
            LossRow("position", 60 * S, 64 * S),
            LossRow("speed", 61 * S, None),
        ]
        assert list(history.losses(watch, to_ns=61 * S)) == [LossRow("position", 60 * S, 64 * S)]
        assert list(history.losses(watch + 1)) == []
        assert history.sizes(watch)["losses"] == 3
    writer.end_watch(80 * S)
    with History(path) as history:
        assert [row.end_ns for row in history.losses(watch)] == [64 * S, 80 * S, 80 * S]


def test_a_watch_that_was_cut_off_ends_its_losses_at_the_last_time_it_knew(
    path: Path, start: WatchStart, second: Callable[..., SecondRow]
) -> None:
    with HistoryWriter(path) as writer:
        cut = writer.begin_watch(start)
        writer.open_loss("speed", LossRow("speed", 60 * S, None))
        writer.add_second(second(65 * S))
        writer.open_loss("position", LossRow("position", 66 * S, None))
    with HistoryWriter(path) as writer:
        writer.begin_watch(start)
    with History(path) as history:
        assert history.watch(cut).ended_ns == 66 * S
        assert [row.end_ns for row in history.losses(cut)] == [66 * S, 66 * S]


def test_the_strip_tells_how_often_and_for_how_long(
    path: Path, start: WatchStart, writer: HistoryWriter, second: Callable[..., SecondRow]
) -> None:
    """Cells of a minute. Where position and speed are away together, the time counts once."""
    begin = start.started_ns
    watch = writer.begin_watch(start)
    losses = [
        LossRow("position", begin + 10 * S, begin + 20 * S),
        LossRow("speed", begin + 15 * S, begin + 25 * S),  # 15 s in the first minute in all
        LossRow("position", begin + 16 * S, begin + 18 * S),  # within both
        LossRow("position", begin + 110 * S, begin + 190 * S),  # 10, 60 and 10 s of three minutes
        LossRow("speed", begin + 290 * S, None),  # still on; known until the last row
    ]
    for n, row in enumerate(losses):
        (writer.open_loss if row.end_ns is None else writer.close_loss)(str(n), row)
    writer.add_second(second(begin + 295 * S))
    writer.commit()
    end_utc_ns = start.box_utc_ns + 5 * MINUTE
    with History(path) as history:
        cells = history.strip(end_utc_ns, hours=5 / 60, cells=5)
        assert [cell.losses for cell in cells] == [3, 1, 0, 0, 1]
        assert [cell.lost_s for cell in cells] == [15.0, 10.0, 60.0, 10.0, 5.0]
        late = history.strip(end_utc_ns - 3 * MINUTE, hours=1 / 60, cells=2)  # half minutes of the second minute
        assert [(cell.losses, cell.lost_s) for cell in late] == [(0, 0.0), (1, 10.0)]
        assert list(history.losses(watch, begin + 295 * S)) == [losses[-1]]


@pytest.mark.parametrize("step", [S // 2, 3 * S, MINUTE])
def test_losses_by_steps_add_up_to_the_losses(path: Path, start: WatchStart, writer: HistoryWriter, step: int) -> None:
    """Against each loss counted by itself; a thousand of them, a tenth of a second to two minutes long."""
    dice, watch = Random(5), writer.begin_watch(start)
    for what in ("position", "speed"):
        at = 10 * S
        for number in range(500):
            end = at + int(10 ** dice.uniform(-1, 2) * S)
            writer.close_loss(f"{what} {number}", LossRow(what, at, end))
            at = end + int(10 ** dice.uniform(-1, 1) * S)
        writer.open_loss(what, LossRow(what, at, None))
    writer.commit()
    from_ns, to_ns, zero = 200 * S + 7, 3000 * S, 200 * S // step * step
    with History(path) as history:
        found = history.watch(watch)
        told = history.loss_steps(found, from_ns, to_ns, zero, step)
        rows = [(one.start_ns, one.end_ns or found.last_ns) for one in history.losses(watch, from_ns, to_ns)]
    count = -(-(to_ns - zero) // step)
    for place, (began, lost_ns) in enumerate(told.cells(zero, step, count)):
        begin, end = zero + place * step, zero + (place + 1) * step
        assert began == sum(begin <= one < end for one, _ in rows)
        assert lost_ns == sum(max(0, min(stop, end) - max(one, begin)) for one, stop in rows)
    assert told.count == len(rows)
    assert len(told.newest) == NEWEST
    assert [one.start_ns for one in told.newest] == sorted((one for one, _ in rows), reverse=True)[:NEWEST]
    assert len(told.short) <= count + 1
    assert len(told.long) <= 2 * (count + 1)
    assert all(any(one <= begin and end <= stop for one, stop in told.spans()) for begin, end in rows)
