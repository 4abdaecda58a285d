"""Cuts the power of a box at every write, and starts on what the card would hold then.

    python tests/endurance/power_cuts.py [--cuts N] [--seed N] [--folder FOLDER]

A keeper works: it makes its history, is stopped, is started again twice, is at its cap and drops what is oldest, and
moves its log into the file; a job is given to the watch among the traffic, and changed again and again. Every write,
truncation, flush and deletion, SQLite's and the tail's, is recorded (disk.py). Then, for each of N points between two
of them, files are made anew as a card may hold them:

    whole    all that was written until then
    synced   only what was flushed; the rest never came
    prefix   the rest in order up to a point, and the last of it torn
    any      each sector of 512 bytes of what was not flushed is there or not, by chance

which is what the flush rules allow: a flush of a file makes its writes before it last, in any order, and nothing else
lasts for sure (POSIX, fsync; SQLite documentation, "Atomic Commit In SQLite", 2 and 3.0). A file that was made may be
missing, and one that was deleted be there again, until its folder is flushed; SQLite does that with the first flush
of a journal or log that it made (unixSync of its source), and for a deletion where it is asked to.

On each, a history is started and a watch begun, as after the key is turned; all that was handed over three seconds
before the cut, or earlier, must be there, nothing may be there that never was, and SQLite's integrity check must pass.
"""

from __future__ import annotations

import argparse
import functools
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from appliance.history.reader import History
from appliance.history.rows import WatchStart
from appliance.history.schema import WAL_BYTES_KEPT
from appliance.history.space import Space
from appliance.history.writer import HistoryWriter
from appliance.tap.keeper import Keeper

if TYPE_CHECKING:
    from tests.endurance.disk import Disk, Op, between
    from tests.endurance.handed import KINDS, STEP_NS, Handed, S, hand_over, there, wait
else:
    from disk import Disk, Op, between
    from handed import KINDS, STEP_NS, Handed, S, hand_over, there, wait

SECTOR = 512
LOST_MOST_NS = 3 * S
CAP_BYTES = 1_700_000
"""What the file may take beside its log: little, so that it is at its cap after some minutes."""
JOBS_S = (20, 250, 60)
"""How long the keeper works each time: once until the log is moved into the file while it goes on."""
NAME = "history.db"
VARIANTS = ("whole", "synced", "prefix", "any")


class _Clock:
    """A clock that goes on when it is told to."""

    def __init__(self) -> None:
        self.now_ns = 0

    def __call__(self) -> int:
        return self.now_ns


def record(folder: Path, seed: int, jobs_s: tuple[int, ...] = JOBS_S) -> list[Op]:
    """What a keeper did to its files over some jobs, with what was handed over in between."""
    disk = Disk(NAME)
    with between(disk):
        for job, seconds in enumerate(jobs_s, 1):
            clock = _Clock()
            start = WatchStart(0, job * 10**15, "any", "", f"job {job}", "0")
            keeper = Keeper(folder / NAME, start, Space(WAL_BYTES_KEPT + CAP_BYTES, 0), clock=clock)
            keeper.start()
            wait(functools.partial(_begun, keeper))
            for step in range(seconds * 10):
                clock.now_ns = step * STEP_NS
                hand_over(keeper, disk, seed, job, step)
                wait(keeper._orders.empty)
            assert keeper.stop(clock.now_ns, 60.0)
            assert not keeper.says, keeper.says
    return disk.ops


def _begun(keeper: Keeper) -> bool:
    return keeper.watch_id is not None


@dataclass(slots=True)
class File:
    """A file on the card: what lasts for sure (None: no file), and what was done since, which may or may not last."""

    durable: bytearray | None = None
    pending: list[Op] = field(default_factory=list)

    def settle(self) -> None:
        """The file was flushed."""
        self.durable = apply(self.durable, self.pending)
        self.pending.clear()

    def settle_name(self) -> None:
        """Its folder was flushed: that it was made or deleted lasts."""
        while any(op.what in ("create", "delete") for op in self.pending):
            op = self.pending.pop(0)
            if op.what == "delete":
                self.durable = None
            elif op.what == "create" and self.durable is None:
                self.durable = bytearray()
            elif op.what in ("write", "truncate"):  # of a file that is deleted further on
                self.durable = apply(self.durable, [op])

    @property
    def new(self) -> bool:
        return any(op.what == "create" for op in self.pending)


def apply(content: bytearray | None, ops: list[Op]) -> bytearray | None:
    """Content after all of these were done to it; changed in place."""
    for op in ops:
        if op.what == "delete":
            content = None
        elif op.what == "create":
            content = bytearray() if content is None else content
        elif op.what == "truncate" and content is not None:
            _resize(content, op.at)
        elif op.what == "write" and content is not None:
            _resize(content, max(len(content), op.at + len(op.data)))
            content[op.at : op.at + len(op.data)] = op.data
    return content


def _resize(content: bytearray, size: int) -> None:
    if size < len(content):
        del content[size:]
    else:
        content.extend(bytes(size - len(content)))


def sectors(op: Op) -> Iterator[Op]:
    """A write as one for each sector that it touches."""
    at = op.at
    while at < op.at + len(op.data):
        end = min((at // SECTOR + 1) * SECTOR, op.at + len(op.data))
        yield Op("write", op.name, at, op.data[at - op.at : end - op.at])
        at = end


def survived(pending: list[Op], variant: str, chance: random.Random) -> list[Op]:
    """What lasts of what was not flushed."""
    if variant == "whole":
        return pending
    if variant == "synced" or not pending:
        return []
    if variant == "prefix":
        kept = pending[: chance.randrange(len(pending)) + 1]
        if kept[-1].what == "write":
            parts = list(sectors(kept[-1]))
            kept = [*kept[:-1], *chance.sample(parts, chance.randrange(len(parts) + 1))]
        return kept
    for n, op in enumerate(pending):  # a name that is not as it was made it takes with it all that came after
        if op.what in ("create", "delete") and chance.random() < 0.5:
            pending = pending[:n]
            break
    share = chance.choice((0.1, 0.5, 0.9))
    parts = [part for op in pending for part in (sectors(op) if op.what == "write" else (op,))]
    return [part for part in parts if part.what in ("create", "delete") or chance.random() < share]


@dataclass(slots=True)
class Outcome:
    """What came of the cuts. lost_ns: the longest time before a cut from which something was lost."""

    cuts: int = 0
    starts: int = 0
    lost_ns: int = 0
    bad: list[str] = field(default_factory=list)
    seen: Counter[str] = field(default_factory=Counter)


def replay(ops: list[Op], folder: Path, cuts: int, seed: int) -> Outcome:
    """Cut at `cuts` points, spread evenly over what was done, and start on each kind of what may be left."""
    points = [n for n, op in enumerate(ops) if op.what != "told"]
    chosen = {points[len(points) * n // cuts] for n in range(cuts)}
    card = Card(folder, seed)
    for n, op in enumerate(ops):
        if n in chosen:
            card.outcome.cuts += 1
            if sys.stderr.isatty():
                print(f"\r{card.outcome.cuts} of {cuts}", end="", file=sys.stderr)
            for variant in VARIANTS:
                card.cut(variant, f"point {n}, {variant}")
        card.take(op)
    return card.outcome


class Card:
    """The card as operations come to it, which can be cut off at any time and started on."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.outcome = Outcome()
        self._folder = folder
        self._seed = seed
        self._chance = random.Random(seed)
        self._files: dict[str, File] = {}
        self._handed: list[Handed] = []

    def take(self, op: Op) -> None:
        """One operation more."""
        if op.what == "told":
            assert isinstance(op.told, Handed)
            self._handed.append(op.told)
            return
        self.outcome.seen[op.what] += 1
        file = self._files.setdefault(op.name, File())
        if op.what == "sync":
            if file.new and op.name != NAME:
                self._settle_names()
            file.settle()
            return
        file.pending.append(op)
        if op.what == "delete" and op.at:  # its folder was flushed with it
            self._settle_names()

    def cut(self, variant: str, where: str) -> None:
        """Cut the power now, and start on what is left."""
        place = self._folder / "cut"
        place.mkdir()
        for name, file in self._files.items():
            content = None if file.durable is None else bytearray(file.durable)
            content = apply(content, survived(file.pending, variant, self._chance))
            if content is not None:
                (place / name).write_bytes(content)
        self.outcome.starts += 1
        try:
            lost_ns = start_on(place / NAME, self._handed, self._seed)
            self.outcome.lost_ns = max(self.outcome.lost_ns, lost_ns)
        except Exception as error:
            self.outcome.bad.append(f"{where}: {type(error).__name__}: {error}")
        shutil.rmtree(place)

    def _settle_names(self) -> None:
        for file in self._files.values():
            file.settle_name()


def start_on(path: Path, handed: list[Handed], seed: int) -> int:
    """Begin a watch on what is left, and check it; from how long before the cut something is lost, in ns."""
    with HistoryWriter(path) as writer:
        begun = writer.begin_watch(WatchStart(0, 0, "any", "", "after", "0"))
        (found,) = writer._db.execute("PRAGMA integrity_check(1)").fetchone()
        assert found == "ok", found
    assert not list(path.parent.glob("*.damaged-*"))
    lost_ns = 0
    last = handed[-1] if handed else None
    with History(path) as history:
        watches = {watch.machine: watch for watch in history.watches() if watch.id != begun}
        for job in sorted({one.job for one in handed}):
            mine = [one for one in handed if one.job == job]
            watch = watches.get(f"job {job}")
            assert watch is not None, f"job {job} is not there"
            assert watch.ended_ns is not None
            for what in KINDS:
                found, gone_ns = there(history, watch.id, what, seed, job)
                told = [one for one in mine if one.what == what]
                lost = [one for one in told if one.number not in found and one.at_ns >= (gone_ns or 0)]
                known = {one.number for one in told}
                if what == "job":
                    known.add(max(known, default=-1) + 1)  # written, and not yet answered
                    assert not lost, f"job {lost}, which was answered, is lost"
                assert found <= known, f"{what} {sorted(found - known)} of job {job} never were"
                if lost:
                    assert last is not None
                    assert job == last.job, f"{what} {lost[0].number} of job {job}, which was over"
                    lost_ns = max(lost_ns, last.at_ns - lost[0].at_ns)
                    assert last.at_ns - lost[0].at_ns <= LOST_MOST_NS, f"{what} {lost[0]} is lost"
        spoilt = [one for one in history.troubles if "spoilt" in one]
        assert not spoilt, spoilt
    return lost_ns


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cuts", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="where to work; best in memory")
    asked = parser.parse_args(arguments)
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        ops = record(Path(name), asked.seed)
        outcome = replay(ops, Path(name), asked.cuts, asked.seed)
    print(f"{sum(JOBS_S)} s of traffic in {len(JOBS_S)} jobs: {dict(outcome.seen)}")
    print(f"{outcome.cuts} cut points, {outcome.starts} starts, {len(outcome.bad)} bad (seed {asked.seed})")
    print(f"lost: at most the last {outcome.lost_ns / S:.1f} s; {time.monotonic() - began_s:.0f} s in all")
    for one in outcome.bad[:20]:
        print(one)
    return bool(outcome.bad)


if __name__ == "__main__":
    sys.exit(main())
