"""What befalls a machine, by name: several faults that come together of one cause."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from .faults import FAULTS, Spell

COLD_S = 15.0  # from a receiver's start to its fix; common practice, no source
HELD_S = 30.0  # for so long a receiver holds its fix on old corrections; some do for more


@dataclass(slots=True, frozen=True)
class Part:
    """One fault of a trouble. begins: "start" or "end" of the spell, and so many s later; lasts_s None: to its end."""

    fault: str
    intensity: float | None = None
    begins: str = "start"
    later_s: float = 0.0
    lasts_s: float | None = None


@dataclass(slots=True, frozen=True)
class Trouble:
    """says: what happens, in words."""

    says: str
    parts: tuple[Part, ...]


TROUBLES: dict[str, Trouble] = {
    "trees": Trouble(
        "under trees: few satellites, badly placed, and a plain fix",
        (Part("satellites", 4), Part("hdop", 6), Part("quality", 1)),
    ),
    "power-dip": Trouble(
        "the supply fails, and then the receiver starts cold",
        (Part("silence"), Part("no-fix", begins="end", lasts_s=COLD_S)),
    ),
    "radio-lost": Trouble(
        "no corrections: their age grows, then the fix falls",
        (Part("age-grows"), Part("quality", 5, later_s=HELD_S)),
    ),
    "base-shifted": Trouble("another base, another place", (Part("base-moved"), Part("jump", 10))),
}


def names() -> tuple[str, ...]:
    """Of all troubles and faults."""
    return (*TROUBLES, *FAULTS)


def expanded(spell: Spell, trouble: str) -> Iterator[Spell]:
    """The faults of a trouble that lasts as long as this spell, whose own fault is not looked at."""
    for part in TROUBLES[trouble].parts:
        start_s = (spell.start_s if part.begins == "start" else spell.end_s) + part.later_s
        end_s = spell.end_s if part.lasts_s is None else start_s + part.lasts_s
        if start_s < end_s:
            yield replace(spell, fault=part.fault, start_s=start_s, end_s=end_s, intensity=part.intensity, what="")
