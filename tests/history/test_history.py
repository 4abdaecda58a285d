"""What the writer puts in, the reader gives back: watches, raw bytes, seconds, faults, marks, strip."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from appliance.history import blocks, reader, reading
from appliance.history.reader import History
from appliance.history.rows import Clip, FaultRow, HistoryError, LossRow, MarkRow, SecondRow, WatchStart
from appliance.history.schema import open_writing, transaction
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk

RECEIVER = "from-receiver"
CONTROLLER = "from-controller"
S = 1_000_000_000
MakeSecond = Callable[..., SecondRow]
MakeFault = Callable[..., FaultRow]


def text_of(chunks: Iterator[Chunk]) -> bytes:
    return b"".join(chunk.data for chunk in chunks)


def test_a_watch_from_start_to_end(path: Path, start: WatchStart) -> None:
    with HistoryWriter(path) as writer:
        first = writer.begin_watch(start)
        with History(path) as history:
            running = history.latest()
        writer.end_watch(80 * S)
    with History(path) as history:
        ended = history.watch(first)
    assert running is not None
    assert (running.ended_ns, running.ended_how, running.last_ns) == (None, "", start.started_ns)
    assert (ended.ended_ns, ended.ended_how, ended.last_ns) == (80 * S, "stopped", 80 * S)
    assert (ended.machine, ended.needs_name, ended.version) == ("Tractor 3", "anything", "0.1.0")
    assert ended.needs_toml == start.needs_toml


def test_an_empty_history_has_no_latest_watch(path: Path, writer: HistoryWriter) -> None:
    with History(path) as history:
        assert history.latest() is None
        assert history.watches() == []
        for ask in (history.watch, history.fault, history.marks):
            with pytest.raises(HistoryError, match="so great a number"):
                ask(2**63)
        with pytest.raises(HistoryError, match="no watch 7"):
            history.watch(7)
        with pytest.raises(HistoryError, match="no fault 7"):
            history.fault(7)


def test_raw_bytes_of_both_lines_come_back_and_are_cut_by_byte_time(
    path: Path, start: WatchStart, writer: HistoryWriter
) -> None:
    watch = writer.begin_watch(start)
    for n in range(200):  # a byte each 10 ms: 0.1 s a chunk, a commit a second
        writer.add_chunk(RECEIVER, Chunk(b"%010d" % n, (100 * n + 60_000) * 1_000_000, 10_000_000))
        writer.add_chunk(CONTROLLER, Chunk(b"c", (100 * n + 60_000) * 1_000_000, 0))
        if n % 10 == 9:
            writer.commit()
    writer.commit()
    whole = b"".join(b"%010d" % n for n in range(200))
    with History(path) as history:
        assert text_of(history.chunks(watch, RECEIVER)) == whole
        assert text_of(history.chunks(watch, CONTROLLER)) == b"c" * 200
        for first, last in ((0, 2000), (1, 1999), (5, 6), (777, 1234), (100, 100), (1995, 3000)):
            from_ns, to_ns = 60 * S + first * 10_000_000, 60 * S + last * 10_000_000
            cut = list(history.chunks(watch, RECEIVER, from_ns, to_ns))
            assert b"".join(chunk.data for chunk in cut) == whole[first:last]
            if cut:
                assert cut[0].start_ns == from_ns
        assert history.sizes(watch)[RECEIVER] == 2000
        assert history.sizes(watch)["bytes"] == 2200
        assert history.watch(watch).last_ns == 60 * S + 1999 * 10_000_000


def test_reading_goes_on_over_many_pages(
    path: Path, start: WatchStart, writer: HistoryWriter, second: MakeSecond, fault: MakeFault
) -> None:
    watch = writer.begin_watch(start)
    count = reading.PAGE_ROWS * 2 + 5
    for n in range(count):
        writer.add_second(second(n * S))
        writer.open_fault(str(n), fault(n // 3 * S))  # three faults share each start
        writer.close_loss(str(n), LossRow("speed", n // 3 * S, n * S + 1))
        writer.add_chunk(RECEIVER, Chunk(b"%05d" % n, n * S, 0))
        if n % 10 == 0:
            writer.commit()
    writer.commit()
    with History(path) as history:
        assert count / 10 > reader.PAGE_BLOCKS * 2
        assert text_of(history.chunks(watch, RECEIVER)) == b"".join(b"%05d" % n for n in range(count))
        assert [row.second_ns for row in history.seconds(watch)] == [n * S for n in range(count)]
        assert [row.second_ns for row in history.seconds(watch, RECEIVER, 7 * S, 9 * S)] == [7 * S, 8 * S]
        in_order = list(history.faults_in_order(watch))
        assert [row.start_ns for row in in_order] == [n // 3 * S for n in range(count)]
        assert history.faults(watch) == in_order[::-1]
        assert [(row.start_ns, row.end_ns) for row in history.losses(watch)] == [
            (n // 3 * S, n * S + 1) for n in range(count)
        ]
        assert history.faults(limit=2) == in_order[:-3:-1]


def test_a_second_comes_back_as_it_was(
    path: Path, start: WatchStart, writer: HistoryWriter, second: MakeSecond
) -> None:
    watch = writer.begin_watch(start)
    full = second()
    bare = SecondRow(CONTROLLER, 50 * S, 0, 0, 0, 0, 0.0, "no-go")
    odd = second(51 * S, hdop=float("nan"), age_s=float("inf"), satellites=10**30, speed_mps=1e300, verdict="wait")
    for row in (full, bare, odd):
        writer.add_second(row)
    writer.commit()
    with History(path) as history:
        assert list(history.seconds(watch)) == [
            full,
            bare,
            second(51 * S, hdop=None, age_s=None, satellites=None, speed_mps=None, verdict="wait"),
        ]
        assert list(history.seconds(watch, CONTROLLER)) == [bare]


def test_a_fault_is_seen_while_it_is_on_and_gets_its_end(
    path: Path, start: WatchStart, writer: HistoryWriter, fault: MakeFault
) -> None:
    watch = writer.begin_watch(start)
    opening = Clip("opening", RECEIVER, (Chunk(b"$GNGGA,1", 55 * S, 260_417),))
    closing = Clip("closing", RECEIVER, (Chunk(b"$GNGGA,2", 65 * S, 260_417),))
    silence = Clip("closing", CONTROLLER, ())
    writer.open_fault("gap GGA", fault(60 * S, evidence=(opening,)))
    writer.commit()
    with History(path) as history:
        (seen,) = history.faults(watch)
        assert (seen.end_ns, seen.kind, seen.message, seen.measured, seen.unit) == (None, "gap", "GGA", 3.1, "s")
        assert history.fault(seen.id).evidence == (opening,)
    writer.close_fault("gap GGA", fault(60 * S, 64 * S, measured=4.0, evidence=(closing, silence)))
    writer.open_fault("gap GGA", fault(70 * S))  # the same key again is another fault
    writer.commit()
    with History(path) as history:
        again, seen_closed = history.faults(watch)
        assert (again.start_ns, again.end_ns) == (70 * S, None)
        assert (seen_closed.id, seen_closed.end_ns, seen_closed.measured) == (seen.id, 64 * S, 4.0)
        assert history.fault(seen.id).evidence == (opening, closing, silence)
    writer.end_watch(90 * S)
    with History(path) as history:
        assert [row.end_ns for row in history.faults()] == [90 * S, 64 * S]


def test_evidence_longer_than_a_block_is_one_clip(
    path: Path, start: WatchStart, writer: HistoryWriter, fault: MakeFault
) -> None:
    writer.begin_watch(start)
    data = bytes(range(256)) * 600
    clip = Clip("whole", RECEIVER, (Chunk(data, 55 * S, 1000),))
    writer.close_fault("never opened", fault(56 * S, 57 * S, evidence=(clip,)))
    writer.commit()
    with History(path) as history:
        (kept,) = history.fault(history.faults()[0].id).evidence
    assert (kept.label, kept.line) == ("whole", RECEIVER)
    assert len(data) > blocks.BLOCK_BYTES_MOST
    assert b"".join(chunk.data for chunk in kept.chunks) == data


def test_faults_on_in_a_span(path: Path, start: WatchStart, writer: HistoryWriter, fault: MakeFault) -> None:
    watch = writer.begin_watch(start)
    for key, begin, end in (("a", 60, 62), ("b", 61, 70), ("c", 65, None), ("d", 80, 81)):
        writer.open_fault(key, fault(begin * S, says=key, line=CONTROLLER if key == "b" else RECEIVER))
        if end:
            writer.close_fault(key, fault(begin * S, end * S, says=key, line=CONTROLLER if key == "b" else RECEIVER))
    writer.commit()
    with History(path) as history:
        in_order = list(history.faults_in_order(watch, None, 64 * S, 80 * S))
        for most in (1, 2, len(in_order), 9):
            newest = in_order[-most:]
            assert history.newest_faults(watch, 64 * S, 80 * S, most) == (newest, len(in_order) - len(newest))
        on = [row.says for row in history.faults_in_order(watch, None, 64 * S, 80 * S)]
        assert on == ["b", "c"]
        assert [row.says for row in history.faults_in_order(watch, RECEIVER, 64 * S, 80 * S)] == ["c"]
        assert history.sizes(watch, 64 * S, 80 * S)["faults"] == 2


def test_marks(path: Path, start: WatchStart, writer: HistoryWriter) -> None:
    watch = writer.begin_watch(start)
    rows = [MarkRow(51 * S, "button", ""), MarkRow(52 * S, "page", "plug <b>wiggled</b> \N{SNOWMAN}")]
    for row in rows:
        writer.add_mark(row)
    writer.commit()
    with History(path) as history:
        assert history.marks(watch) == rows
        assert history.sizes(watch, 51 * S, 52 * S)["marks"] == 1


def test_the_line_dates_what_came_before(path: Path, start: WatchStart, writer: HistoryWriter) -> None:
    watch = writer.begin_watch(start)
    with History(path) as history:
        undated = history.watch(watch)
    writer.date_watch(1_777_886_000 * S, 0.25)
    writer.date_watch(1_777_886_001 * S, 0.01)
    writer.commit()
    with History(path) as history:
        dated = history.watch(watch)
    assert (undated.dated, undated.uncertainty_s) == (False, None)
    assert undated.utc_ns(start.started_ns) == start.box_utc_ns
    assert (dated.dated, dated.uncertainty_s) == (True, 0.01)
    assert dated.utc_ns(start.started_ns) == 1_777_886_051 * S


def test_the_strip_shows_the_worst_of_each_cell(
    path: Path, start: WatchStart, writer: HistoryWriter, second: MakeSecond, fault: MakeFault
) -> None:
    end_utc_ns = 1_777_900_000 * S
    offset_ns = end_utc_ns - 1000 * S  # the strip ends at 1000 s on the clock of the watch
    writer.begin_watch(start)
    writer.date_watch(offset_ns, 0.01)
    told = {910: "wait", 911: "go", 920: "go", 921: "go", 929: "no-go", 930: "go", 999: "go", 1000: "no-go"}
    for at_s, verdict in told.items():
        writer.add_second(second(at_s * S, verdict=verdict))
    writer.open_fault("a", fault(929 * S))
    writer.commit()
    with History(path) as history:
        cells = history.strip(end_utc_ns, hours=100 / 3600, cells=10)
    assert [cell.start_utc_ns for cell in cells] == [end_utc_ns - n * 10 * S for n in range(10, 0, -1)]
    assert [cell.state for cell in cells] == ["none", "wait", "no-go", "go", *["none"] * 5, "go"]
    assert [cell.faults for cell in cells] == [0, 0, 1, *[0] * 7]
    assert [cell.seconds for cell in cells[:4]] == [{}, {"wait": 1, "go": 1}, {"go": 2, "no-go": 1}, {"go": 1}]


def test_a_spoilt_block_is_left_out_and_told_of(
    path: Path, start: WatchStart, writer: HistoryWriter, caplog: pytest.LogCaptureFixture
) -> None:
    watch = writer.begin_watch(start)
    for n in range(3):
        writer.add_chunk(RECEIVER, Chunk(b"block %d " % n, (60 + n) * S, 0))
        writer.commit()
    db = open_writing(path)
    with transaction(db):
        spoilt = bytearray(db.execute("SELECT packed FROM block WHERE id = 2").fetchone()[0])
        spoilt[-1] ^= 0x55
        db.execute("UPDATE block SET packed = ? WHERE id = 2", (bytes(spoilt),))
    db.close()
    with History(path) as history:
        assert text_of(history.chunks(watch, RECEIVER)) == b"block 0 block 2 "
        assert len(history.troubles) == 1
        assert history.troubles[0].startswith("Block 2 of from-receiver is spoilt and was left out: it")
    assert "Block 2 of from-receiver is spoilt" in caplog.text


def test_nothing_is_taken_without_a_watch_or_for_an_unknown_line(
    start: WatchStart, writer: HistoryWriter, second: MakeSecond
) -> None:
    with pytest.raises(HistoryError, match="No watch has begun"):
        writer.add_second(second())
    writer.begin_watch(start)
    with pytest.raises(HistoryError, match="'sideways' is not a line"):
        writer.add_chunk("sideways", Chunk(b"x", 0, 0))
