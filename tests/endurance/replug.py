"""Pulls an adapter out and pushes it in again, over and over: python tests/endurance/replug.py [cycles; 10000]

A real reader listens at a link; each cycle makes a pty behind it under another number, waits until the reader has it,
sends a sentence, and closes the pty, which to the reader is a plug pulled out (a hang-up). Each sentence must come,
with nothing before it or after, and each loss must be told; at the end no descriptor and no memory may be left over.
The waits between attempts are those of the box, divided by 250.
"""

from __future__ import annotations

import os
import queue
import sys
import tempfile
import time
import tty
from pathlib import Path

from appliance.line.port import RETRY_FIRST_S, RETRY_MOST_S, Event, LineReader, LineSettings, PortState
from appliance.sentence.chunk import Chunk

PATIENCE_S = 30.0
HURRY = 250
GROWTH_MOST_KB = 2000


def memory_kb() -> int:
    """What this process holds in memory."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") // 1024


def descriptors() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


class Plug:
    """A reader at a link, and what it handed over."""

    def __init__(self, folder: Path) -> None:
        self.link = folder / "line"
        self.events: queue.Queue[Event] = queue.Queue()
        settings = LineSettings("from-receiver", str(self.link), 38400)
        retry_s = (RETRY_FIRST_S / HURRY, RETRY_MOST_S / HURRY)
        self.reader = LineReader(settings, lambda _line, event: self.events.put(event), retry_s=retry_s)

    def cycle(self, number: int) -> None:
        """In, a sentence, out."""
        master, slave = os.openpty()
        tty.setraw(slave)
        self.link.symlink_to(os.ttyname(slave))
        try:
            self._until("open")
            sentence = b"$GPHDT,%d.00,T\r\n" % number
            os.write(master, sentence)
            heard = b""
            while len(heard) < len(sentence):
                event = self.events.get(timeout=PATIENCE_S)
                heard += event.data if isinstance(event, Chunk) else b""
            assert heard == sentence, heard
            os.set_blocking(master, False)
            try:
                came_back = os.read(master, 100)
            except BlockingIOError:
                came_back = b""
            assert came_back == b"", came_back
        finally:
            self.link.unlink()
            os.close(slave)
            os.close(master)
        self._until("lost")

    def _until(self, state: str) -> None:
        while True:
            event = self.events.get(timeout=PATIENCE_S)
            assert not isinstance(event, Chunk), event
            if isinstance(event, PortState) and event.state == state:
                return


def run(folder: Path, cycles: int) -> tuple[int, int, float]:
    """Descriptors and kB of memory more at the end than after a tenth of the cycles; and how many a second."""
    plug = Plug(folder)
    plug.reader.start()
    before, began_s = (0, 0), time.monotonic()
    try:
        for number in range(cycles):
            plug.cycle(number)
            if number == cycles // 10:
                before = descriptors(), memory_kb()
        after = descriptors(), memory_kb()
    finally:
        plug.reader.stop()
        assert plug.reader.join(PATIENCE_S)
    return after[0] - before[0], after[1] - before[1], cycles / (time.monotonic() - began_s)


def main(cycles: int) -> int:
    with tempfile.TemporaryDirectory() as name:
        opened, grown_kb, rate = run(Path(name), cycles)
    print(f"{cycles} cycles, {rate:.0f} a second; {opened} descriptors and {grown_kb} kB more at the end")
    return int(opened > 0 or grown_kb > GROWTH_MOST_KB)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000))
