"""Step 4: at every moment the plug may be pulled. The record of a fed box's writes is played back up to many cuts, and
what each would leave on the card is opened as the box opens it at its next start."""

from __future__ import annotations

import bisect
import contextlib
import os
import shutil
import sqlite3
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from random import Random

from appliance.history.reader import History
from appliance.history.rows import HistoryError, WatchStart
from appliance.history.writer import HistoryWriter
from trial.feed import Feed
from trial.machine import Machine
from trial.report import Failed, Report
from trial.system import partitions
from trial.writes import SECTOR, Card, Flush, Write, read_log

RECEIVER = "from-receiver"
AFTER = WatchStart(1, 1, "rate-section", "", "", "0")
PROMISED_S = 3.0
CUTS = 500
CONTROL_CUTS = 60
HELD_MOST = 300  # writes that the card without flushes keeps in a cache of its own
_MENDED = (0, 1)  # e2fsck(8): nothing wrong; mended


class Clock:
    """When the record was how long, and when the page had told how many bytes: host's seconds, both rising."""

    def __init__(self, machine: Machine) -> None:
        self.log: list[tuple[float, int]] = []
        self.told: list[tuple[float, int]] = [(0.0, 0)]
        self._machine = machine
        self._stop = threading.Event()
        self._threads = [threading.Thread(target=one, daemon=True) for one in (self._sizes, self._pictures)]
        for one in self._threads:
            one.start()

    def _sizes(self) -> None:
        while not self._stop.wait(0.02):
            self.log.append((time.monotonic(), self._machine.writes.stat().st_size))

    def _pictures(self) -> None:
        while not self._stop.wait(0.5):
            lines = self._machine.picture().get("lines")
            if lines:
                self.told.append((time.monotonic(), lines[0]["bytes"]["total"]))

    def stop(self) -> None:
        self._stop.set()
        for one in self._threads:
            one.join(70)

    def promised(self, end: int) -> int:
        """Bytes that must be in history if the record was cut where it had come to `end`."""
        at = bisect.bisect_right([size for _, size in self.log], end) - 1
        if at < 0:
            return 0
        told = bisect.bisect_right([when_s for when_s, _ in self.told], self.log[at][0] - PROMISED_S) - 1
        return max(total for _, total in self.told[: told + 1]) if told >= 0 else 0


def record(machine: Machine, seconds: float) -> tuple[Clock, int]:
    """Feeds the box for so long, then pulls the plug; gives the clock and how long the record was at the start."""
    clock, begins = Clock(machine), machine.writes.stat().st_size
    feed = Feed(machine.feed)
    time.sleep(seconds)
    clock.stop()
    machine.cut()
    feed.stop()
    return clock, begins


def copy_part(disk: Path, start: int, size: int, to: Path) -> None:
    """A part of a disk as a file of its own; holes stay holes."""
    with disk.open("rb") as source, to.open("wb") as made:
        made.truncate(size)
        at = start
        while at < start + size:
            try:
                at = os.lseek(source.fileno(), at, os.SEEK_DATA)
            except OSError:  # nothing but a hole is left
                return
            end = min(os.lseek(source.fileno(), at, os.SEEK_HOLE), start + size)
            source.seek(at)
            made.seek(at - start)
            while at < end:
                data = source.read(min(1 << 20, end - at))
                made.write(data)
                at += len(data)


def opened(part: Path, folder: Path, sent: bytes, promised: int) -> str:
    """What is wrong with a history partition after a cut; "" if it mends itself and holds what was promised."""
    mend = subprocess.run(["e2fsck", "-p", part], capture_output=True, text=True, check=False)
    if mend.returncode not in _MENDED:
        return f"the file system does not mend itself: {mend.stdout[-200:]}"
    if subprocess.run(["e2fsck", "-fn", part], capture_output=True, check=False).returncode:
        return "the file system is not whole after it was mended"
    subprocess.run(["debugfs", "-R", f"rdump / {folder}", part], capture_output=True, check=True)
    database = folder / "history.db"
    if not database.exists():
        return f"no history, with {promised} bytes promised" if promised else ""
    return _held(database, sent, promised)


def _held(database: Path, sent: bytes, promised: int) -> str:
    """The same of the history alone."""
    try:
        with contextlib.closing(sqlite3.connect(database)) as db:
            (said,) = db.execute("PRAGMA integrity_check").fetchone()
        if said != "ok":
            return f"the history is damaged: {said[:100]}"
        with HistoryWriter(database) as writer:  # as the box does at its next start: what stands in the tail comes in
            writer.begin_watch(AFTER)
        if list(database.parent.glob("*damaged*")):
            return "the history was set aside as damaged"
        with History(database) as history:
            watches = sorted(one.id for one in history.watches())
            kept = b"".join(chunk.data for one in watches for chunk in history.chunks(one, RECEIVER))
    except (sqlite3.Error, HistoryError) as trouble:
        return f"the history does not open: {trouble}"
    if not sent.startswith(kept):
        return "the history holds what was not sent"
    return f"{len(kept)} bytes kept, {promised} promised" if len(kept) < promised else ""


class Replay:
    """The record of one machine, played onto a card as it was before power-on."""

    def __init__(self, before: Path, log: Path, sent: bytes, promised: Callable[[int], int]) -> None:
        self._before, self._log, self._sent, self._promised = before, log, sent, promised
        self.entries = list(read_log(log))

    def wrong(self, cuts: list[int], *, flushes: bool, seed: int = 1) -> list[str]:
        """What is wrong at each of the cuts, which are numbers of entries; only what is wrong is listed."""
        found, wanted = [], set(cuts)
        with tempfile.TemporaryDirectory(dir="/dev/shm") as made:
            disk = Path(made) / "disk"
            subprocess.run(["cp", "--sparse=always", self._before, disk], check=True)
            card = Card(disk, self._log, flushes=flushes)
            for number, entry in enumerate(self.entries):
                if number in wanted:
                    says = self._cut(card, disk, Random(f"{seed} {number}"))
                    found += [f"cut before entry {number}: {says}"] if says else []
                card.take(entry, HELD_MOST)
            card.close()
        return found

    def _cut(self, card: Card, disk: Path, dice: Random) -> str:
        left = card.left_by_a_cut(dice)
        start, size = (sectors * SECTOR for sectors in partitions(disk)[3])
        with tempfile.TemporaryDirectory(dir="/dev/shm") as made:
            part, folder = Path(made) / "part", Path(made) / "files"
            folder.mkdir()
            copy_part(disk, start, size, part)
            with part.open("r+b") as file:
                for at, data in left:
                    if start <= at < start + size:
                        file.seek(at - start)
                        file.write(data)
            try:
                return opened(part, folder, self._sent, self._promised(card.end))
            finally:
                shutil.rmtree(folder)


def power_cuts(report: Report, machine: Machine, before: Path, seconds: float) -> None:
    """Records, then replays. before: the card as it was at power-on."""
    clock, begins = record(machine, seconds)
    replay = Replay(before, machine.writes, machine.was_sent(), clock.promised)
    fed = [number for number, one in enumerate(replay.entries) if one.end >= begins]
    flushes = sum(isinstance(one, Flush) for one in replay.entries[fed[0] :])
    writes = sum(isinstance(one, Write) for one in replay.entries[fed[0] :])
    dice = Random(1)
    growing = sorted(dice.sample(range(fed[0]), min(fed[0], CUTS // 5)))
    cuts = sorted(dice.sample(fed, min(len(fed), CUTS)))
    with report.step("4 power cuts while the line is fed: it mends itself, opens, and lost at most 3 s") as told:
        wrong = replay.wrong(cuts, flushes=True)
        told.append(f"{len(cuts)} cuts in {writes} writes and {flushes} flushes of {seconds:.0f} s; "
                    f"{clock.told[-1][1]} bytes told by the page")  # fmt: skip
        if len(cuts) < CUTS or not clock.told[-1][1]:
            raise Failed(f"{told[0]}: too few to tell")
        if wrong:
            raise Failed(f"{len(wrong)} of {told[0]}: {'; '.join(wrong[:5])}")
    with report.step("5 power cuts while the partition grows and the first watch begins: it mends itself") as told:
        wrong = replay.wrong(growing, flushes=True)
        told.append(f"{len(growing)} cuts in the first {fed[0]} entries of the record")
        if wrong:
            raise Failed(f"{len(wrong)} of {told[0]}: {'; '.join(wrong[:5])}")
    with report.step("4 the control: a card that does not keep to flushes must fail the same test") as told:
        control = sorted(dice.sample(cuts, min(len(cuts), CONTROL_CUTS)))
        wrong = replay.wrong(control, flushes=False)
        told.append(f"{len(wrong)} of {len(control)} cuts fail, such as: {'; '.join(wrong[:2])}")
        if not wrong:
            raise Failed("it does not: the test above proves nothing")
