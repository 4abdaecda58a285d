"""A power cut, played by SIGKILL: what was committed is there, and the next start closes what was cut off."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from appliance.history.reader import History
from appliance.history.rows import FaultRow, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter

# Writes for ever and prints the number of each commit once it is over.
WRITE = """
import sys
from appliance.history.rows import FaultRow, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk
writer = HistoryWriter(sys.argv[1])
writer.begin_watch(WatchStart(0, 1_700_000_000_000_000_000, "anything", "", "Tractor 3", "0.1.0"))
writer.open_fault("gap", FaultRow("gap", "from-receiver", "GGA", 5, None, "still on", 3.1, 0.6, "s"))
n = 0
while True:
    n += 1
    for line in ("from-receiver", "from-controller"):
        writer.add_chunk(line, Chunk(b"%08d" % n, n * 1_000_000_000, 1_000_000))
        writer.add_second(SecondRow(line, n * 1_000_000_000, 8, 1, 0, 0, 0.1, "go"))
    writer.commit()
    print(n, flush=True)
"""


def test_all_that_was_committed_outlives_a_kill(path: Path, start: WatchStart) -> None:
    process = subprocess.Popen([sys.executable, "-c", WRITE, str(path)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    with process:
        for line in process.stdout:
            if int(line) >= 200:
                process.kill()
                break
        told = [int(line), *map(int, process.stdout.read().split())]
    assert process.returncode == -signal.SIGKILL
    committed = told[-1]

    with History(path) as history:
        (cut,) = history.watches()
        seconds = len(list(history.seconds(cut.id, "from-receiver")))
        assert seconds in (committed, committed + 1)  # the kill may fall between the commit and its print
        for name in ("from-receiver", "from-controller"):
            raw = b"".join(chunk.data for chunk in history.chunks(cut.id, name))
            assert raw == b"".join(b"%08d" % n for n in range(1, seconds + 1))
        assert (cut.ended_ns, cut.ended_how) == (None, "")
        assert history.faults()[0].end_ns is None
        last_ns = seconds * 1_000_000_000 + 7 * 1_000_000
        assert cut.last_ns == last_ns

    with HistoryWriter(path) as writer:
        again = writer.begin_watch(start)
        writer.end_watch(60_000_000_000)
    with History(path) as history:
        assert [watch.id for watch in history.watches()] == [again, cut.id]
        closed = history.watch(cut.id)
        assert (closed.ended_ns, closed.ended_how, closed.last_ns) == (last_ns, "cut off", last_ns)
        assert history.faults(cut.id)[0].end_ns == last_ns
        assert history.watch(again).ended_how == "stopped"


def test_a_second_start_in_the_same_history_goes_on(
    path: Path, start: WatchStart, second: Callable[..., SecondRow], fault: Callable[..., FaultRow]
) -> None:
    watches = []
    for _ in range(3):
        with HistoryWriter(path) as writer:
            watches.append(writer.begin_watch(start))
            writer.add_second(second())
            writer.open_fault("gap", fault(55_000_000_000))
            # closed without an end: what was handed over is written all the same
    with History(path) as history:
        assert [len(list(history.seconds(watch))) for watch in watches] == [1, 1, 1]
        assert [history.watch(watch).ended_how for watch in watches] == ["cut off", "cut off", ""]
        assert [row.end_ns for row in history.faults()] == [None, 55_000_000_000, 55_000_000_000]
