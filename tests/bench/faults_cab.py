"""Whole days in the cab, from the bytes on: a trouble that comes at some place or in some state of the machine.

What is told of each day is what the faults that the watch found are said to go with.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from random import Random
from typing import TYPE_CHECKING

from appliance.history.rows import BoxRow
from appliance.judge import needs as needs_of
from appliance.judge.circumstances import Boxes, Second, Seconds
from appliance.judge.faults import Fault
from appliance.judge.gathered import Gathered
from appliance.judge.goes_with import goes_with
from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell, apply
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
ALSO_NO_FIX_S = (8.0, 20.0)
WARM_SHARE, LOW_S, LOW_TIMES = 0.25, (20.0, 120.0), 20


@dataclass(slots=True, frozen=True)
class Plan:
    """fault: of the simulator. where: of intermittent.WHERE or BOX. right: circumstances of which one should be told.

    restarts: no fix for a while after each.
    """

    fault: str
    where: str
    right: tuple[str, ...]
    intensity: float | None = None
    restarts: bool = False


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
    "plug that opens with warmth": Plan("silence", "warm", ("temperature",)),
    "receiver starts anew when the supply dips": Plan("silence", "supply", ("supply",), restarts=True),
}


def box_states(seed: int, seconds: float) -> list[BoxRow]:
    """A box that the sun warms and a fan cools, by turns, with a supply that dips now and then; rows as history's."""
    dice = Random(f"box {seed}")
    turns_s = [dice.uniform(*span_s) for span_s in ((1200, 2400), (300, 700))]
    begins = [dice.uniform(0, 2 * math.pi) for _ in turns_s]
    low = sorted((at_s := dice.uniform(60, seconds), at_s + dice.uniform(*LOW_S)) for _ in range(LOW_TIMES))
    rows: list[BoxRow] = []
    for at_s in range(0, int(seconds), 2):
        waves = [math.sin(2 * math.pi * at_s / turn_s + begin) for turn_s, begin in zip(turns_s, begins, strict=True)]
        warmth_c = 40 + 6 * waves[0] + 2 * waves[1]
        dips = any(begins_s <= at_s < ends_s for begins_s, ends_s in low)
        if (
            not rows
            or dips != rows[-1].supply_low
            or (at_s % 60 == 0 and abs(warmth_c - (rows[-1].temperature_c or 0)) >= 1)
        ):
            rows.append(BoxRow(causes.ORIGIN_NS + at_s * 10**9, round(warmth_c), dips))
    return rows


def _warm(seconds: Sequence[Second]) -> list[float]:
    limit_c = sorted(one.temperature_c or 0.0 for one in seconds)[int((1 - WARM_SHARE) * len(seconds))]
    return [one.at_s for one in seconds if (one.temperature_c or 0.0) >= limit_c]


BOX: Mapping[str, Callable[[Sequence[Second]], list[float]]] = {
    "warm": _warm,
    "supply": lambda seconds: [one.at_s for one in seconds if one.supply_low],
}
"""When the box is in this state: the seconds in which a spell may begin."""


def _by_box(plan: Plan, boxes: Sequence[BoxRow], seconds: float, dice: Random) -> list[Spell]:
    """Spells in a state of the box, and some at any time."""
    states = Boxes(boxes)
    all_ = [Second(float(at_s)) for at_s in range(60, int(seconds) - 60)]
    all_ = [with_box(one, states, causes.ORIGIN_NS) for one in all_]
    there, found = BOX[plan.where](all_), list[Spell]()
    for _ in range(200 * TIMES):
        anyhow = dice.random() < ANYHOW
        at_s = (dice.choice(all_).at_s if anyhow else dice.choice(there)) + 1 + dice.random()
        if len(found) < TIMES and all(abs(at_s - one.start_s) > 80 for one in found):
            found.append(Spell(plan.fault, at_s, at_s + dice.uniform(3, 8), plan.intensity))
    return sorted(found, key=lambda one: one.start_s)


def objects(seconds: Seconds) -> Iterator[Second]:
    """One by one, as they were told."""
    names = [one.name for one in fields(Second)]
    for row in zip(*map(seconds.told, names), strict=True):
        yield Second(**dict(zip(names, row, strict=True)))


def with_box(second: Second, boxes: Boxes, started_ns: int) -> Second:
    """The second with what the box told in it."""
    warmth_c, low = boxes.at(started_ns + round(second.at_s * 1e9))
    return replace(second, temperature_c=warmth_c, supply_low=low)


def run(name: str, seed: int) -> Row:
    """One day: how many spells there were, how many were heard, what the faults go with, and false faults."""
    plan, seconds = PLANS[name], HOURS * 3600
    dice = Random(f"cab {name} {seed}")
    drive = Drive(seed, plan="day", parked_s=dice.uniform(20, 120))
    boxes = box_states(seed, seconds)
    struck = _by_box(plan, boxes, seconds, dice) if plan.where in BOX else spells(
        plan.fault, drive, from_s=60.0, to_s=seconds - 60, times=TIMES, lasts_s=(3.0, 8.0), seed=seed,
        where=plan.where, anyhow=0.0 if plan.where == "anywhere" else ANYHOW, apart_s=70.0, intensity=plan.intensity,
    )  # fmt: skip
    after = [Spell("no-fix", one.end_s, one.end_s + dice.uniform(*ALSO_NO_FIX_S)) for one in struck if plan.restarts]
    settings = ReceiverSettings(restless=dice.random() < 0.5, clock_ppm=dice.uniform(-40, 40))
    bursts = apply(Receiver(settings, drive, seed).epochs(0.0, seconds), [*struck, *after], seed)
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
        return any(one.start_s - 1 <= t_s <= one.end_s + AFTER_S for one in (*struck, *after))

    told = [with_box(one, Boxes(boxes), origin_ns) for one in objects(gathered.seconds)]
    return {
        "spells": len(struck),
        "heard": sum(any(one.start_s - 1 <= t_s <= one.end_s + AFTER_S for t_s, _ in at_s) for one in struck),
        "right": list(plan.right),
        "told": sorted({one["circumstance"] for one in goes_with(told, gathered.onsets(faults))}),
        "false": [fault.kind for t_s, fault in at_s if not fault.warning and not of(t_s)],
    }
