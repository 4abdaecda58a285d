"""A month in the cab, run fast: does anything grow?

    python tests/endurance/month.py [hours; 720] [seed; 1] [--folder FOLDER] [--each HOURS]

The tap's own parts, without its threads and ports: what is heard goes through framer, parser, meter, judge, faults and
evidence, is shown in the live picture, and is kept by the real keeper, whose history is at its cap after some days. A
receiver talks for the whole of it, ten hours of each day at 1 Hz (GGA, VTG, RMC, ZDA) and else every other second (GGA
and VTG), each hour on another drive, struck by up to four of all the faults there are, for up to a minute and a half
each; in one hour of each day a contact shakes a hundred times. The port is pulled out now and then, marks are set, a
job is changed, a wiggle test is made. Looks are at 1 Hz, and pictures once a minute. Twice a day somebody looks at
every page of the box and tries a wrong PIN.

The page is in a process of its own (visitor.py). At each sample the garbage is collected, and then counted: the
resident memory of both, and the length of every container that can be reached in them. After a quarter of the time
nothing may be longer than it was by then at most, save by a quarter; what has a bound of its own has it here by name.
"""

from __future__ import annotations

import argparse
import gc
import os
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from appliance import settings as box
from appliance.history.job import Job
from appliance.history.rows import MarkRow, WatchStart
from appliance.history.schema import WAL_BYTES_KEPT
from appliance.history.space import Space
from appliance.judge import needs as needs_of
from appliance.line.port import PortState
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.faults import FAULTS, Spell, apply
from appliance.simulate.plans import PLANS
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.wire import chunks
from appliance.tap.core import PICTURE
from appliance.tap.keeper import Keeper
from appliance.tap.listening import Listening
from appliance.tap.publish import publish
from appliance.tap.shown import live_picture
from appliance.watch import CONTROLLER, RECEIVER

if TYPE_CHECKING:
    from tests.endurance.containers import Lengths, kept, lengths
    from tests.endurance.visitor import PATHS, Visitor, memory_kb
else:  # as a script it finds its neighbours only
    from containers import Lengths, kept, lengths
    from visitor import PATHS, Visitor, memory_kb

S = 1_000_000_000
HOUR_S = 3600
ORIGIN_NS = 1000 * S
BAUD = 38_400
CAP_BYTES = 40_000_000
"""Of history: some days' worth, so that most of the month is at the cap."""
NEEDS = """
title = "Position and speed every other second"
[line]
baud = 38400
sentence_length_most = 100
[message.GGA]
rate_hz = 0.5
gap_most_s = 4.5
[message.VTG]
rate_hz = 0.5
gap_most_s = 4.5
[fix]
required = true
qualities = [4, 5]
"""
BY_DAY, BY_NIGHT = {"GGA": 1.0, "VTG": 1.0, "RMC": 1.0, "ZDA": 1.0}, {"GGA": 0.5, "VTG": 0.5}
VISIT_S = 12 * HOUR_S
QUERY = b"$PLLM,Q*60\r\n"
"""What the controller asks now and then; invented."""
DAY_H = range(6, 16)
SHAKEN_H = 11
MEMORY_GROWTH_KB = 6000
GROWTH_RATIO, GROWTH_FEW = 1.25, 50
BOUNDED = {
    "controller.spans": 200,
    "_bins": 1401,
    "errors._recent[]": 1000,
    "page[]._kept[].way": 1200,
    "page[]._kept[].faults_at": 400,
    "signature._unmade": 4,
    "signature._made": 4,
    "calendar.running.steps": 100,
    "page[]._read.held[][][][]": 100,
}
"""What grows for a long time, up to a bound of its own: judge/controller.py, measure/spread.py,
measure/errors.py, site/pattern.py, measure/signature.py, measure/running.py, of which the picture tells."""


def traffic(hours: int, seed: int) -> Iterator[list[Burst]]:
    """What the receiver says, second by second."""
    for hour in range(hours):
        chance = random.Random(f"month {seed} {hour}")
        drive = Drive(chance.randrange(10**6), plan=chance.choice(list(PLANS)))
        rates = BY_DAY if hour % 24 in DAY_H else BY_NIGHT
        receiver = Receiver(ReceiverSettings(rates_hz=rates), drive, chance.randrange(10**6))
        from_s = hour * HOUR_S
        spells = list(_spells(chance, from_s, shaken=hour % 24 == SHAKEN_H))
        said = apply(receiver.epochs(from_s, from_s + HOUR_S), spells, seed)
        waiting = next(said, None)
        for second in range(from_s, from_s + HOUR_S):
            now = []
            while waiting is not None and waiting.due_s < second + 1:
                now.append(waiting)
                waiting = next(said, None)
            yield now


def _spells(chance: random.Random, from_s: int, *, shaken: bool) -> Iterator[Spell]:
    for _ in range(chance.randrange(5)):
        start_s = from_s + chance.uniform(0, HOUR_S - 100)
        yield Spell(chance.choice(list(FAULTS)), start_s, start_s + chance.uniform(2, 90))
    for number in range(100 if shaken else 0):
        start_s = from_s + number * 36.0
        yield Spell("silence", start_s, start_s + 6)


@dataclass(slots=True)
class Sample:
    """hour: of the month. kb, page_kb: resident, of tap and page."""

    hour: float
    kb: int
    page_kb: int
    lengths: Lengths
    history_bytes: int


@dataclass
class Month:
    """One box in a folder, and its life. now_ns: its monotonic clock."""

    folder: Path
    hours: int
    seed: int
    each_h: float = 12.0
    now_ns: int = ORIGIN_NS
    faults: int = 0
    samples: list[Sample] = field(default_factory=list)

    def __post_init__(self) -> None:
        (self.folder / "run").mkdir()
        words = 'machine = "Larkmere tractor 3"\nhistory = "history.db"\nrun_folder = "run"\n[lamps]\npins = "mock"\n'
        ports = f'[line.{RECEIVER}]\nport = "/dev/none1"\n[line.{CONTROLLER}]\nport = "/dev/none2"\n'
        self.settings = box.from_toml(words + ports, "linelamp.toml", self.folder)
        needs = needs_of.from_toml(NEEDS, "month")
        start = WatchStart(self.now_ns, 0, needs.name, NEEDS, "Larkmere tractor 3", "0")
        space = Space(WAL_BYTES_KEPT + CAP_BYTES, 0)
        self.keeper = Keeper(self.settings.history, start, space, clock=lambda: self.now_ns)
        self.listening = Listening(self.settings, needs, self.keeper, self._mark, started_ns=self.now_ns)
        self.visitor = Visitor(self.settings.run_folder, self.settings.history)

    def live(self) -> Iterator[Sample]:
        """Goes through it; each sample as it is taken."""
        self.keeper.start()
        listening, chance = self.listening, random.Random(self.seed)
        listening.begin()
        for line in (RECEIVER, CONTROLLER):
            self._port(line, "open")
        for second, bursts in enumerate(traffic(self.hours, self.seed)):
            for chunk in chunks(bursts, BAUD, origin_ns=ORIGIN_NS, most_bytes=4096, most_s=1.0):
                listening.handle((RECEIVER, chunk))
            self.now_ns = ORIGIN_NS + (second + 1) * S
            if second % 10 == 0:
                listening.handle((CONTROLLER, Chunk(QUERY, self.now_ns - S // 2, 260_417)))
            self._befalls(second, chance)
            listening.wiggling.turn(self.now_ns, listening.offset_ns(self.now_ns))
            before = listening.watch.faults.closed_count
            listening.look(self.now_ns)
            self.faults += listening.watch.faults.closed_count - before
            self._keep_up()
            if second % 60 == 59:
                self._show()
            if second % VISIT_S == VISIT_S // 2:
                self._visit()
            if (second + 1) % round(self.each_h * HOUR_S) == 0:
                self.samples.append(self._sample((second + 1) / HOUR_S))
                yield self.samples[-1]
        listening.finish(self.now_ns)
        assert self.keeper.stop(self.now_ns, 60.0)
        assert not self.keeper.dropped
        assert not self.keeper.says, self.keeper.says
        self.visitor.close()

    def _befalls(self, second: int, chance: random.Random) -> None:
        """What people do to the box; each at times of its own."""
        if second % 5000 == 4000:
            self._port(RECEIVER, "lost")
        if second % 5000 == 4010:
            self._port(RECEIVER, "open")
        if second % 1800 == 900:
            self.listening.mark(MarkRow(self.now_ns, "page", f"place {chance.randrange(1000)}"))
        if second % (24 * HOUR_S) == 30_000:
            job = Job(machine="Larkmere tractor 3", work_order=str(second), notes="invented " * 20)
            self.keeper.job(None, job, self.listening.offset_ns(self.now_ns) + self.now_ns, lambda _says: None)
        if second % (12 * HOUR_S) in (20_000, 20_060):
            self.listening.wiggling.ask(second % (12 * HOUR_S) == 20_000)

    def _mark(self, note: str) -> None:
        self.listening.mark(MarkRow(self.now_ns, "box", note))

    def _port(self, line: str, state: str) -> None:
        says = "" if state == "open" else "The port has gone."
        self.listening.handle((line, PortState(line, self.now_ns, state, says, 0.0)))  # type: ignore[arg-type]

    def _keep_up(self) -> None:
        """The keeper's thread may be a little behind, as on a box; not by hours of a clock that runs so fast."""
        while self.keeper._orders.qsize() > 40:
            time.sleep(0.0005)

    def _show(self) -> None:
        box_says = {"dropped": 0, "history_says": self.keeper.says, "says": []}
        shown = live_picture(
            self.listening, self.settings, self.keeper.watch_id, lamps=None, box=box_says, now_ns=self.now_ns
        )
        publish(self.settings.run_folder / PICTURE, shown)

    def _visit(self) -> None:
        for path in PATHS:
            self._show()  # an older one would not count
            self.visitor.look_at(path)

    def _sample(self, hour: float) -> Sample:
        while not self.keeper._orders.empty():
            time.sleep(0.001)
        gc.collect()
        page_kb, found = self.visitor.sample()
        found += lengths(self.listening, "tap") + lengths(self.keeper, "keeper") + kept()
        return Sample(hour, memory_kb(), page_kb, found, self.settings.history.stat().st_size)


def grown(samples: list[Sample]) -> list[str]:
    """What is longer at the end than it was at most in the first quarter, in words; none if all is flat."""
    first = samples[: max(1, len(samples) // 4)]
    most: Lengths = Counter()
    for sample in first:
        most |= sample.lengths
    last = samples[-1]
    told = [
        f"{way}: {most[way]:,} entries at most in the first quarter, {size:,} at the end"
        for way, size in last.lengths.items()
        if size > _bound(way, most[way])
    ]
    for what in ("kb", "page_kb"):
        before, now = max(getattr(sample, what) for sample in first), getattr(last, what)
        if now - before > MEMORY_GROWTH_KB:
            told.append(f"resident memory of the {'tap' if what == 'kb' else 'page'}: {before:,} kB, then {now:,} kB")
    return told


def _bound(way: str, before: int) -> float:
    known = [most for end, most in BOUNDED.items() if way.endswith(end)]
    return known[0] if known else before * GROWTH_RATIO + GROWTH_FEW


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("hours", type=int, nargs="?", default=720)
    parser.add_argument("seed", type=int, nargs="?", default=1)
    parser.add_argument("--folder", type=Path, help="where history is kept; best in memory")
    parser.add_argument("--each", type=float, default=12.0, help="hours between two samples")
    asked = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        month = Month(Path(name), asked.hours, asked.seed, asked.each)
        names = ("hour", "tap kB", "page kB", "entries", "history MB", "faults", "CPU s")
        print(" ".join(f"{name:>10}" for name in names), " the longest", flush=True)
        for sample in month.live():
            figures = [f"{sample.hour:g}", f"{sample.kb:,}", f"{sample.page_kb:,}", f"{sample.lengths.total():,}"]
            figures += [f"{sample.history_bytes / 1e6:.1f}", f"{month.faults:,}", f"{time.process_time():.0f}"]
            longest = ", ".join(f"{way} {size:,}" for way, size in sample.lengths.most_common(4))
            print(" ".join(f"{figure:>10}" for figure in figures), f" {longest}", flush=True)
    print(f"{asked.hours} h, seed {asked.seed}")
    told = grown(month.samples)
    print("\n".join(told) or "nothing has grown")
    return bool(told)


if __name__ == "__main__":
    if os.environ.get("MALLOC_ARENA_MAX") != "1":  # as its unit has it; the C library reads it as a process starts
        os.execve(sys.executable, [sys.executable, *sys.argv], {**os.environ, "MALLOC_ARENA_MAX": "1"})
    sys.exit(main())
