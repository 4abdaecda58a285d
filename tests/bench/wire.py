"""How often the box names right what is wrong with a wire: a confusion table over seeded lines.

    python tests/bench/wire.py [lines]
    python tests/bench/wire.py --healthy [lines]

Each line is ten seconds of traffic, drawn bit by bit, spoiled, and heard by a simulated UART at the setting that the
hunt asks for, through the same watch that judges a live line. Half of the lines carry the common set of messages, half
are sparse (1 Hz); half of the listeners have a kernel that marks flawed bytes, half do not; half of the healthy lines
are joined in mid-stream. The last word counts for faults; for those that come and go what was said most, and for bytes
that the box itself lost any other name of a trouble of the wire, said at any time, is wrong. For settings it is what
is believed five seconds after the first byte.

Formats that a listener without marks cannot tell apart count as one: parity that is never looked at. A go can be
reached as soon as the clean run asked for has passed: one look later it is late.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING

from appliance.judge.judge import ABOUT_THE_WIRE
from appliance.judge.wire_heard import SURE
from appliance.sentence.chunk import Chunk
from appliance.sentence.counters import Counters
from appliance.sentence.setting import Setting
from appliance.simulate.uart import Received, Uart
from appliance.simulate.wave import encode
from appliance.watch import CONTROLLER, LOOK_NS, RECEIVER, Watch

if TYPE_CHECKING:
    from tests.bench import wire_cases as lines_of
    from tests.bench.wire_cases import NEEDED, SECONDS, Case
else:  # as a script it finds its neighbour only
    import wire_cases as lines_of
    from wire_cases import NEEDED, SECONDS, Case

STEP_NS = 20_000_000
COUNTED_NS = 100_000_000
ORIGIN_NS = 1_000_000_000_000
WIRE = ABOUT_THE_WIRE - {"port-lost"}
COME_AND_GO = ("noise", "contact-loss", "two-talkers", "tap-overrun", "")


@dataclass(slots=True)
class Outcome:
    """What was said, the weightiest first. setting: as believed 5 s after the first byte. go_s: when it first went go,
    None if it never did; tuned: how often the listener was. Times from when one began to listen."""

    said: list[str]
    setting: Setting | None
    first_no_go_s: float | None
    go_s: float | None
    tuned: int


class Losses:
    """Bytes that the box itself loses, and when it owns up to it: the port's count is looked at ten times a second, the
    queue's at each look."""

    def __init__(self, case: Case) -> None:
        self._case = case
        dice = Random(f"lost {case.seed}")
        self._in_port = case.how == "overrun of the port"
        longest_s = 0.01 if self._in_port else 0.3
        begins = (
            [dice.choice(lines_of.busy(case)) for _ in range(dice.randint(2, 8))] if case.name == "tap-overrun" else []
        )
        self._spells = [(begin, begin + dice.uniform(0.0005, longest_s)) for begin in begins]
        self._lost_in: set[int] = set()
        self._told = 0

    def leave(self, received: list[Received]) -> list[Received]:
        """What gets through."""
        kept = []
        for one in received:
            spell = next((n for n, (begin, end) in enumerate(self._spells) if begin <= one.end_s < end), None)
            if spell is None:
                kept.append(one)
            else:
                self._lost_in.add(spell)
        return kept

    def own_up(self, watch: Watch, at_ns: int, looking: bool) -> None:
        """Tells the watch what it is told of that, if it is time to."""
        times = len(self._lost_in)
        if times == self._told:
            return
        if self._in_port and at_ns % COUNTED_NS == 0:
            watch.receiver.counted(Counters(0, 0, 0, times, 0), at_ns)
        elif not self._in_port and looking:
            watch.receiver.lost(times - self._told, at_ns)
        else:
            return
        self._told = times


def run(case: Case) -> Outcome:
    """One line through UART, hunt and judge."""
    line = lines_of.waveform(case)
    watch = Watch(lines_of.sheet(case), {RECEIVER: NEEDED.baud, CONTROLLER: NEEDED.baud}, ORIGIN_NS + line.start_ns)
    uart, listening, tuned = Uart(NEEDED, case.seed), NEEDED, 0
    other = Uart(NEEDED, case.seed) if case.name == "pins-crossed" else None
    other_line = encode(lines_of.bursts(case), NEEDED, to_s=SECONDS) if other else None
    losses, named = Losses(case), Counter[str]()
    if case.how == "overrun of the port":
        watch.receiver.counted(Counters(0, 0, 0, 0, 0), ORIGIN_NS)
    setting, first_byte_s, first_no_go_s, go_s = None, None, None, None
    for from_ns in range(line.start_ns, line.end_ns, STEP_NS):
        to_ns = min(from_ns + STEP_NS, line.end_ns)
        watch.prepare()
        losses.own_up(watch, ORIGIN_NS + from_ns, looking=False)
        while watch.due(ORIGIN_NS + from_ns):
            losses.own_up(watch, watch.next_look_ns, looking=True)
            failing = [check.id for check in watch.look(watch.next_look_ns).checks if check.state == "fail"]
            named.update(failing)
            now_s = (from_ns - line.start_ns) / 1e9
            first_no_go_s = now_s if failing and first_no_go_s is None else first_no_go_s
            go_s = now_s if watch.verdict.state == "go" and go_s is None else go_s
        if other and other_line:
            for chunk in _chunks(other.feed(other_line.within(from_ns, to_ns)), NEEDED, marks=False):
                watch.feed(CONTROLLER, chunk)
        for chunk in _chunks(losses.leave(uart.feed(line.within(from_ns, to_ns))), listening, marks=case.marks):
            first_byte_s = from_ns / 1e9 if first_byte_s is None else first_byte_s
            wanted = watch.feed(RECEIVER, chunk)
            if wanted is not None:
                watch.receiver.tuned(wanted, ORIGIN_NS + to_ns)
                uart, listening, tuned = Uart(wanted, case.seed), wanted, tuned + 1
                break
        if first_byte_s is not None and setting is None and to_ns / 1e9 >= min(first_byte_s + 5, SECONDS - 0.1):
            belief = watch.receiver.hunt.belief
            setting = belief.candidate.setting if belief and (belief.locked or belief.confidence >= SURE) else None
    losses.own_up(watch, ORIGIN_NS + line.end_ns, looking=True)
    said = [check.id for check in watch.look(ORIGIN_NS + line.end_ns).checks if check.state == "fail"]
    if case.name in COME_AND_GO:
        said += [id_ for id_, _ in named.most_common() if id_ not in said]
    return Outcome(said, setting, first_no_go_s, go_s, tuned)


def _chunks(received: list[Received], setting: Setting, *, marks: bool) -> Iterator[Chunk]:
    """Bytes back to back as one chunk each, with their true times."""
    step_ns = round(setting.character_s * 1e9)
    begin = 0
    for place in range(1, len(received) + 1):
        if place == len(received) or (received[place].end_s - received[place - 1].end_s) * 1e9 > 1.5 * step_ns:
            run_ = received[begin:place]
            flawed = tuple(n for n, one in enumerate(run_) if one.framing or one.parity) if marks else None
            start_ns = ORIGIN_NS + round(run_[0].end_s * 1e9)
            yield Chunk(bytes(one.byte for one in run_), start_ns, step_ns, flawed)
            begin = place


def alike(found: Setting | None, true: Setting, marks: bool) -> bool:
    """Whether the setting told is right, as far as the listener can tell."""
    if found == true:
        return True
    return found is not None and not marks and found.baud == true.baud and found.bits == true.bits


def told(case: Case, outcome: Outcome) -> str:
    """The name given to a line: the weightiest of those of the wire, or else of the text; "nothing" for a go."""
    wire = [id_ for id_ in outcome.said if id_ in WIRE]
    if case.name in ("baud-wrong", "format-wrong") and case.name in wire:
        return case.name
    if case.name == "tap-overrun" and "tap-overrun" in wire:
        return next((id_ for id_ in wire if id_ != "tap-overrun"), "tap-overrun")
    return (wire or outcome.said or ["nothing"])[0]


def late(outcome: Outcome) -> bool:
    """Whether a healthy line went go later than it could have, or not at all."""
    return outcome.go_s is None or outcome.go_s > lines_of.CLEAN_RUN_S + (LOOK_NS + STEP_NS) / 1e9


class Table:
    """Adds up outcomes, and tells of each that is not as it should be."""

    def __init__(self) -> None:
        self._cells: Counter[tuple[str, str]] = Counter()
        self._of: Counter[str] = Counter()
        self._right: Counter[str] = Counter()

    def add(self, case: Case, outcome: Outcome) -> None:
        """One line."""
        name, kind = told(case, outcome), "faults"
        if case.name in ("baud-wrong", "format-wrong"):
            kind, right = "settings", alike(outcome.setting, case.setting, case.marks)
        elif case.name:
            right = name == case.name
        else:
            kind, right = "healthy", not outcome.said and not outcome.tuned and not late(outcome)
            for flaw, there in (("faulty", outcome.said), ("tuned", outcome.tuned), ("late", late(outcome))):
                self._of[flaw] += bool(there)
        invisible = case.name == "format-wrong" and not case.marks and case.setting.bits == 8
        plain = "healthy, joined in mid-stream" if case.joined_s else "healthy"
        self._cells["unseen parity" if invisible else case.how.removeprefix("any") or case.name or plain, name] += 1
        self._of[kind] += 1
        self._right[kind] += right
        if not right:
            print(f"  {case}: said {outcome.said}, believed {outcome.setting}, tuned {outcome.tuned} times, "
                  f"go after {outcome.go_s} s")  # fmt: skip

    def show(self) -> bool:
        """Prints it; whether it keeps to its aim."""
        of, right = self._of, self._right
        print(f"\n{'the line is':32}{'the box says':22}{'lines':>6}")
        for (true, name), number in sorted(self._cells.items()):
            print(f"{true:32}{name:22}{number:>6}")
        print(f"\nsettings told right within 5 s: {right['settings']} of {of['settings']}")
        print(f"faults named right: {right['faults']} of {of['faults']}")
        print(f"healthy lines called faulty: {of['faulty']} of {of['healthy']}; tuned by the hunt: {of['tuned']}; "
              f"go later than could be: {of['late']}")  # fmt: skip
        enough = right["settings"] >= 0.99 * of["settings"] and right["faults"] >= 0.97 * of["faults"]
        return enough and right["healthy"] == of["healthy"]


def main(lines: Iterable[Case]) -> int:
    """Runs them, and shows the table."""
    started, table, number = time.perf_counter(), Table(), 0
    for number, case in enumerate(lines, 1):  # noqa: B007  (the last one is wanted)
        table.add(case, run(case))
    good = table.show()
    print(f"{number} lines of {SECONDS:.0f} s in {time.perf_counter() - started:.0f} s")
    return 0 if good else 1


if __name__ == "__main__":
    asked = argparse.ArgumentParser(description="A confusion table of what the box says of seeded lines.")
    asked.add_argument("lines", nargs="?", type=int, default=1000)
    asked.add_argument("--healthy", action="store_true", help="healthy lines only, of every kind")
    given = asked.parse_args()
    sys.exit(main((lines_of.healthy_cases if given.healthy else lines_of.cases)(given.lines)))
