"""How often the right cause stands first, and how often within the three that are shown: a confusion table.

    python tests/bench/causes.py [--from first seed] [seeds of each case] [case ...]

Each case goes through the same watch that judges a live line. Causes are asked twice: of the whole recording at its
end, as `check` does, and live, half a second before the trouble ends, as the page does. A wire of ten seconds is asked
at its end, live and as a recording.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from multiprocessing import Pool
from random import Random
from typing import TYPE_CHECKING

from appliance.judge.inquiry import Inquiry
from appliance.picture import causes as causes_of
from appliance.plain import Json
from appliance.sentence.chunk import Chunk
from appliance.sentence.counters import Counters
from appliance.sentence.setting import Setting
from appliance.simulate.receiver import Burst
from appliance.simulate.uart import Uart
from appliance.simulate.wave import encode
from appliance.simulate.wire import chunks
from appliance.watch import CONTROLLER, RECEIVER, Watch

if TYPE_CHECKING:
    from tests.bench import causes_cases as cases
    from tests.bench import wire, wire_cases
else:  # as a script it finds its neighbours only
    import causes_cases as cases
    import wire
    import wire_cases

ORIGIN_NS = 1_000_000_000_000
EARLIEST = date(2026, 1, 1)  # as the box's settings have it: the drives are of May 2026
PORT_LOST_NS = 5_000_000_000
SEEDS = 10
FIRST_LEAST, THREE_LEAST = 0.90, 0.99


@dataclass(slots=True)
class Outcome:
    """What was named, the likeliest first: of the whole recording, and live.

    told: each fault as it opened: seconds from the start, kind, whether it only warns.
    """

    name: str
    seed: int
    right: tuple[str, ...]
    recording: list[Json] = field(default_factory=list)
    live: list[Json] = field(default_factory=list)
    told: list[tuple[float, str, bool]] = field(default_factory=list)

    @property
    def found(self) -> list[str]:
        """The kinds of fault, the most frequent first."""
        return [kind for kind, _ in Counter(kind for _, kind, _ in self.told).most_common()]

    def first(self, live: bool) -> str:
        named = self.live if live else self.recording
        return named[0]["id"] if named else "nothing"

    def first_right(self, live: bool) -> bool:
        return self.first(live) in self.right

    def within_three(self, live: bool) -> bool:
        return any(one["id"] in self.right for one in (self.live if live else self.recording))


class Asked:
    """A watch that is asked for causes: live, and as a recording."""

    def __init__(self, watch: Watch) -> None:
        self.watch = watch
        self.inquiries = Inquiry(), Inquiry(lately=False)
        self.told: list[tuple[float, str, bool]] = []

    def look_until(self, until_ns: int) -> None:
        while self.watch.next_look_ns < until_ns:
            self.look(self.watch.next_look_ns)

    def look(self, at_ns: int) -> None:
        seen = self.watch.look(at_ns)
        for inquiry in self.inquiries:
            inquiry.take(seen.checks, seen.opened, at_ns)
        at_s = (at_ns - self.watch.started_ns) / 1e9
        self.told += [(at_s, fault.kind, fault.warning) for fault in seen.opened]

    def causes(self, now_ns: int, *, live: bool) -> list[Json]:
        return causes_of(self.inquiries[0 if live else 1], self.watch, now_ns)


def run_drive(asked: tuple[str, int]) -> Outcome:
    """Some minutes of text: name and seed of a case."""
    return run_case(cases.drive(*asked))


def run_case(case: cases.Case) -> Outcome:
    """Some minutes of text."""
    outcome = Outcome(case.name, case.seed, case.plan.right)
    through = Asked(Watch(case.sheet(), {RECEIVER: case.baud}, ORIGIN_NS, earliest=EARLIEST))
    asked_ns, end_ns = (ORIGIN_NS + round(at_s * 1e9) for at_s in (case.asked_s, cases.SECONDS))
    live: list[Json] | None = None
    for chunk in chunks(case.bursts(), case.baud, origin_ns=ORIGIN_NS, most_bytes=4096, most_s=1.0):
        if chunk.end_ns > end_ns - (PORT_LOST_NS if case.plan.port_lost else 0):
            break
        if live is None and chunk.end_ns >= asked_ns:
            through.look_until(asked_ns)
            live = through.causes(asked_ns, live=True)
        through.look_until(chunk.end_ns)
        through.watch.feed(RECEIVER, chunk)
    if case.plan.port_lost:
        through.watch.port(RECEIVER, "The port is gone: the adapter was pulled out.", end_ns - PORT_LOST_NS)
    through.look_until(end_ns)
    late = live is None or case.plan.port_lost
    outcome.live = through.causes(end_ns, live=True) if late or live is None else live
    outcome.recording = through.causes(end_ns, live=False)
    outcome.told = through.told
    return outcome


def wire_case(name: str, seed: int) -> wire_cases.Case:
    """A wire with this trouble, as the bench of the wire draws it."""
    dice = Random(f"cause of the wire {name} {seed}")
    how = "silent" if name.startswith("silent") else name
    known = wire_cases.NAMES.get(how, how)
    rates, marks = dict(dice.choice((wire_cases.COMMON, wire_cases.SPARSE))), dice.random() < 0.5
    setting = wire_cases.NEEDED
    if how == "baud-wrong":
        setting = Setting(dice.choice((9600, 19_200, 57_600, 115_200)))
    elif how == "format-wrong":
        setting = Setting.parse(38_400, dice.choice(("7E1", "7O1")))
    elif how == "polarity-inverted":
        setting = Setting(dice.choice((9600, 19_200, 38_400, 115_200)))
    return wire_cases.Case(known, 7000 + seed, setting, rates, marks, how)


def run_wire(asked: tuple[str, int]) -> Outcome:
    """Ten seconds of a wire: name and seed of a case."""
    name, seed = asked
    case = wire_case(name, seed)
    outcome = Outcome(f"wire: {name}", seed, cases.WIRES[name])
    line = wire_cases.waveform(case)
    bauds = {RECEIVER: wire_cases.NEEDED.baud}
    talks = {"pins-crossed": wire_cases.bursts(case), "silent, the other line talks": _controller()}.get(name)
    if talks is not None:
        bauds[CONTROLLER] = wire_cases.NEEDED.baud
    through = Asked(Watch(wire_cases.sheet(case), bauds, ORIGIN_NS + line.start_ns))
    watch, uart, listening = through.watch, Uart(wire_cases.NEEDED, case.seed), wire_cases.NEEDED
    other, losses = Uart(wire_cases.NEEDED, case.seed), wire.Losses(case)
    other_line = encode(talks, wire_cases.NEEDED, to_s=wire_cases.SECONDS) if talks is not None else None
    if case.how == "overrun of the port":
        watch.receiver.counted(Counters(0, 0, 0, 0, 0), ORIGIN_NS)
    for from_ns in range(line.start_ns, line.end_ns, wire.STEP_NS):
        to_ns = min(from_ns + wire.STEP_NS, line.end_ns)
        watch.prepare()
        losses.own_up(watch, ORIGIN_NS + from_ns, looking=False)
        while watch.due(ORIGIN_NS + from_ns):
            losses.own_up(watch, watch.next_look_ns, looking=True)
            through.look(watch.next_look_ns)
        if other_line is not None:
            for chunk in _chunks(other.feed(other_line.within(from_ns, to_ns)), wire_cases.NEEDED, marks=False):
                watch.feed(CONTROLLER, chunk)
        for chunk in _chunks(losses.leave(uart.feed(line.within(from_ns, to_ns))), listening, marks=case.marks):
            wanted = watch.feed(RECEIVER, chunk)
            if wanted is not None:
                watch.receiver.tuned(wanted, ORIGIN_NS + to_ns)
                uart, listening = Uart(wanted, case.seed), wanted
                break
    end_ns = ORIGIN_NS + line.end_ns
    losses.own_up(watch, end_ns, looking=True)
    through.look(end_ns)
    outcome.live, outcome.recording = through.causes(end_ns, live=True), through.causes(end_ns, live=False)
    outcome.told = through.told
    return outcome


def _chunks(*given: object, marks: bool) -> Iterable[Chunk]:
    return wire._chunks(*given, marks=marks)  # type: ignore[arg-type]


def _controller() -> Iterable[Burst]:
    """What a controller says of itself now and then."""
    return [Burst(second + 0.4, b"$PCTRL,READY*00\r\n") for second in range(int(wire_cases.SECONDS))]


def run(asked: tuple[str, str, int]) -> Outcome:
    """A case by its kind, name and seed."""
    kind, name, seed = asked
    return (run_drive if kind == "drive" else run_wire)((name, seed))


def row(outcomes: Sequence[Outcome]) -> str:
    """How the seeds of one case went."""
    count = len(outcomes)
    figures = [sum(outcome.first_right(live) for outcome in outcomes) for live in (False, True)]
    figures += [sum(outcome.within_three(live) for outcome in outcomes) for live in (False, True)]
    named = Counter(outcome.first(False) for outcome in outcomes).most_common()
    live = Counter(outcome.first(True) for outcome in outcomes if not outcome.first_right(True)).most_common(2)
    told = ", ".join(f"{cause} {number}" for cause, number in named)
    told += "; live also " + ", ".join(f"{cause} {number}" for cause, number in live) if live else ""
    return f"{outcomes[0].name:31}{count:>4}" + "".join(f"{figure:>6}" for figure in figures) + f"  {told}"


def shares(outcomes: Sequence[Outcome], live: bool) -> tuple[float, float]:
    """First right and within three, as shares."""
    count = max(1, len(outcomes))
    first = sum(outcome.first_right(live) for outcome in outcomes)
    return first / count, sum(outcome.within_three(live) for outcome in outcomes) / count


def good(outcomes: Sequence[Outcome]) -> bool:
    """Whether both aims are kept, of recordings and live."""
    pairs = [shares(outcomes, live) for live in (False, True)]
    return all(first >= FIRST_LEAST and three >= THREE_LEAST for first, three in pairs)


HEAD = (
    f"{'':31}{'':4}{'  right first':>12}{'  within three':>12}\n{'case':31}{'n':>4}" + "  log  live   log  live  first"
)


def main(seeds: range, names: Sequence[str]) -> int:
    """Runs them and prints the table; 0 where the aims are kept."""
    began, all_ = time.perf_counter(), []
    plans = [(kind, name) for kind, table in (("wire", cases.WIRES), ("drive", cases.DRIVES)) for name in table]
    plans = [(kind, name) for kind, name in plans if not names or name in names]
    print(HEAD)
    with Pool(os.cpu_count()) as pool:
        coming = pool.imap(run, [(kind, name, seed) for kind, name in plans for seed in seeds])
        for _ in plans:
            these = [next(coming) for _ in seeds]
            print(row(these), flush=True)
            for one in [one for one in these if not (one.within_three(False) and one.within_three(True))][:2]:
                print(f"    seed {one.seed}: found {one.found}; {[cause['id'] for cause in one.recording]}; "
                      f"live {[cause['id'] for cause in one.live]}")  # fmt: skip
            all_ += these
    for live in (False, True):
        first, three = shares(all_, live)
        print(
            f"{'live' if live else 'recordings':12}{len(all_)} cases: right first {first:.1%}, within three {three:.1%}"
        )
    print(f"in {time.perf_counter() - began:.0f} s")
    return 0 if good(all_) else 1


if __name__ == "__main__":
    asked = argparse.ArgumentParser(description="How often the right cause stands first, and within the first three.")
    asked.add_argument("seeds", nargs="?", type=int, default=SEEDS)
    asked.add_argument("cases", nargs="*")
    asked.add_argument("--from", type=int, default=0, dest="first_seed")
    given = asked.parse_args()
    sys.exit(main(range(given.first_seed, given.first_seed + given.seeds), given.cases))
