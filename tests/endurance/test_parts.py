"""Much that waits for a card that is nearly full: it is written in parts, none of which is half there, or twice."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from appliance.history.reader import History
from appliance.history.rows import Clip, FaultRow, HistoryFull, MarkRow, SecondRow, WatchStart
from appliance.history.space import Space
from appliance.history.writer import PART_BYTES, HistoryWriter
from appliance.sentence.chunk import Chunk

S = 1_000_000_000
RECEIVER = "from-receiver"
START = WatchStart(0, 1_777_886_000 * S, "any", "", "Tractor 3", "0")
NO_FLOOR = Space(free_least_bytes=0)


def chunk(number: int, size: int = 5000, packs: bool = False) -> Chunk:
    body = b"$" * size if packs else random.Random(number).randbytes(size)
    return Chunk(b"%06d" % number + body, number * S, 1000)


def second(number: int) -> SecondRow:
    return SecondRow(RECEIVER, number * S, 820, 12, 0, 0, 0.2, "go", 4, 18, messages={"GNGGA": number % 7})


def numbers(path: Path) -> list[int]:
    with History(path) as history:
        return [int(one.data[:6]) for one in history.chunks(1, RECEIVER)]


@pytest.fixture
def disk(load: Callable[[str], ModuleType]) -> Any:
    module = load("disk")
    with module.between(module.Disk("history.db", keeps=False)) as disk:
        yield disk


def in_one_transaction(most_bytes: int, full: int) -> Callable[[str, str, int], int]:
    """A card that takes no more than so much into the log between two flushes."""
    taken = [0]

    def meets(what: str, name: str, size: int) -> int:
        if name.endswith("-wal"):
            taken[0] = 0 if what == "sync" else taken[0] + size
        if taken[0] <= most_bytes:
            return 0
        taken[0] = 0  # what was written in vain is written over
        return full

    return meets


def after_one_flush(full: int) -> Callable[[str, str, int], int]:
    """A card that takes no more once the log was flushed for the first time."""
    flushed: list[str] = []

    def meets(what: str, name: str, _size: int) -> int:
        if what == "sync" and name.endswith("-wal"):
            flushed.append(name)
        return full if what == "write" and flushed else 0

    return meets


def test_what_has_waited_long_is_written_in_parts_and_all_of_it(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    evidence = (Clip("opening", RECEIVER, (Chunk(bytes(20_000), 0, 1000),)),)
    with HistoryWriter(path, NO_FLOOR) as writer:
        writer.begin_watch(START)
        for n in range(400):
            writer.add_chunk(RECEIVER, chunk(n))
            writer.add_second(second(n))
            writer.open_fault(str(n), FaultRow("gap", RECEIVER, "GGA", n * S, None, str(n), 1.0, 0.6, "s"))
            closed = FaultRow("gap", RECEIVER, "GGA", n * S, (n + 1) * S, str(n), 1.0, 0.6, "s", evidence)
            writer.close_fault(str(n), closed)
        writer.add_mark(MarkRow(5 * S, "page", "a mark"))
        began = generation(path)
        writer.end_watch(400 * S)
        assert generation(path) - began > 400 * 25_000 // PART_BYTES
    assert numbers(path) == list(range(400))
    with History(path) as history:
        assert [row.second_ns // S for row in history.seconds(1)] == list(range(400))
        faults = list(history.faults_in_order(1))
        assert [(one.says, one.end_ns) for one in faults] == [(str(n), (n + 1) * S) for n in range(400)]
        assert len(history.fault(faults[7].id).evidence) == 1
        assert [mark.note for mark in history.marks(1)] == ["a mark"]
        assert history.watch(1).ended_ns == 400 * S


def generation(path: Path) -> int:
    with closing(sqlite3.connect(path)) as plain:
        return int(plain.execute("PRAGMA user_version").fetchone()[0])


def test_a_card_that_takes_only_little_at_a_time_is_given_little(
    tmp_path: Path, disk: Any, load: Callable[[str], ModuleType]
) -> None:
    path = tmp_path / "history.db"
    with HistoryWriter(path, NO_FLOOR) as writer:
        writer.begin_watch(START)
        for n in range(200):
            writer.add_chunk(RECEIVER, chunk(n))
        disk.meets = in_one_transaction(90_000, load("disk").FULL)
        writer.commit()
        disk.meets = lambda _what, _name, _size: 0
    assert numbers(path) == list(range(200))


def test_a_cut_between_two_parts_costs_nothing_that_was_secured_and_nothing_is_there_twice(
    tmp_path: Path, disk: Any, load: Callable[[str], ModuleType]
) -> None:
    """What stands in the tail counts no longer once a part is in the file, so all of it is in that part."""
    path = tmp_path / "history.db"
    with HistoryWriter(path, NO_FLOOR) as writer:
        writer.begin_watch(START)
        for n in range(80):
            writer.add_chunk(RECEIVER, chunk(n, packs=True))
            writer.add_second(second(n))
        assert writer.secure()  # more than a part, but it packs well
        for n in range(80, 200):
            writer.add_chunk(RECEIVER, chunk(n))
        disk.meets = after_one_flush(load("disk").FULL)
        with pytest.raises(HistoryFull):
            writer.commit()
        assert not writer.secure()  # only a commit can do it
        cut = tmp_path / "cut"
        cut.mkdir()
        for file in tmp_path.glob("history.db*"):
            shutil.copy(file, cut / file.name)
        disk.meets = lambda _what, _name, _size: 0
    assert numbers(path) == list(range(200))
    with HistoryWriter(cut / "history.db", NO_FLOOR) as writer:
        writer.begin_watch(START)
    assert (there := numbers(cut / "history.db")) == list(range(len(there)))
    assert 80 <= len(there) < 200
    with History(cut / "history.db") as history:
        assert len(list(history.seconds(1))) == 80


def fill(place: Path) -> None:
    with (place / "filler").open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(bytes(4096))


@pytest.mark.slow
def test_megabytes_that_waited_find_their_way_onto_a_card_that_is_full_to_the_last_byte(
    small_disk: Callable[[int], Path],
) -> None:
    """It was full of history, and somebody else took the rest; room is made among what is held, part by part."""
    place = small_disk(10)
    path = place / "history.db"
    with HistoryWriter(path, Space(10**12, 0)) as writer:
        writer.begin_watch(START)
        for n in range(2000):
            writer.add_chunk(RECEIVER, chunk(n))
            if n % 20 == 0:
                writer.commit()
                writer.make_room()
        fill(place)
        for n in range(2000, 2900):
            writer.add_chunk(RECEIVER, chunk(n))
        writer.commit()
        assert writer.lost_bytes == 0
    kept = numbers(path)
    assert kept == list(range(kept[0], 2900))
    assert kept[0] > 0
