"""A writer whose file cannot be written: nothing is lost that memory can hold, and what is lost is counted."""

from __future__ import annotations

import resource
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from appliance.history import pending, reader
from appliance.history.pending import FaultChange, Pending
from appliance.history.reader import History
from appliance.history.rows import FaultRow, HistoryError, MarkRow, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk

RECEIVER = "from-receiver"
S = 1_000_000_000


@contextmanager
def no_file_may_grow_past(size: int) -> Iterator[None]:
    """The kernel refuses what is written past `size`, as it would on a full card."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def commit_on_a_full_card(writer: HistoryWriter) -> None:
    log = writer.path.with_name(writer.path.name + "-wal")
    with no_file_may_grow_past(log.stat().st_size):
        writer.commit()


def test_a_full_card_is_told_of_and_nothing_is_lost_once_there_is_room(
    path: Path,
    start: WatchStart,
    writer: HistoryWriter,
    second: Callable[..., SecondRow],
    fault: Callable[..., FaultRow],
) -> None:
    watch = writer.begin_watch(start)
    for n in range(3):
        writer.add_chunk(RECEIVER, Chunk(b"chunk %d " % n, (60 + n) * S, 0))
        writer.add_second(second((60 + n) * S))
        writer.open_fault("gap", fault(60 * S, says=f"told {n}"))
        with pytest.raises(HistoryError, match=r"history\.db fails: "):
            commit_on_a_full_card(writer)
    with History(path) as history:
        assert history.sizes(watch)["bytes"] == 0
        assert history.faults() == []
    writer.commit()
    with History(path) as history:
        assert b"".join(chunk.data for chunk in history.chunks(watch, RECEIVER)) == b"chunk 0 chunk 1 chunk 2 "
        assert [row.second_ns for row in history.seconds(watch)] == [60 * S, 61 * S, 62 * S]
        assert [row.says for row in history.faults()] == ["told 2"]  # one fault, told of three times
    assert (writer.lost_bytes, writer.lost_rows) == (0, 0)


def test_memory_is_bounded_and_what_goes_is_the_oldest_and_counted() -> None:
    held = Pending()
    big = bytes(pending.BYTES_MOST // 4)
    held.add_chunk("from-controller", Chunk(b"older", 0, 0))
    for n in range(6):
        held.add_chunk(RECEIVER, Chunk(big, (n + 1) * S, 0))
    assert [chunk.start_ns for chunk in held.chunks[RECEIVER]] == [3 * S, 4 * S, 5 * S, 6 * S]
    assert held.lost_bytes == len(b"older") + 2 * len(big)
    for n in range(pending.SECONDS_MOST + 3):
        held.add_second(SecondRow(RECEIVER, n * S, 0, 0, 0, 0, 0.0, "wait"))
    for n in range(pending.EVENTS_MOST + 2):
        held.add_mark(MarkRow(n, "box", ""))
        held.add_fault(FaultChange("k", FaultRow("gap", RECEIVER, "", n, None, "", None, None, ""), closes=False))
    assert held.lost_rows == 3 + 2 + 2
    assert (held.seconds[0].second_ns, held.marks[0].at_ns) == (3 * S, 2)
    held.drop(held.oldest(held.size))
    assert held.empty
    held.add_chunk(RECEIVER, Chunk(big, 0, 0))  # drop() gave the room back
    assert held.lost_bytes == len(b"older") + 2 * len(big)


def test_blocks_that_end_at_the_same_time_all_come_back(path: Path, start: WatchStart, writer: HistoryWriter) -> None:
    """As a recording played in without arrival times makes them; more than fit a page of the reader."""
    watch = writer.begin_watch(start)
    count = reader.PAGE_BLOCKS * 2 + 3
    for n in range(count):
        writer.add_chunk(RECEIVER, Chunk(b"%05d" % n, 60 * S, 0))
        writer.commit()
    with History(path) as history:
        raw = b"".join(chunk.data for chunk in history.chunks(watch, RECEIVER))
    assert raw == b"".join(b"%05d" % n for n in range(count))


def test_one_thread_may_make_the_writer_and_another_own_it(path: Path, start: WatchStart) -> None:
    with HistoryWriter(path) as writer:

        def own() -> None:
            writer.begin_watch(start)
            writer.end_watch(60 * S)

        owner = threading.Thread(target=own)
        owner.start()
        owner.join(10)
    with History(path) as history:
        assert history.watch(1).ended_how == "stopped"
