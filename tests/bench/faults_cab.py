"""Whole days in the cab, from the bytes on: a trouble that comes at some place or in some state of the machine.

What is told of each day is what the faults that the watch found are said to go with.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING

from appliance.judge import needs as needs_of
from appliance.judge.circumstances import Gathered
from appliance.judge.faults import Fault
from appliance.judge.goes_with import goes_with
from appliance.simulate.drive import Drive
from appliance.simulate.faults import apply
from appliance.simulate.intermittent import spells
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.wire import chunks
from appliance.watch import RECEIVER, Watch

if TYPE_CHECKING:
    from tests.bench import causes
    from tests.bench.kept import Row
else:  # as a script it finds its neighbours only
    import causes
    from kept import Row

HOURS = 3.0
TIMES = 16
ANYHOW = 0.1
AFTER_S = 15.0
PLACES = ("place",)


@dataclass(slots=True, frozen=True)
class Plan:
    """fault: of the simulator. where: of intermittent.WHERE. right: circumstances of which one should be told."""

    fault: str
    where: str
    right: tuple[str, ...]
    intensity: float | None = None


PLANS: Mapping[str, Plan] = {
    "cable let go in the hollow": Plan("silence", "hollow", PLACES),
    "cable let go at the shed": Plan("silence", "shed", (*PLACES, "moving", "speed", "course")),
    "cable let go when fast": Plan("silence", "fast", ("speed", *PLACES)),
    "cable let go in turns": Plan(
        "silence", "turning", ("turning", "speed")
    ),  # all turns are slow, and nothing else is
    "noise beside the tree line": Plan("noise", "tree-line", PLACES, 0.01),
    "few satellites at the tree line": Plan("satellites", "tree-line", PLACES, 3),
    "cable let go at any time": Plan("silence", "anywhere", ()),
}


def run(name: str, seed: int) -> Row:
    """One day: how many spells there were, how many were heard, what the faults go with, and false faults."""
    plan, seconds = PLANS[name], HOURS * 3600
    dice = Random(f"cab {name} {seed}")
    drive = Drive(seed, plan="day", parked_s=dice.uniform(20, 120))
    struck = spells(
        plan.fault, drive, from_s=60.0, to_s=seconds - 60, times=TIMES, lasts_s=(3.0, 8.0), seed=seed,
        where=plan.where, anyhow=0.0 if plan.where == "anywhere" else ANYHOW, apart_s=70.0, intensity=plan.intensity,
    )  # fmt: skip
    settings = ReceiverSettings(restless=dice.random() < 0.5, clock_ppm=dice.uniform(-40, 40))
    bursts = apply(Receiver(settings, drive, seed).epochs(0.0, seconds), struck, seed)
    needs, origin_ns = needs_of.load("rate-section"), causes.ORIGIN_NS
    watch = Watch(needs, {RECEIVER: needs.baud}, origin_ns, earliest=causes.EARLIEST)
    gathered, faults = Gathered(origin_ns, None, arrival_measured=True), list[Fault]()

    def look_until(until_ns: int) -> None:
        while watch.next_look_ns < until_ns:
            at_ns = watch.next_look_ns
            faults.extend(watch.look(at_ns).opened)
            gathered.look(watch.receiver, at_ns)

    for chunk in chunks(bursts, needs.baud, origin_ns=origin_ns, most_bytes=4096, most_s=1.0):
        look_until(chunk.end_ns)
        watch.feed(RECEIVER, chunk)
    look_until(origin_ns + round(seconds * 1e9))
    at_s = [((fault.start_ns - origin_ns) / 1e9, fault) for fault in faults]

    def of(t_s: float) -> bool:
        return any(one.start_s - 1 <= t_s <= one.end_s + AFTER_S for one in struck)

    return {
        "spells": len(struck),
        "heard": sum(any(one.start_s - 1 <= t_s <= one.end_s + AFTER_S for t_s, _ in at_s) for one in struck),
        "right": list(plan.right),
        "told": sorted({one["circumstance"] for one in goes_with(gathered.seconds, gathered.onsets(faults))}),
        "false": [fault.kind for t_s, fault in at_s if not fault.warning and not of(t_s)],
    }
