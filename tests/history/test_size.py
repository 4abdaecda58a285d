"""A day must fit: the file's growth measured on the usual set with every digit changing, and scaled to a day."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from appliance.history import schema
from appliance.history.reader import History
from appliance.history.rows import SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk

DAY_S = 86_400
DAY_BYTES_MOST = 60_000_000  # what the box promises, log included
DAY_BYTES_AIM = 30_000_000
RECEIVER = "from-receiver"


def on_disk(path: Path) -> int:
    return sum(file.stat().st_size for file in path.parent.glob(path.name + "*"))


@pytest.mark.slow
def test_a_day_of_the_usual_set_stays_small(
    path: Path,
    start: WatchStart,
    second: Callable[..., SecondRow],
    usual_set: Callable[[int], Iterator[tuple[int, list[Chunk]]]],
) -> None:
    """An hour, written as the box writes it: a row each second, a commit every two. Times 24 is a day."""
    seconds, sent, commits_s = 3600, bytearray(), []
    with HistoryWriter(path) as writer:
        watch = writer.begin_watch(start)
        empty = on_disk(path)
        for n, (second_ns, chunks) in enumerate(usual_set(seconds)):
            for chunk in chunks:
                sent += chunk.data
                writer.add_chunk(RECEIVER, chunk)
            messages = {"GNGGA": 4 + n % 3, "GNVTG": 5, "GNRMC": 1, "GNZDA": 1}
            writer.add_second(second(second_ns, bytes=sum(len(chunk.data) for chunk in chunks), messages=messages))
            if n % 2:
                began = time.perf_counter()
                writer.commit()
                commits_s.append(time.perf_counter() - began)
        assert on_disk(path) - path.stat().st_size <= schema.WAL_BYTES_KEPT + 2**16  # log and shared memory
    assert abs(len(sent) / seconds - 820) < 30  # bytes a second: it is the usual set

    with History(path) as history:
        assert b"".join(chunk.data for chunk in history.chunks(watch, RECEIVER)) == sent
        assert history.sizes(watch)["seconds"] == seconds

    scale = DAY_S / seconds
    a_day = (on_disk(path) - empty) * scale + schema.WAL_BYTES_KEPT
    commits_s.sort()
    print(f"\na day: {a_day / 1e6:.1f} MB with a full log")
    print(f"commit: median {commits_s[len(commits_s) // 2] * 1e3:.2f} ms, worst {commits_s[-1] * 1e3:.1f} ms")
    assert a_day < DAY_BYTES_AIM + schema.WAL_BYTES_KEPT < DAY_BYTES_MOST
