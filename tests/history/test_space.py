"""Room: what goes, in which order, that it is known, and that a file at its cap grows no more."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as tries
from hypothesis import strategies as st

from appliance.history import space as room
from appliance.history.reader import History
from appliance.history.rows import Clip, FaultRow, LossRow, MarkRow, SecondRow, WatchStart
from appliance.history.schema import WAL_BYTES_KEPT
from appliance.history.space import Space
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk

RECEIVER = "from-receiver"
S = 1_000_000_000


def size(path: Path) -> int:
    return sum(file.stat().st_size for file in path.parent.glob(path.name + "*") if not file.name.endswith("-shm"))


def fill(writer: HistoryWriter, second: Callable[..., SecondRow], begin: int, count: int, seed: int = 1) -> list[str]:
    """count times two seconds of traffic that cannot be packed, each with a second, a commit, and room made."""
    noise = random.Random(seed)
    told = []
    writer._db.execute("PRAGMA synchronous = OFF")  # cuts of power are tested elsewhere
    for n in range(begin, begin + count):
        writer.add_chunk(RECEIVER, Chunk(b"%06d" % n + noise.randbytes(3000), (100 + 2 * n) * S, 1000))
        writer.add_second(second((100 + 2 * n) * S))
        writer.commit()
        told.append(writer.make_room())
    return told


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> Space:
    """A cap that is soon reached."""
    return Space(most_bytes=WAL_BYTES_KEPT + 4_000_000, free_least_bytes=0)


def test_a_history_at_its_cap_drops_the_oldest_raw_traffic_and_says_up_to_when(
    path: Path, start: WatchStart, second: Callable[..., SecondRow], fault: Callable[..., FaultRow], small: Space
) -> None:
    with HistoryWriter(path, small) as writer:
        watch = writer.begin_watch(start)
        writer.open_fault("f", fault(101 * S, 102 * S))
        writer.add_mark(MarkRow(103 * S, "page", "here"))
        assert not any(fill(writer, second, 0, 1600))
        assert size(path) <= small.most_bytes
        with History(path) as history:
            told = history.watch(watch)
            chunks = list(history.chunks(watch, RECEIVER))
            assert told.raw_gone_ns is not None
            assert chunks[0].start_ns >= told.raw_gone_ns > chunks[0].start_ns - 3 * S
            gone_utc = datetime.fromtimestamp(told.utc_ns(told.raw_gone_ns) / 1e9, UTC)
            assert history.troubles == [
                f"The raw bytes of watch 1 of before {gone_utc:%Y-%m-%d %H:%M:%S} UTC were dropped or erased."
            ]
            with History(path) as again:  # who asks only for what is there is told nothing
                assert len(list(again.chunks(watch, RECEIVER, told.raw_gone_ns))) == len(chunks)
                assert again.troubles == []
            numbers = [int(chunk.data[:6]) for chunk in chunks]
            assert numbers == list(range(numbers[0], 1600))  # no hole, the newest is there
            assert len(numbers) > room.BLOCKS_KEPT
            # seconds are smaller and say more: they are all there as long as raw traffic is more than a quarter
            assert told.seconds_gone_ns is None
            assert len(list(history.seconds(watch))) == 1600
            assert (len(history.faults(watch)), len(history.marks(watch))) == (1, 1)


@pytest.mark.slow
def test_what_is_small_goes_before_raw_traffic_is_down_to_nothing(
    path: Path, start: WatchStart, second: Callable[..., SecondRow], fault: Callable[..., FaultRow], small: Space
) -> None:
    """A long life of small rows: the traffic of today has its quarter, and no watch without anything is listed."""
    noise = random.Random(3)
    with HistoryWriter(path, small) as writer:
        writer._db.execute("PRAGMA synchronous = OFF")
        for job in range(8):
            watch = writer.begin_watch(start)
            for n in range(300):
                clip = Clip("whole", RECEIVER, (Chunk(noise.randbytes(3000), 0, 1000),))
                writer.close_fault("f", fault((100 + n) * S, (101 + n) * S, evidence=(clip,)))
                writer.close_loss("l", LossRow("speed", (100 + n) * S, (101 + n) * S))
                writer.add_second(second((100 + n) * S))
                writer.add_chunk(RECEIVER, Chunk(b"%d" % n, (100 + n) * S, 1000))
                writer.commit()
                assert writer.make_room() == "", (job, n)
        assert size(path) <= small.most_bytes
        with History(path) as history:
            watches = history.watches()
            assert watches[0].id == watch
            assert len(watches) < 8
            assert len(list(history.chunks(watch, RECEIVER))) == 300
            oldest = next(one for one in reversed(watches) if history.faults(one.id))
            faults = list(history.faults_in_order(oldest.id))
            assert faults[0].start_ns >= (oldest.events_gone_ns or 0)
            assert history.fault(faults[0].id).evidence
            assert [loss.start_ns for loss in history.losses(oldest.id)] == [one.start_ns for one in faults]


def test_a_floor_of_free_space_that_is_not_there_stops_the_growth_and_spares_the_history(
    path: Path, start: WatchStart, second: Callable[..., SecondRow]
) -> None:
    """Another program has filled the card: room is made once, and no more is given up than is needed to go on."""
    with HistoryWriter(path, Space(free_least_bytes=0)) as writer:
        watch = writer.begin_watch(start)
        fill(writer, second, 0, 1000)
    with HistoryWriter(path, Space(free_least_bytes=2**60)) as writer:
        writer.begin_watch(start)
        told = fill(writer, second, 1000, 300)
        assert all("MB are to stay free, so history grows no more" in one for one in told)
        grown = path.stat().st_size
        fill(writer, second, 1300, 300)
        assert path.stat().st_size == grown
    with History(path) as history:
        assert history.watch(watch).raw_gone_ns is not None
        left = sum(len(chunk.data) for chunk in history.chunks(watch, RECEIVER))
        left += sum(len(chunk.data) for chunk in history.chunks(watch + 1, RECEIVER))
        assert left > 1000 * 3000 - 2 * room.RESERVE_BYTES


def test_nothing_to_drop_is_told(path: Path, start: WatchStart, second: Callable[..., SecondRow]) -> None:
    with HistoryWriter(path, Space(free_least_bytes=2**60)) as writer:
        writer.begin_watch(start)
        assert ["nothing old to drop" in one for one in fill(writer, second, 0, 2)] == [True, True]


@pytest.mark.slow
def test_a_smaller_cap_is_come_down_to_in_small_steps(
    path: Path, start: WatchStart, second: Callable[..., SecondRow], small: Space
) -> None:
    """What is in use comes down to the cap, a batch a commit; the file keeps its length, for use again."""
    with HistoryWriter(path, Space(free_least_bytes=0)) as writer:
        writer.begin_watch(start)
        fill(writer, second, 0, 2500)
    long = path.stat().st_size
    assert long > small.most_bytes
    with HistoryWriter(path, small) as writer:
        writer.begin_watch(start)
        fill(writer, second, 2500, 30)
        (free,) = writer._db.execute("PRAGMA freelist_count").fetchone()
        assert path.stat().st_size <= long + room.GROW_BYTES
        assert path.stat().st_size - free * 1024 + WAL_BYTES_KEPT <= small.most_bytes


@pytest.mark.slow
@tries(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sizes=st.lists(st.integers(1, 20_000), min_size=1, max_size=25), cap=st.integers(700_000, 2_500_000))
def test_whatever_comes_the_file_stays_below_its_cap_and_what_is_left_is_the_newest(
    tmp_path_factory: pytest.TempPathFactory, start: WatchStart, sizes: list[int], cap: int
) -> None:
    path = tmp_path_factory.mktemp("cap") / "history.db"
    most = Space(WAL_BYTES_KEPT + cap, 0)
    noise = random.Random(len(sizes))
    with HistoryWriter(path, most) as writer:
        writer._db.execute("PRAGMA synchronous = OFF")
        watch = writer.begin_watch(start)
        for n in range(500):
            writer.add_chunk(RECEIVER, Chunk(b"%06d" % n + noise.randbytes(sizes[n % len(sizes)] // 10), n * S, 1000))
            writer.commit()
            writer.make_room()
            assert size(path) <= max(most.most_bytes, WAL_BYTES_KEPT + room.BLOCKS_KEPT * 3500)
    with History(path) as history:
        numbers = [int(chunk.data[:6]) for chunk in history.chunks(watch, RECEIVER)]
        assert numbers == list(range(numbers[0], 500))
        gone = history.watch(watch).raw_gone_ns
        assert (gone is None) == (numbers[0] == 0)
