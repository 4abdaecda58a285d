"""A card that is full, slow, read-only or failing: the keeper lives, says so, and loses nothing once it is over."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from appliance.history.reader import History
from appliance.history.rows import MarkRow, WatchStart
from appliance.history.schema import WAL_BYTES_KEPT
from appliance.history.space import Space
from appliance.sentence.chunk import Chunk
from appliance.tap.daemon import HEARTBEAT_MOST_S
from appliance.tap.keeper import Keeper

S = 1_000_000_000
RECEIVER = "from-receiver"
START = WatchStart(0, 1_777_886_000 * S, "any", "", "Tractor 3", "0")
NO_FLOOR = Space(free_least_bytes=0)
PATIENCE_S = 60.0


def quick() -> int:
    """A clock twenty times as fast: 30 s of a card that stands still are a second and a half."""
    return time.monotonic_ns() * 20


def until(what: Callable[[], object]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < end
        time.sleep(0.01)


class Feed:
    """Hands numbered chunks to a keeper, and tells what of them is in history."""

    def __init__(self, keeper: Keeper, path: Path) -> None:
        self.keeper, self.path, self.count = keeper, path, 0

    def some(self, size: int = 200) -> None:
        for _ in range(20):
            data = b"%06d" % self.count + os.urandom(size)
            self.keeper.chunk(RECEIVER, Chunk(data, self.count * S, 1000))
            self.count += 1
        time.sleep(0.01)

    def kept(self) -> list[int]:
        with History(self.path) as history:
            watch = history.latest()
            assert watch is not None
            numbers = [int(chunk.data[:6]) for chunk in history.chunks(watch.id, RECEIVER)]
            assert not [one for one in history.troubles if "spoilt" in one]
            return numbers


@contextmanager
def keeping(path: Path, space: Space = NO_FLOOR, clock: Callable[[], int] = quick) -> Iterator[Feed]:
    keeper = Keeper(path, START, space, clock=clock)
    keeper.start()
    feed = Feed(keeper, path)
    try:
        yield feed
    finally:
        stopped = keeper.stop(feed.count * S, PATIENCE_S)
    assert stopped


@pytest.fixture
def disk(load: Callable[[str], ModuleType]) -> Iterator[Any]:
    module = load("disk")
    disk = module.Disk("history.db", keeps=False)
    with module.between(disk):
        yield disk


def _stand_still(disk: Any, feed: Feed, stall_s: float, clock: Callable[[], int]) -> None:
    """The next flush takes so long; in all that time the keeper is alive, says what is the matter, takes orders."""
    keeper, stalls = feed.keeper, iter([stall_s])

    def meets(what: str, _name: str, _size: int) -> int:
        if what == "sync":
            time.sleep(next(stalls, 0.0))
        return 0

    disk.meets = meets
    said, oldest_beat_s, began = set(), 0.0, time.monotonic()
    while time.monotonic() < began + stall_s + 0.5:
        feed.some()
        said.add(keeper.says.split(" s ")[0].rstrip("0123456789"))
        oldest_beat_s = max(oldest_beat_s, (clock() - keeper.heartbeat_ns) / 1e9)
        assert keeper.is_alive()
        time.sleep(0.02)
    assert "History has waited " in said
    assert oldest_beat_s < HEARTBEAT_MOST_S
    until(lambda: keeper.says == "" and feed.kept() and feed.kept()[-1] > feed.count - 2000)


def test_a_write_that_takes_half_a_minute(tmp_path: Path, disk: Any) -> None:
    path = tmp_path / "history.db"
    with keeping(path) as feed:
        until(lambda: feed.keeper.watch_id)
        _stand_still(disk, feed, 1.5, quick)
    assert feed.kept() == list(range(feed.count))
    assert feed.keeper.dropped == 0


@pytest.mark.slow
def test_a_write_that_takes_half_a_minute_of_real_time(tmp_path: Path, disk: Any) -> None:
    path = tmp_path / "history.db"
    with keeping(path, clock=time.monotonic_ns) as feed:
        until(lambda: feed.keeper.watch_id)
        _stand_still(disk, feed, 30.0, time.monotonic_ns)
    assert feed.kept() == list(range(feed.count))


FAULTS = {
    "full": (("write",), "FULL", "database or disk is full"),
    "failing writes": (("write",), "IOERR_WRITE", "disk I/O error"),
    "failing flushes": (("sync",), "IOERR_FSYNC", "disk I/O error"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_card_that_fails_for_a_while(tmp_path: Path, disk: Any, load: Callable[[str], ModuleType], name: str) -> None:
    where, code, says = FAULTS[name]
    answer = getattr(load("disk"), code)
    path = tmp_path / "history.db"
    with keeping(path) as feed:
        feed.some()
        until(lambda: feed.keeper.watch_id and feed.kept())
        disk.meets = lambda what, _name, _size: answer if what in where else 0
        until(lambda: feed.some() or says in feed.keeper.says)  # type: ignore[func-returns-value]
        assert feed.keeper.says.endswith("Judging and lamps go on.")
        for _ in range(30):  # some commits more
            feed.some()
        assert feed.keeper.is_alive()
        disk.meets = lambda _what, _name, _size: 0
        until(lambda: feed.keeper.says == "")
    assert feed.kept() == list(range(feed.count))


@pytest.mark.slow
def test_a_card_that_fails_only_now_and_then(tmp_path: Path, disk: Any, load: Callable[[str], ModuleType]) -> None:
    """Every seventh write fails, in the middle of whatever it is: nothing is ever half there."""
    error, calls = load("disk").IOERR_WRITE, iter(range(10**9))
    path = tmp_path / "history.db"
    with keeping(path) as feed:
        until(lambda: feed.keeper.watch_id)
        disk.meets = lambda what, _name, _size: error if what == "write" and next(calls) % 37 == 36 else 0
        for _ in range(100):
            feed.some()
            assert feed.kept() == list(range(len(feed.kept())))
        disk.meets = lambda _what, _name, _size: 0
    assert feed.kept() == list(range(feed.count))


def test_a_history_found_damaged_while_it_is_written_is_set_aside_and_nothing_pending_is_lost(
    tmp_path: Path, disk: Any
) -> None:
    path = tmp_path / "history.db"
    corrupt = [11]  # SQLITE_CORRUPT
    with keeping(path) as feed:
        feed.some()
        until(lambda: feed.keeper.watch_id and len(feed.kept()) == 20)
        disk.meets = lambda what, name, _size: (
            corrupt.pop() if what == "write" and corrupt and not name.endswith("-tail") else 0
        )
        feed.some()
        until(lambda: "set aside, whole, as history.db.damaged-1" in feed.keeper.says)
        feed.some()
    assert feed.kept() == list(range(20, 60))
    with History(path) as history:
        (mark,) = history.marks(1)
        assert mark.source == "box"
        assert "set aside" in mark.note
    with History(path.with_name("history.db.damaged-1")) as history:  # as whole as it was: the damage was played
        assert sum(1 for _ in history.chunks(1, RECEIVER)) == 20


def test_a_history_found_damaged_as_a_watch_ends_costs_that_watch_nothing_and_the_next_one_either(
    tmp_path: Path, disk: Any
) -> None:
    """With other needs another watch begins; what waited to be written when the damage is found is the old one's."""
    path = tmp_path / "history.db"
    corrupt: list[int] = []
    disk.meets = lambda what, name, _size: (
        corrupt.pop() if what == "write" and corrupt and not name.endswith("-tail") else 0
    )
    with keeping(path, clock=lambda: 0) as feed:  # a clock that stands: nothing is committed but for the renewal
        until(lambda: feed.keeper.watch_id)
        feed.some()
        until(feed.keeper._orders.empty)
        corrupt.append(11)  # SQLITE_CORRUPT
        feed.keeper.renew(20 * S, replace(START, started_ns=20 * S, needs_name="other"))
        feed.some()
        until(lambda: feed.keeper.watch_id == 2)
        assert "set aside, whole, as history.db.damaged-1" in feed.keeper.says
    assert feed.kept() == list(range(20, 40))
    with History(path) as history:
        assert [(watch.needs_name, watch.ended_ns) for watch in history.watches()] == [
            ("other", 40 * S),
            ("any", 20 * S),
        ]
        assert [int(chunk.data[:6]) for chunk in history.chunks(1, RECEIVER)] == list(range(20))
        (mark,) = history.marks(1)
        assert "set aside" in mark.note


@pytest.mark.parametrize("content", [b"\0" * 4096, b"no database at all, but long enough to be looked at " * 20])
def test_a_file_that_is_no_database_any_more_is_kept_and_a_new_one_begun(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "history.db"
    path.write_bytes(content)
    with keeping(path) as feed:
        feed.some()
        until(lambda: feed.keeper.watch_id)
        assert "set aside, whole, as history.db.damaged-1" in feed.keeper.says
    assert feed.kept() == list(range(20))
    assert path.with_name("history.db.damaged-1").read_bytes() == content


def test_a_disk_filled_by_somebody_else_to_the_last_byte(small_disk: Callable[[int], Path]) -> None:
    """Without a reserve yet: said, nothing lost that memory holds, and right again once there is room."""
    place = small_disk(6)
    path = place / "history.db"
    with keeping(path) as feed:
        feed.some()
        until(lambda: feed.keeper.watch_id and feed.kept())
        fill(place)
        until(lambda: feed.some(2000) or "full" in feed.keeper.says)  # type: ignore[func-returns-value]
        for _ in range(10):
            feed.some()
        assert feed.keeper.is_alive()
        (place / "filler").unlink()
        until(lambda: feed.keeper.says == "")
    assert feed.kept() == list(range(feed.count))


def fill(place: Path) -> None:
    with (place / "filler").open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            return


@pytest.mark.slow
def test_a_disk_that_history_itself_fills_goes_on_for_ever(small_disk: Callable[[int], Path]) -> None:
    """No cap that would fit, no floor: it is at its end, drops what is oldest, and never fails.

    Then somebody else takes the last byte, and it still goes on, in the room that it holds for itself.
    """
    place = small_disk(10)
    path, said = place / "history.db", set[str]()
    with keeping(path, Space(10**12, 0)) as feed:
        until(lambda: feed.keeper.watch_id)
        for _ in range(300):
            feed.some(5000)
            said.add(feed.keeper.says)
            time.sleep(0.01)
        until(lambda: feed.kept()[-1] > feed.count - 1000)
        fill(place)
        for _ in range(100):
            feed.some()
            time.sleep(0.05)
            said.add(feed.keeper.says)
    assert not [one for one in said if "cannot be written" in one or "no room" in one]
    kept = feed.kept()
    assert kept == list(range(kept[0], feed.count))
    assert kept[0] > 0
    assert feed.keeper.dropped == 0
    assert path.stat().st_size < 10 * 2**20 - WAL_BYTES_KEPT // 2


def test_a_card_that_is_read_only_at_the_start(small_disk: Callable[[int], Path]) -> None:
    place = small_disk(10)
    path = place / "history.db"
    with keeping(path) as feed:
        until(lambda: feed.keeper.watch_id)
    remount(place, "ro")
    with keeping(path) as feed:
        feed.some()
        until(lambda: "cannot be written" in feed.keeper.says)
        feed.keeper.mark(MarkRow(S, "page", "meanwhile"))
        assert feed.keeper.watch_id is None
        remount(place, "rw")
        until(lambda: feed.keeper.watch_id)
        assert feed.keeper.says == ""
    assert feed.kept() == list(range(20))
    assert not list(place.glob("*damaged*"))


def remount(place: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", str(place)], check=True, timeout=20)
