"""Summed-up seconds: whatever was handed over, however it was committed, the same as adding all seconds by hand."""

from __future__ import annotations

import math
import random
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.history import summaries, ways
from appliance.history.reader import History
from appliance.history.rows import SecondRow, WatchStart
from appliance.history.schema import WAL_BYTES_KEPT
from appliance.history.space import Space
from appliance.history.summaries import MINUTE_NS
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk

S = 1_000_000_000
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None  # what is flushed there costs nothing
BEGIN_S = 1_234_567  # somewhere within a minute
LINES = ("from-receiver", "from-controller")
maybe = st.none() | st.integers(0, 40)

seconds = st.builds(
    lambda at_s, line, sentences, verdict, satellites, hdop, speed, jitter, messages: SecondRow(
        line, (BEGIN_S + at_s) * S, 800, sentences, 1, 0, sentences / 100, verdict, 4, satellites,
        None if hdop is None else hdop / 10, speed_mps=None if speed is None else speed / 8,
        jitter_s=None if jitter is None else jitter / 1000, messages=messages,
    ),
    st.integers(0, 400), st.sampled_from(LINES), st.integers(0, 99), st.sampled_from(["go", "wait", "no-go"]),
    maybe, maybe, maybe, maybe, st.dictionaries(st.sampled_from(["GPGGA", "GPVTG", "PXYZA"]), st.integers(1, 6)),
)  # fmt: skip
VALUES: dict[str, Callable[[SecondRow], float | None]] = {
    "verdict": lambda row: ["go", "wait", "no-go"].index(row.verdict),
    "sentences": lambda row: row.sentences,
    "damaged": lambda row: row.damaged,
    "load_ratio": lambda row: row.load_ratio,
    "quality": lambda row: row.quality,
    "satellites": lambda row: row.satellites,
    "hdop": lambda row: row.hdop,
    "age_s": lambda row: row.age_s,
    "speed_mps": lambda row: row.speed_mps,
    "jitter_s": lambda row: row.jitter_s,
}
Sums = dict[str, dict[int, tuple[Any, ...]]]


def by_hand(rows: list[SecondRow], line: str, from_ns: int, to_ns: int, step_ns: int) -> Sums:
    """What History.summary is to give, from the rows as they were handed over: the last of each second and line."""
    grid_ns = MINUTE_NS if step_ns >= MINUTE_NS else step_ns
    zero_ns = from_ns - from_ns % grid_ns
    end_ns = zero_ns + math.ceil((to_ns - zero_ns) / step_ns) * step_ns
    last = {row.second_ns: row for row in rows if row.line == line and zero_ns <= row.second_ns < end_ns}
    found: dict[str, dict[int, list[float]]] = {}
    for row in last.values():
        place = (row.second_ns - zero_ns) // step_ns
        told = {what: value(row) for what, value in VALUES.items()} | row.messages
        for what, value in told.items():
            if value is not None:
                found.setdefault(what, {}).setdefault(place, []).append(value)
    return {
        what: {
            place: (len(values), min(values), max(values), pytest.approx(sum(values))) for place, values in told.items()
        }
        for what, told in found.items()
    }


def as_told(history: History, watch: int, line: str, *asked: int) -> Sums:
    summary = history.summary(watch, line, *asked)
    return {
        what: {place: (one.seconds, one.least, one.most, one.total) for place, one in told.items()}
        for what, told in summary.series.items()
    }


@pytest.mark.slow
@given(
    st.lists(st.lists(seconds, max_size=30), max_size=6),
    st.integers(-50, 450), st.integers(1, 500), st.sampled_from([1, 2, 7, 15, 60, 120, 300]), st.booleans(),
)  # fmt: skip
def test_the_same_as_adding_by_hand(
    batches: list[list[SecondRow]], from_s: int, lasts_s: int, step_s: int, ended: bool
) -> None:
    start = WatchStart(BEGIN_S * S, 0, "x", "", "x", "0")
    from_ns, to_ns = (BEGIN_S + from_s) * S, (BEGIN_S + from_s + lasts_s) * S
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        path = Path(folder) / "history.db"
        with HistoryWriter(path) as writer:
            watch = writer.begin_watch(start)
            for batch in batches:
                for row in batch:
                    writer.add_second(row)
                writer.commit()
            if ended:
                writer.end_watch((BEGIN_S + 500) * S)
        rows = [row for batch in batches for row in batch]
        with History(path) as history:
            for line in LINES:
                expected = by_hand(rows, line, from_ns, to_ns, step_s * S)
                assert as_told(history, watch, line, from_ns, to_ns, step_s * S) == expected
                one = history.summary(watch, line, from_ns, to_ns, step_s * S, only="speed_mps").series
                assert one.keys() == {"speed_mps"} & expected.keys()
                assert all(len(places) == len(expected[what]) for what, places in one.items())


def drive(watch_s: int, seed: int = 1) -> Iterator[SecondRow]:
    """A machine that goes to and fro, with two breaks in its positions. Invented."""
    chance = random.Random(seed)
    for n in range(watch_s):
        row_m, on_row_m = divmod(2.5 * n, 400)
        north_m = on_row_m if row_m % 2 == 0 else 400 - on_row_m
        there = not (300 <= n < 320 or 700 <= n < 703)
        yield SecondRow(
            "from-receiver", (BEGIN_S + n) * S, 800, 12, 0, 0, 0.2, "go", 4, 14, 0.8, 1.0,
            52.1 + (north_m + chance.gauss(0, 0.02)) / 111_200 if there else None,
            -1.2 + (row_m * 12 + chance.gauss(0, 0.02)) / 68_400 if there else None, 2.5, messages={"GPGGA": 5},
        )  # fmt: skip


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[SecondRow]]:
    path, rows = tmp_path_factory.mktemp("driven") / "history.db", list(drive(2 * 3600))
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(BEGIN_S * S, 0, "x", "", "x", "0"))
        for n, row in enumerate(rows):
            writer.add_second(row)
            if n % 45 == 44:
                writer.commit()
    return path, rows


@pytest.fixture
def driven(written: tuple[Path, list[SecondRow]], path: Path) -> tuple[Path, list[SecondRow]]:
    path.write_bytes(written[0].read_bytes())
    return path, written[1]


def test_the_way_is_thin_true_and_broken_where_positions_were(driven: tuple[Path, list[SecondRow]]) -> None:
    path, rows = driven
    with History(path) as history:
        found = history.way(1, BEGIN_S * S, (BEGIN_S + 7200) * S).runs
    assert sum(map(len, found)) < 1000  # of 7,200
    assert [len(found), (found[1][0][0] - found[0][-1][0]) / S] == [2, 21]  # 3 s without a position break nothing
    metre = 1e7 / 111_200
    for row in rows:
        if row.latitude_deg is None or row.longitude_deg is None:
            continue
        run = found[0] if row.second_ns <= found[0][-1][0] else found[1]
        after = next(at for at, place in enumerate(run) if place[0] >= row.second_ns)
        (t_0, lat_0, lon_0), (t_1, lat_1, lon_1) = run[max(0, after - 1)], run[after]
        share = (row.second_ns - t_0) / (t_1 - t_0) if t_1 > t_0 else 0.0
        north_m = (lat_0 + share * (lat_1 - lat_0) - row.latitude_deg * 1e7) / metre
        east_m = (lon_0 + share * (lon_1 - lon_0) - row.longitude_deg * 1e7) / metre * math.cos(math.radians(52.1))
        assert math.hypot(north_m, east_m) <= ways.OFF_MOST_M * 1.01


def test_a_short_way_has_every_second(driven: tuple[Path, list[SecondRow]]) -> None:
    path, rows = driven
    with History(path) as history:
        found = history.way(1, (BEGIN_S + 30) * S, (BEGIN_S + 130) * S).runs
    assert [place[0] for place in found[0]] == [row.second_ns for row in rows[30:130]]


def test_a_history_of_before_there_were_summaries_is_summed_up_bit_by_bit(
    driven: tuple[Path, list[SecondRow]], start: WatchStart
) -> None:
    path, rows = driven
    asked = (1, "from-receiver", BEGIN_S * S, (BEGIN_S + 7200) * S, 600 * S)
    with closing(sqlite3.connect(path)) as db, db:
        for table in ("minute", "way", "summed"):
            db.execute(f"DELETE FROM {table}")
    expected = by_hand(rows, "from-receiver", *asked[2:])
    with History(path) as history:
        assert as_told(history, *asked) == expected  # from the seconds
    with HistoryWriter(path) as writer:
        writer.begin_watch(start)
        for _ in range(6):
            writer.catch_up()
            with History(path) as history:
                assert as_told(history, *asked) == expected
        assert summaries.behind(writer._db) == []
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT count(DISTINCT at_ns) FROM minute").fetchone() == (121,)
        assert db.execute("SELECT count(*) FROM way").fetchone() == (121,)


def test_what_is_erased_is_drawn_no_more(driven: tuple[Path, list[SecondRow]]) -> None:
    path, _ = driven
    with HistoryWriter(path) as writer:
        writer.erase(1)
    with closing(sqlite3.connect(path)) as db:
        for table in ("minute", "way", "summed", "second"):
            assert db.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,)


def test_minutes_go_as_faults_do_once_their_seconds_are_gone(path: Path, start: WatchStart) -> None:
    noise = random.Random(3)
    with HistoryWriter(path, Space(most_bytes=WAL_BYTES_KEPT + 600_000, free_least_bytes=0)) as writer:
        watch = writer.begin_watch(start)
        for n, row in enumerate(drive(12_000)):
            writer.add_second(row)
            writer.add_chunk("from-receiver", Chunk(noise.randbytes(20), row.second_ns, 1000))
            if n % 60 == 59:
                writer.commit()
                writer.make_room()
    with closing(sqlite3.connect(path)) as db:
        (first_ns,), (minute_ns,) = (
            db.execute(f"SELECT min({at}) FROM {table}").fetchone()
            for table, at in (("second", "second_ns"), ("minute", "at_ns"))
        )
    assert BEGIN_S * S < minute_ns <= first_ns
    with History(path) as history:
        assert history.watch(watch).seconds_gone_ns == first_ns
        assert history.summary(watch, "from-receiver", first_ns - S, first_ns + S, S).step_ns == MINUTE_NS
        assert history.summary(watch, "from-receiver", first_ns, first_ns + S, S).series["speed_mps"][0].seconds == 1
