"""The keeper: all that was ordered is in history, in its own time, and history in trouble stops nobody."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from appliance.history import tail
from appliance.history.erase import set_aside_of
from appliance.history.reader import History
from appliance.history.rows import FaultRow, LossRow, MarkRow, TuningRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk
from appliance.sentence.setting import Setting
from appliance.tap.keeper import Keeper
from appliance.tap.orders import ORDERS_MOST

SECOND = 1_000_000_000
RECEIVER = "from-receiver"
START = WatchStart(0, 1_777_886_000 * SECOND, "alive", "", "Tractor 3", "0")
FAULT = FaultRow("gap", RECEIVER, "GGA", 3 * SECOND, None, "It is away.", 1.0, 0.6, "s", ())


def quick() -> int:
    """A clock twenty times as fast: what waits for seconds waits for a fraction of one."""
    return time.monotonic_ns() * 20


def until(what: Callable[[], object], within_s: float = 10.0) -> None:
    end = time.monotonic() + within_s
    while not what():
        assert time.monotonic() < end
        time.sleep(0.01)


def kept(path: Path) -> tuple[bytes, list[str], list[str], str]:
    with History(path) as history:
        watch = history.latest()
        assert watch is not None
        raw = b"".join(chunk.data for chunk in history.chunks(watch.id, RECEIVER))
        marks = [mark.note for mark in history.marks(watch.id)]
        return raw, marks, [fault.says for fault in history.faults(watch.id)], watch.ended_how


def test_a_stop_writes_all_that_was_ordered(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path / "history.db", START)
    keeper.start()
    for n in range(3000):
        keeper.chunk(RECEIVER, Chunk(b"%d," % n, n * 10_000_000, 1000))
    keeper.fault("f", FAULT)
    keeper.mark(MarkRow(5 * SECOND, "page", "here"))
    keeper.date(1_777_886_000 * SECOND, 0.5)
    assert keeper.is_alive()
    assert keeper.stop(31 * SECOND, 20.0)
    assert not keeper.is_alive()
    raw, marks, faults, how = kept(tmp_path / "history.db")
    assert raw == b"".join(b"%d," % n for n in range(3000))
    assert (marks, faults, how) == (["here"], ["It is away."], "stopped")
    with History(tmp_path / "history.db") as history:
        watch = history.latest()
        assert watch is not None
        assert (watch.ended_ns, watch.dated) == (31 * SECOND, True)
    assert (keeper.says, keeper.dropped, keeper.watch_id) == ("", 0, 1)


def test_it_commits_by_itself_and_its_heart_beats(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path / "history.db", START, clock=quick)
    keeper.start()
    try:
        until(lambda: keeper.watch_id)
        keeper.mark(MarkRow(5 * SECOND, "page", "here"))
        until(lambda: kept(tmp_path / "history.db")[1] == ["here"])
        beat = keeper.heartbeat_ns
        until(lambda: keeper.heartbeat_ns > beat)
    finally:
        assert keeper.stop(6 * SECOND, 10.0)


def test_traffic_waits_for_a_reader_or_two_minutes(tmp_path: Path) -> None:
    """Until then it stands in the tail; events are there at once, with all that came before them."""
    path, now_ns = tmp_path / "history.db", [0]
    keeper = Keeper(path, START, clock=lambda: now_ns[0])
    keeper.start()
    try:
        until(lambda: keeper.watch_id)

        def pass_s(seconds: float) -> None:
            now_ns[0] += int(seconds * SECOND)
            until(keeper._orders.empty)

        keeper.chunk(RECEIVER, Chunk(b"a", SECOND, 0))
        pass_s(2.5)
        until(lambda: any(tail.beside(path).read_bytes()))
        assert kept(path)[0] == b""
        assert keeper.catch_up().wait(10)
        assert kept(path)[0] == b"a"
        keeper.chunk(RECEIVER, Chunk(b"b", 4 * SECOND, 0))
        assert keeper.catch_up().wait(10)  # too soon after the last
        assert kept(path)[0] == b"a"
        pass_s(2.5)
        keeper.mark(MarkRow(5 * SECOND, "page", "here"))
        pass_s(2.5)
        until(lambda: kept(path)[:2] == (b"ab", ["here"]))
        keeper.chunk(RECEIVER, Chunk(b"c", 9 * SECOND, 0))
        pass_s(122)
        until(lambda: kept(path)[0] == b"abc")
    finally:
        assert keeper.stop(140 * SECOND, 20.0)


def test_a_fault_is_there_when_it_opens_and_changed_when_it_closes(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path / "history.db", START, clock=quick)
    keeper.start()
    try:
        keeper.fault("f", FAULT)
        until(lambda: (tmp_path / "history.db").exists() and keeper.watch_id and kept(tmp_path / "history.db")[2])
        over = FaultRow("gap", RECEIVER, "GGA", 3 * SECOND, 4 * SECOND, "It was away.", 1.0, 0.6, "s", ())
        keeper.fault("f", over, whole=True)
        until(lambda: kept(tmp_path / "history.db")[2] == ["It was away."])
    finally:
        assert keeper.stop(6 * SECOND, 10.0)


def test_what_the_controller_would_have_lost_is_there_from_its_start(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    keeper = Keeper(path, START, clock=quick)
    keeper.start()

    def losses() -> list[LossRow]:
        with History(path) as history:
            return list(history.losses(1))

    try:
        until(lambda: keeper.watch_id)
        keeper.loss("position", LossRow("position", 3 * SECOND, None))
        until(lambda: losses() == [LossRow("position", 3 * SECOND, None)])
        keeper.loss("position", LossRow("position", 3 * SECOND, 4 * SECOND))
        until(lambda: losses() == [LossRow("position", 3 * SECOND, 4 * SECOND)])
    finally:
        assert keeper.stop(6 * SECOND, 10.0)


def test_a_watch_is_erased_and_who_asked_is_told(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    for _ in range(2):
        keeper = Keeper(path, START)
        keeper.start()
        keeper.chunk(RECEIVER, Chunk(b"$GNGGA,position", 0, 1000))
        assert keeper.stop(6 * SECOND, 10.0)
    told: list[str] = []
    keeper = Keeper(path, START)
    keeper.start()
    try:
        keeper.erase(1, told.append)
        keeper.erase(99, told.append)
        until(lambda: len(told) == 2)
        assert told[0] == ""
        assert "There is no watch 99" in told[1]
        assert "There is no watch 99" not in keeper.says  # no trouble of the card
        with History(path) as history:
            assert [watch.id for watch in history.watches()] == [3, 2]
    finally:
        assert keeper.stop(6 * SECOND, 10.0)


def test_history_that_cannot_be_opened_is_said_and_tried_again(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    path.mkdir()
    keeper = Keeper(path, START, clock=quick)
    keeper.start()
    try:
        until(lambda: keeper.says)
        assert str(path) in keeper.says
        assert keeper.says.endswith("Judging and lamps go on.")
        keeper.mark(MarkRow(5 * SECOND, "page", "while away"))
        assert keeper.watch_id is None
        beat = keeper.heartbeat_ns
        until(lambda: keeper.heartbeat_ns > beat)
        path.rmdir()
        until(lambda: keeper.watch_id)
        assert keeper.says == ""
    finally:
        assert keeper.stop(6 * SECOND, 10.0)
    assert kept(path)[1] == ["while away"]


@pytest.mark.parametrize("orders", [0, 60_000])
def test_a_stop_does_not_wait_for_a_history_that_never_opens(tmp_path: Path, orders: int) -> None:
    """Nor does a queue that is full keep it, nor one that fills while it stops."""
    path = tmp_path / "history.db"
    path.mkdir()
    keeper = Keeper(path, START)
    keeper.start()
    until(lambda: keeper.says)
    for _ in range(orders):
        keeper.mark(MarkRow(0, "page", ""))
    assert keeper.dropped == max(0, orders - 50_000)
    begun = time.monotonic()
    assert keeper.stop(6 * SECOND, 10.0)
    assert time.monotonic() - begun < 2.0


def test_what_is_wrong_with_one_order_is_said_and_costs_no_other(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path / "history.db", START)
    keeper.start()
    keeper.chunk("from-nowhere", Chunk(b"lost", 0, 1000))
    keeper.chunk(RECEIVER, Chunk(b"kept", 0, 1000))
    until(lambda: keeper.says)
    assert "from-nowhere" in keeper.says
    assert keeper.stop(SECOND, 10.0)
    assert kept(tmp_path / "history.db")[0] == b"kept"


@pytest.mark.slow
def test_a_card_in_trouble_is_said_and_nothing_is_lost_when_it_recovers(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    keeper = Keeper(path, START, clock=quick)
    keeper.start()
    try:
        until(lambda: keeper.watch_id)
        blocking = sqlite3.connect(path, isolation_level=None)
        try:
            blocking.execute("BEGIN IMMEDIATE")
            keeper.mark(MarkRow(5 * SECOND, "page", "in trouble"))
            until(lambda: keeper.says, 60.0)
            blocking.execute("ROLLBACK")
        finally:
            blocking.close()
        until(lambda: keeper.says == "", 60.0)
        assert kept(path)[1] == ["in trouble"]
    finally:
        assert keeper.stop(6 * SECOND, 20.0)


def test_another_watch_waits_for_a_history_that_is_held(tmp_path: Path) -> None:
    """What is ordered meanwhile belongs to the next watch, and nothing is lost."""
    path = tmp_path / "history.db"
    keeper = Keeper(path, START, clock=quick)
    keeper.start()
    try:
        until(lambda: keeper.watch_id)
        keeper.mark(MarkRow(5 * SECOND, "page", "in the first"))
        blocking = sqlite3.connect(path, isolation_level=None)
        try:
            blocking.execute("BEGIN IMMEDIATE")
            keeper.renew(6 * SECOND, replace(START, started_ns=6 * SECOND, needs_name="other"))
            keeper.mark(MarkRow(7 * SECOND, "page", "in the second"))
            until(lambda: "cannot be written" in keeper.says, 20.0)
            assert keeper.watch_id is None
            blocking.execute("ROLLBACK")
        finally:
            blocking.close()
        until(lambda: keeper.watch_id == 2, 20.0)
    finally:
        assert keeper.stop(9 * SECOND, 20.0)
    with History(path) as history:
        assert [(watch.needs_name, watch.ended_ns) for watch in history.watches()] == [
            ("other", 9 * SECOND),
            ("alive", 6 * SECOND),
        ]
        notes = [[mark.note for mark in history.marks(watch)] for watch in (1, 2)]
        assert notes == [
            ["in the first"],
            ["in the second"],
        ]


def test_what_finds_no_room_is_told_to_whoever_asked(tmp_path: Path) -> None:
    """A keeper that never starts, as one that the card holds up for long."""
    keeper, told = Keeper(tmp_path / "history.db", START), list[str]()
    for _ in range(ORDERS_MOST):
        keeper.mark(MarkRow(0, "page", ""))
    keeper.erase(1, told.append)
    assert keeper.dropped == 1
    assert told == ["more waits for the card than this box can hold. Ask again when history can be written."]


def test_another_watch_finds_room_whatever_waits(tmp_path: Path) -> None:
    """And so does how its ports listen, by which its bytes are read."""
    keeper = Keeper(tmp_path / "history.db", START, clock=quick)
    for n in range(ORDERS_MOST + 1):
        keeper.mark(MarkRow(n, "page", ""))
    assert keeper.dropped == 1
    keeper.renew(6 * SECOND, replace(START, started_ns=6 * SECOND, needs_name="other"))
    keeper.tuned(TuningRow(RECEIVER, 6 * SECOND, Setting(9600)))
    keeper.start()
    until(lambda: keeper.watch_id == 2, 20.0)
    assert keeper.stop(7 * SECOND, 20.0)
    assert keeper.dropped == 1
    with History(tmp_path / "history.db") as history:
        assert [watch.needs_name for watch in history.watches()] == ["other", "alive"]
        assert [row.setting for row in history.tunings(2, RECEIVER)] == [Setting(9600)]


def test_a_history_of_a_newer_program_is_set_aside_whole(tmp_path: Path) -> None:
    """As where the box went back to the version before: what is heard from then on is kept, and so is what was."""
    path = tmp_path / "history.db"
    with HistoryWriter(path) as writer:
        writer.begin_watch(START)
        writer.add_mark(MarkRow(5 * SECOND, "page", "of the newer"))
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("INSERT INTO _sqlite_migrations VALUES (99, 'linelamp', 'm099_later', '2031-01-01')")
        plain.commit()
    keeper = Keeper(path, START, clock=quick)
    keeper.start()
    keeper.mark(MarkRow(5 * SECOND, "page", "here"))
    assert keeper.stop(6 * SECOND, 10.0)
    here, told = sorted(kept(path)[1], key=len)
    assert here == "here"
    assert "newer version" in told
    assert "set aside, whole, as history.db.newer-1" in told
    with closing(sqlite3.connect(tmp_path / "history.db.newer-1")) as plain:
        assert plain.execute("SELECT note FROM mark").fetchall() == [("of the newer",)]
    assert [aside.name for aside in set_aside_of(path)][:1] == ["history.db.newer-1"]
