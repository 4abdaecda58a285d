"""What stands beside history until the next commit: it outlives a kill, once and in its place, and goes when erased."""

from __future__ import annotations

import json
import os
import shutil
import zlib
from collections.abc import Callable
from dataclasses import astuple, replace
from pathlib import Path

import pytest

from appliance.history import tail
from appliance.history.aside import set_aside
from appliance.history.reader import History
from appliance.history.rows import MarkRow, SecondRow, WatchStart
from appliance.history.tail import SECTOR, TAIL_BYTES
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk

S = 1_000_000_000
RECEIVER, CONTROLLER = "from-receiver", "from-controller"
MakeSecond = Callable[..., SecondRow]


def hand_over(writer: HistoryWriter, second: MakeSecond, begin: int, end: int) -> None:
    for n in range(begin, end):
        for line in (RECEIVER, CONTROLLER):
            writer.add_chunk(line, Chunk(b"%08d" % n, n * S, 1_000_000))
            writer.add_second(second(n * S, line=line))


def cut(path: Path, to: Path) -> Path:
    """The files as they stand now, elsewhere: as the card would be found after a cut of power."""
    to.mkdir()
    for file in path.parent.glob(f"{path.name}*"):
        if file.is_file() and not file.name.endswith("-shm"):
            shutil.copy(file, to)
    return to / path.name


def kept(path: Path, watch: int) -> tuple[list[int], list[int]]:
    """The numbers of the chunks and of the seconds that history holds of each line, which must be the same."""
    with History(path) as history:
        found = []
        for line in (RECEIVER, CONTROLLER):
            raw = b"".join(chunk.data for chunk in history.chunks(watch, line))
            numbers = [int(raw[at : at + 8]) for at in range(0, len(raw), 8)]
            found.append((numbers, [row.second_ns // S for row in history.seconds(watch, line)]))
        assert found[0] == found[1]
        assert not any("spoilt" in one for one in history.troubles)
        return found[0]


def started_on(path: Path, start: WatchStart) -> None:
    with HistoryWriter(path) as writer:
        writer.begin_watch(start)


def test_what_was_secured_is_there_after_a_cut_once(
    path: Path, tmp_path: Path, start: WatchStart, second: MakeSecond
) -> None:
    with HistoryWriter(path) as writer:
        watch = writer.begin_watch(replace(start, started_ns=0))
        for n in range(0, 40, 2):
            hand_over(writer, second, n, n + 2)
            assert writer.secure()
            if n == 20:
                writer.commit()
        assert kept(path, watch)[0] == list(range(22))  # read beside the writer: up to its commit
        hand_over(writer, second, 40, 42)  # and this was not secured
        found = cut(path, tmp_path / "cut")
    for _ in range(3):
        started_on(found, start)
        assert kept(found, watch) == (list(range(40)), list(range(40)))
    with History(found) as history:
        assert history.watch(watch).ended_how == "cut off"
        assert history.watch(watch).last_ns == 39 * S + 7_000_000
        chunk = next(history.chunks(watch, RECEIVER))
        assert (chunk.start_ns, chunk.step_ns) == (0, 1_000_000)


def test_a_commit_takes_the_tail_with_it(path: Path, tmp_path: Path, start: WatchStart, second: MakeSecond) -> None:
    """What stood in the tail and is in history by now is not put there again, nor what an ended watch left."""
    with HistoryWriter(path) as writer:
        watch = writer.begin_watch(start)
        hand_over(writer, second, 0, 30)
        assert writer.secure()
        writer.commit()
        found = cut(path, tmp_path / "cut")
        writer.end_watch(30 * S)
        writer.begin_watch(start)
        ended = cut(path, tmp_path / "ended")
    for one in (found, ended):
        started_on(one, start)
        assert kept(one, watch)[0] == list(range(30))
    assert kept(ended, watch + 1)[0] == []


@pytest.mark.parametrize("where", [0, 8, 30, SECTOR - 1, SECTOR + 200])
def test_a_record_that_was_torn_ends_what_is_read(
    path: Path, tmp_path: Path, start: WatchStart, second: MakeSecond, where: int
) -> None:
    sizes = []
    with HistoryWriter(path) as writer:
        watch = writer.begin_watch(start)
        for n in range(0, 30, 10):
            hand_over(writer, second, n, n + 10)
            assert writer.secure()
            sizes.append(writer._tail._at)
        found = cut(path, tmp_path / "cut")
    held = bytearray(tail.beside(found).read_bytes())
    place = sizes[0] + min(where, sizes[1] - sizes[0] - SECTOR)
    held[place] ^= 0x55
    tail.beside(found).write_bytes(held)
    started_on(found, start)
    assert kept(found, watch)[0] == list(range(10))


def test_where_only_a_commit_will_do_it_says_so(path: Path, start: WatchStart, second: MakeSecond) -> None:
    with HistoryWriter(path) as writer:
        writer.begin_watch(start)
        assert writer.secure()  # there is nothing to secure
        writer.add_mark(MarkRow(S, "page", "here"))
        assert not writer.secure()
        writer.commit()
        noise = os.urandom(TAIL_BYTES + 1000)
        writer.add_chunk(RECEIVER, Chunk(noise, S, 1000))
        assert not writer.secure()
        writer.commit()
        for n in range(20):  # far more than it is worth to hold twice
            writer.add_chunk(RECEIVER, Chunk(noise, (n + 2) * S, 1000))
        assert not writer.secure()
        writer.add_chunk(RECEIVER, Chunk(b"little", 30 * S, 1000))
        assert not writer.secure()
        writer.commit()
        hand_over(writer, second, 40, 50)
        assert writer.secure()


def test_a_first_date_and_a_step_are_committed_but_not_a_drift(path: Path, start: WatchStart) -> None:
    with HistoryWriter(path) as writer:
        writer.begin_watch(start)
        for offset_ns, secured in ((S, False), (S + 40_000_000, True), (S + 60_000_000, False), (5 * S, False)):
            writer.date_watch(offset_ns, 0.01)
            assert writer.secure() is secured
            if not secured:
                writer.commit()


def test_without_a_tail_there_are_commits(path: Path, start: WatchStart, second: MakeSecond) -> None:
    tail.beside(path).mkdir()  # so that no file can be made there
    with HistoryWriter(path) as writer:
        watch = writer.begin_watch(start)
        hand_over(writer, second, 0, 10)
        assert not writer.secure()
        writer.commit()
        assert kept(path, watch)[0] == list(range(10))


def test_what_was_erased_is_not_in_the_tail(path: Path, start: WatchStart, second: MakeSecond) -> None:
    with HistoryWriter(path) as writer:
        watch = writer.begin_watch(start)
        hand_over(writer, second, 0, 10)
        assert writer.secure()
        assert any(tail.beside(path).read_bytes())
        writer.erase(watch)
        assert not any(tail.beside(path).read_bytes())
        hand_over(writer, second, 10, 20)
        assert writer.secure()
    assert kept(path, watch)[0] == list(range(10, 20))


def test_a_tail_goes_aside_with_its_history(path: Path, start: WatchStart, second: MakeSecond) -> None:
    with HistoryWriter(path) as writer:
        writer.begin_watch(start)
        hand_over(writer, second, 0, 10)
        assert writer.secure()
        held = tail.beside(path).read_bytes()
        aside = set_aside(path)
    assert tail.beside(aside).read_bytes() == held
    started_on(path, start)
    assert kept(path, 1)[0] == []


def test_a_row_that_grew_since_is_read(path: Path, tmp_path: Path, start: WatchStart, second: MakeSecond) -> None:
    """What an older program left is put in by a newer one: fields are added at the end, with a default."""
    row = replace(second(0), jitter_s=None)
    assert tail._unpacked(1, _body([row])).seconds == [row]
    shorter = zlib.compressobj(9, zlib.DEFLATED, -15, zdict=tail._WORDS)
    rows = json.dumps([list(astuple(row))[:-1]]).encode()
    assert tail._unpacked(1, b"\0" + shorter.compress(rows) + shorter.flush()).seconds == [row]


def _body(seconds: list[SecondRow]) -> bytes:
    packed = tail._packed(1, 1, 0, {}, seconds)
    size = tail._HEAD.unpack_from(packed)[4]
    return packed[tail._HEAD.size : tail._HEAD.size + size]
