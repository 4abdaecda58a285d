"""What the bench of the whole chain puts to it: each fault alone, in short spells, and two at a time.

A fault alone is a case of the bench of causes. In spells the same strikes some times for some seconds. A pair is two
of them at once, each with its own spans, drawn from all that need no other receiver and no other sheet.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import TYPE_CHECKING

from appliance.simulate.faults import FAULTS, Spell

if TYPE_CHECKING:
    from tests.bench import causes_cases as cases
    from tests.bench import truth_drives
else:  # as a script it finds its neighbours only
    import causes_cases as cases

PAIRS = 60

_GARBLED = ("noise", "checksum-bad", "sentence-damaged", "contact-loss", "gap", "rate-low", "message-missing")
_SKY = ("satellites-few", "satellites-falling", "hdop-high", "hdop-rising", "no-fix", "quality-not-accepted")
_CLOCK = ("clock-stopped", "clock-back", "clock-jump", "clock-late")
_FULL = ("load-high", "late", "rate-low", "gap", "sentence-damaged")
_COURSE = ("course-disagrees", "rmc-vtg-disagree")

TELLS: dict[str, tuple[str, ...]] = {
    "message-off": ("message-missing", "gap"), "message-off always": ("message-missing",),
    "slow": ("rate-low",), "slow always": ("rate-low",), "too fast": ("rate-high",),
    "no-checksum": ("checksum-missing",), "decimals": ("decimals-few", "decimals-changed"),
    "long": ("sentence-long",), "over 82": ("sentence-long",), "decimals-padded": ("decimals-padded",),
    "talker": ("talker-changed",), "talker refused": ("talker-not-accepted",),
    "talker refused after a change": ("talker-not-accepted", "talker-changed"),
    "RTK refused": ("quality-not-accepted",), "quality 9 refused": ("quality-not-accepted",),
    "RTK comes and is refused": ("quality-not-accepted",), "quality": ("quality-not-accepted",),
    "quality in spells": ("quality-not-accepted",), "age-grows": ("age-high", "corrections-aging"),
    "base-moved": ("base-moved",), "base moved with its position": ("base-moved", "position-jump"),
    "no-fix": ("no-fix",), "no-fix from the start": ("no-fix",), "satellites": _SKY, "hdop": _SKY, "trees": _SKY,
    "satellites-fall": _SKY, "hdop-rises": _SKY, "scatter": ("scatter-high",), "jump": ("position-jump",),
    "height-jump": ("height-jump",), "simulated": ("simulated",), "manual": ("manual",), "frozen": ("position-frozen",),
    "speed-zero": ("position-frozen", "speed-disagrees"), "speed-scaled": ("speed-disagrees",),
    "speed-negative": ("speed-negative",), "speed-impossible": ("speed-impossible",), "course-reversed": _COURSE,
    "course-offset": _COURSE, "gga-rmc": ("gga-rmc-disagree",), "rmc-vtg": ("rmc-vtg-disagree",),
    "rmc-vtg-course": _COURSE, "status-contradicts": ("status-contradicts",), "geoid-missing": ("geoid-missing",),
    "geoid-changed": ("geoid-changed",), "position-null": ("position-null", "no-fix"),
    "hemisphere": ("hemisphere-flips",), "dates-disagree": ("date-disagrees",), "date-missing": ("date-missing",),
    "zone-strange": ("zone-strange",), "date-rolled-over": ("date-rolled-over",),
    "date-rolled-over always": ("date-rolled-over",), "clock-stopped": _CLOCK, "clock-back": _CLOCK,
    "clock-jump": _CLOCK, "leap-seconds": _CLOCK, "late": ("late",), "jitter": ("late", "gap"), "cut": _GARBLED,
    "line over 100 %": _FULL, "line at its limit": _FULL, "noise": _GARBLED, "noise in spells": _GARBLED,
    "noise all along": _GARBLED, "flipped": _GARBLED, "lost": _GARBLED,
    "binary": ("binary", "noise", "sentence-damaged"),
    "silence": ("silent",), "silence to the end": ("silent",), "power dips": ("silent",), "port lost": ("port-lost",),
}  # fmt: skip
"""The kinds of fault of which any tells that a case was found."""

WIRE_TELLS: dict[str, tuple[str, ...]] = {
    "baud-wrong": ("baud-wrong",), "format-wrong": ("format-wrong",), "polarity-inverted": ("polarity-inverted",),
    "binary": ("binary",), "two-talkers": ("two-talkers",), "contact-loss": ("contact-loss",), "noise": _GARBLED,
    "bursts of noise": _GARBLED, "line-held-low": ("line-held-low",), "silent": ("silent",),
    "silent, the other line talks": ("silent",), "pins-crossed": ("pins-crossed",),
    "overrun of the port": ("tap-overrun",), "overrun of the queue": ("tap-overrun",),
}  # fmt: skip

HEALTHY = "healthy"
_SLOW = ("age-grows", "satellites-fall", "hdop-rises", "scatter", "leap-seconds", "base-moved", "speed-zero", "late")
_KEEPS = ("jitter",)  # what is told of them needs more than some seconds


def _simple(plan: cases.Plan) -> bool:
    """Whether nothing but spells makes the case."""
    return not (plan.asks or plan.settings or plan.overflows or plan.port_lost or plan.baud != 38_400)


IN_SPELLS = tuple(
    name
    for name, plan in cases.DRIVES.items()
    if _simple(plan) and not plan.fault and name in FAULTS and name not in (*_SLOW, *_KEEPS, "silence")
)
PAIRED = (*IN_SPELLS, "silence", "age-grows", "base-moved", "late")


HEALTHY_HZ = {1.0: 17, 5.0: 2, 10.0: 1}
"""Rates of the healthy half hours, by how many of twenty. An hour at 10 Hz takes four times the computing of one at
1 Hz, and what is thought wrong of a healthy receiver comes by the hour more than by the sentence. Our choice."""


def at_mixed_rates(healthy: truth_drives.Case) -> truth_drives.Case:
    """The same half hour at a rate drawn by HEALTHY_HZ; RMC keeps at one a second where it did."""
    hz = Random(f"rate {healthy.seed}").choices([*HEALTHY_HZ], [*HEALTHY_HZ.values()])[0]
    rates_hz = dict(healthy.settings.rates_hz)
    full = rates_hz["RMC"] == rates_hz["GGA"]
    rates_hz |= {"GGA": hz, "VTG": hz, "RMC": hz if full else 1.0}
    return replace(healthy, settings=replace(healthy.settings, rates_hz=rates_hz))


def in_spells(name: str, seed: int) -> cases.Case:
    """A fault that comes and goes: three to five times, for some seconds each."""
    case = cases.drive(name, seed)
    dice = Random(f"in spells {name} {seed}")
    number = dice.randint(3, 5)
    step_s = 110 / number
    spells = []
    for turn in range(number):
        start_s = 25 + turn * step_s + dice.uniform(0, step_s / 4)
        spells.append(replace(case.spells[0], start_s=start_s, end_s=start_s + dice.uniform(8, 18)))
    return replace(case, spells=tuple(spells), asked_s=spells[-1].end_s - 0.5)


def pair(number: int, seed: int) -> tuple[cases.Case, tuple[str, str]]:
    """Two faults at once: the same two for each number, with other spans for each seed."""
    first, second = Random(f"pair {number}").sample(PAIRED, 2)
    one, other = cases.drive(first, seed), cases.drive(second, seed + 5000)
    both: list[Spell] = [*one.spells, *other.spells]
    plans = tuple(name for name in one.plan.plans if name in other.plan.plans)
    plan = cases.Plan((*one.plan.right, *other.plan.right), plans=plans)
    ends_s = min(max(spell.end_s for spell in case.spells) for case in (one, other))
    return cases.Case(f"{first} + {second}", seed, plan, tuple(both), ends_s - 0.5), (first, second)
