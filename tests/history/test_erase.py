"""Erasing: the positions of a watch are searched for in every byte of every file, and nobody else's are harmed."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from appliance.history import blocks
from appliance.history.job import FIELDS, Job
from appliance.history.reader import History
from appliance.history.rows import Clip, FaultRow, HistoryError, LossRow, MarkRow, SecondRow, WatchStart
from appliance.history.space import Space
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk

RECEIVER = "from-receiver"
S = 1_000_000_000
JOB = 3


def latitude_e7(job: int, n: int) -> int:
    return 520_000_000 + job * 1_000_000 + n * 1237


def packed_traces(job: int, count: int) -> list[list[bytes]]:
    """What would stand in the file of the raw bytes: of each block some pieces, since a page may end in any of them."""
    packed = [blocks.encode([chunk(job, n + k) for k in range(4)]).packed for n in range(0, count, 4)]
    return [[one[at : at + 24] for at in range(60, len(one) - 24, 200)] for one in packed]


def chunk(job: int, n: int) -> Chunk:
    noise = random.Random(job * 100_003 + n)
    return Chunk(b"$GNGGA,%d,%d" % (job, n) + noise.randbytes(400), (100 + n) * S, 260_417)


def positions(job: int, count: int) -> list[bytes]:
    """Latitudes as SQLite keeps them: 4 bytes, big-endian (SQLite documentation, "Database File Format", 2.1)."""
    return [latitude_e7(job, n).to_bytes(4, "big") for n in range(count)]


def told(job: int, what: str) -> str:
    """What people wrote about it."""
    return f"job {job} {what}"


def everything(path: Path) -> bytes:
    return b"".join(file.read_bytes() for file in sorted(path.parent.glob(path.name + "*")))


def left_of(path: Path, job: int, count: int) -> int:
    return left_in(everything(path), job, count)


def left_in(raw: bytes, job: int, count: int) -> int:
    found = sum(one in raw for one in positions(job, count))
    return found + sum(any(piece in raw for piece in trace) for trace in packed_traces(job, count))


def drive(
    writer: HistoryWriter, start: WatchStart, second: Callable[..., SecondRow], fault: Callable[..., FaultRow]
) -> None:
    """Four watches of 400 s, the last one under way; rows of each lie side by side with the next one's.

    Each has a sheet of needs and a job of its own, which is changed while it goes on.
    """
    writer._db.execute("PRAGMA synchronous = OFF")  # cuts of power are tested elsewhere
    for job in range(1, 5):
        writer.begin_watch(replace(start, needs_toml=f'title = "{told(job, "needs")}"', machine=told(job, "machine")))
        for n in range(400):
            if n % 150 == 0:
                writer.give_job(None, Job(*(told(job, f"{field.name} {n}") for field in FIELDS)), n * S)
            writer.add_chunk(RECEIVER, chunk(job, n))
            latitude_deg = latitude_e7(job, n) / 1e7
            writer.add_second(second((100 + n) * S, latitude_deg=latitude_deg))
            if n % 50 == 0:
                clip = Clip("whole", RECEIVER, (chunk(job, n),))
                writer.close_fault(f"{n}", fault((100 + n) * S, (101 + n) * S, evidence=(clip,)))
                writer.close_loss(f"{n}", LossRow("speed", (100 + n) * S, (101 + n) * S))
                writer.add_mark(MarkRow((100 + n) * S, "page", f"job {job} place {n}"))
            if n % 4 == 3:
                writer.commit()


@pytest.fixture
def jobs(
    path: Path, start: WatchStart, second: Callable[..., SecondRow], fault: Callable[..., FaultRow]
) -> Iterator[HistoryWriter]:
    with HistoryWriter(path, Space(free_least_bytes=0)) as writer:
        drive(writer, start, second, fault)
        yield writer


@pytest.mark.slow
def test_an_erased_watch_leaves_no_trace_and_the_others_are_whole(path: Path, jobs: HistoryWriter) -> None:
    assert left_of(path, JOB, 400) == 500  # the search finds what is there: 400 positions, 100 blocks
    written = [told(JOB, f"{field.name} 150").encode() for field in FIELDS] + [told(JOB, "needs").encode()]
    assert all(one in everything(path) for one in written)
    jobs.erase(JOB)
    assert left_of(path, JOB, 400) == 0
    assert b"job 3 " not in everything(path)
    with History(path) as history:
        assert [watch.id for watch in history.watches()] == [4, 2, 1]
        for job in (1, 2, 4):
            assert b"".join(one.data for one in history.chunks(job, RECEIVER)) == b"".join(
                chunk(job, n).data for n in range(400)
            )
            assert len(list(history.seconds(job))) == 400
            assert len(history.faults(job)) == len(list(history.losses(job))) == len(history.marks(job)) == 8
    with pytest.raises(HistoryError, match="There is no watch 3"):
        jobs.erase(JOB)
    jobs.add_mark(MarkRow(600 * S, "page", "goes on"))
    jobs.commit()
    with History(path) as history:
        assert history.marks(4)[-1].note == "goes on"


def test_of_the_watch_under_way_goes_what_there_is_and_it_goes_on(
    path: Path, jobs: HistoryWriter, fault: Callable[..., FaultRow]
) -> None:
    jobs.open_fault("on", fault(450 * S))
    jobs.open_loss("on", LossRow("position", 450 * S, None))
    jobs.erase(4)
    assert left_of(path, 4, 400) == 0
    jobs.close_fault("on", fault(450 * S, 510 * S))  # it was known under this key before
    jobs.close_loss("on", LossRow("position", 450 * S, 510 * S))
    jobs.add_chunk(RECEIVER, Chunk(b"after", 505 * S, 1000))
    jobs.end_watch(520 * S)
    with History(path) as history:
        watch = history.watch(4)
        assert watch.raw_gone_ns == watch.seconds_gone_ns == watch.events_gone_ns
        assert watch.raw_gone_ns == pytest.approx(chunk(4, 399).end_ns, abs=1_000_000)
        assert b"".join(one.data for one in history.chunks(4, RECEIVER)) == b"after"
        assert [row.end_ns for row in history.faults(4)] == [510 * S]
        assert [row.end_ns for row in history.losses(4)] == [510 * S]


def test_all_is_erased_with_what_was_set_aside(path: Path, jobs: HistoryWriter) -> None:
    aside = path.with_name("history.db.damaged-1")
    aside.write_bytes(path.read_bytes())
    jobs.erase(None)
    for job in range(1, 5):
        assert left_of(path, job, 400) == 0
    assert not aside.exists()
    with History(path) as history:
        assert [watch.id for watch in history.watches()] == [4]
    assert path.stat().st_size < 100_000


@pytest.mark.slow
def test_what_was_dropped_for_room_is_no_trace_either(path: Path, jobs: HistoryWriter) -> None:
    """Pages freed long ago, before anybody asked to erase."""
    with sqlite3.connect(path) as other:
        other.execute("PRAGMA secure_delete = OFF")  # as an older program did it
        other.execute("DELETE FROM second WHERE watch = 3")
        other.execute("DELETE FROM block WHERE watch = 3")
    other.close()
    assert left_of(path, JOB, 400) > 0
    jobs.erase(JOB)
    assert left_of(path, JOB, 400) == 0


def test_what_the_file_system_gave_back_is_overwritten_first(path: Path, jobs: HistoryWriter) -> None:
    """The log is zeros at the moment that its length is cut, so that the blocks that the card gets back hold none."""
    log = path.with_name("history.db-wal")
    assert left_of(log, JOB, 400) > 0  # the log alone holds some
    before = log.stat().st_size
    cut_off: list[bytes] = []

    def truncate(command: str, *values: object) -> None:
        if "TRUNCATE" in command:
            cut_off.append(log.read_bytes())

    jobs._db.conn.set_trace_callback(truncate)
    jobs.erase(JOB)
    jobs._db.conn.set_trace_callback(None)
    assert len(cut_off) == 3
    assert len(cut_off[0]) >= before
    for content in cut_off:  # what the card keeps of the log when its length is cut
        assert not any(content)


def test_a_reader_in_the_way_is_told(path: Path, jobs: HistoryWriter, monkeypatch: pytest.MonkeyPatch) -> None:
    jobs._db.execute("PRAGMA busy_timeout = 50")
    other = sqlite3.connect(path, isolation_level=None)
    try:
        other.execute("BEGIN")
        other.execute("SELECT count(*) FROM block").fetchone()
        with pytest.raises(HistoryError, match="Erase once more"):
            jobs.erase(JOB)
        other.execute("COMMIT")
        with History(path) as history:
            assert JOB in [watch.id for watch in history.watches()]  # still listed, to be erased again
        jobs.erase(JOB)
    finally:
        other.close()
    assert left_of(path, JOB, 400) == 0


@pytest.mark.slow
def test_the_raw_image_of_the_card_holds_none(
    tmp_path: Path, start: WatchStart, second: Callable[..., SecondRow], fault: Callable[..., FaultRow]
) -> None:
    """A file system of its own, searched whole: files, free blocks and journal. Needs root and a loop device."""
    image, place = tmp_path / "card.img", tmp_path / "card"
    place.mkdir()
    with image.open("wb") as file:
        file.truncate(16 * 2**20)
    if os.geteuid() != 0 or not mounted(image, place):
        pytest.skip("this machine does not let us mount a file system of our own")
    try:
        with HistoryWriter(place / "history.db", Space(free_least_bytes=0)) as writer:
            drive(writer, start, second, fault)
            os.sync()
            raw = image.read_bytes()
            assert left_in(raw, JOB, 120) == 150
            assert all(
                told(JOB, what).encode() in raw for what in ("notes 0", "notes 300", "needs", "machine", "place")
            )
            writer.erase(JOB)
    finally:
        subprocess.run(["umount", str(place)], check=True, timeout=30)
    raw = image.read_bytes()
    assert left_in(raw, 2, 120) == 150
    assert told(2, "notes 300").encode() in raw
    assert left_in(raw, JOB, 120) == 0
    assert b"job 3 " not in raw


def mounted(image: Path, place: Path) -> bool:
    commands = (["mkfs.ext4", "-q", "-F", str(image)], ["mount", "-o", "loop", str(image), str(place)])
    try:
        return all(not subprocess.run(one, capture_output=True, check=False, timeout=30).returncode for one in commands)
    except FileNotFoundError:
        return False


def test_who_erases_one_watch_is_told_of_what_was_set_aside(path: Path, jobs: HistoryWriter) -> None:
    aside = path.with_name("history.db.damaged-1")
    aside.write_bytes(path.read_bytes())
    with pytest.raises(HistoryError, match=r"gone from history\.db, but history\.db\.damaged-1, set aside .*all"):
        jobs.erase(1)
    with History(path) as history:
        assert 1 not in [watch.id for watch in history.watches()]
    jobs.erase(None)
    assert not aside.exists()
