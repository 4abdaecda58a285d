"""Faults that come and go: spells at chance over a time, or only where the machine is in some place or state.

Places are those of the plan `day` (see plans.py) and are there on others as far as their way goes there. Some of the
spells come anyhow, as in life: what is found must be found against them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from .drive import Drive
from .faults import Spell
from .plans import SHED_WAY_M

LOOK_S = 1.0
TRIES_MOST = 200

TREE_LINE_M = (200.0, 240.0)  # a row of trees across the passes, this far ahead of the start
HOLLOW = (66.0, 100.0, 45.0)  # right, ahead, radius, in m
SHED_M = 40.0
FAST_MPS = 4.5


@dataclass(slots=True, frozen=True)
class Where:
    """says: for people. holds: whether the machine is in that place or state at a time."""

    says: str
    holds: Callable[[Drive, float], bool]


def _tree_line(drive: Drive, t_s: float) -> bool:
    right_m, ahead_m, _ = drive.spot(t_s)
    return -30 <= right_m <= 200 and TREE_LINE_M[0] <= ahead_m <= TREE_LINE_M[1]


def _hollow(drive: Drive, t_s: float) -> bool:
    right_m, ahead_m, _ = drive.spot(t_s)
    return (right_m - HOLLOW[0]) ** 2 + (ahead_m - HOLLOW[1]) ** 2 <= HOLLOW[2] ** 2


def _shed(drive: Drive, t_s: float) -> bool:
    right_m, ahead_m, _ = drive.spot(t_s)
    return right_m**2 + (ahead_m + SHED_WAY_M) ** 2 <= SHED_M**2


WHERE: dict[str, Where] = {
    "anywhere": Where("at any time", lambda _drive, _t_s: True),
    "moving": Where("while the machine moves", lambda drive, t_s: drive.at(t_s).speed_mps >= 0.3),
    "standing": Where("while it stands", lambda drive, t_s: drive.at(t_s).speed_mps < 0.3),
    "fast": Where(f"above {FAST_MPS * 3.6:.0f} km/h", lambda drive, t_s: drive.at(t_s).speed_mps >= FAST_MPS),
    "turning": Where("in the turns", Drive.turning),
    "tree-line": Where("beside a row of trees that crosses the passes", _tree_line),
    "hollow": Where("in a hollow of the field", _hollow),
    "shed": Where("at the shed", _shed),
}


class NowhereError(ValueError):
    """The machine is never, or too rarely, where the fault should come."""


def spells(
    fault: str, drive: Drive, *, from_s: float, to_s: float, times: int, lasts_s: tuple[float, float], seed: int,
    where: str = "anywhere", anyhow: float = 0.0, apart_s: float = 10.0, intensity: float | None = None, what: str = "",
) -> list[Spell]:  # fmt: skip
    """So many spells of this fault between two times, in order.

    lasts_s: least and most of each. where: a name of WHERE, in which each begins; anyhow: the share of them that begins
    at any time all the same. apart_s: between one and the next, at least. NowhereError where they have no room.
    """
    dice = Random(f"intermittent {fault} {where} {seed}")
    holds = WHERE[where].holds
    seconds = [from_s + n * LOOK_S for n in range(int((to_s - from_s) / LOOK_S))]
    there = [t_s for t_s in seconds if holds(drive, t_s)]
    if not there:
        raise NowhereError(f"from {from_s:g} to {to_s:g} s the machine is never there: {WHERE[where].says}")
    found: list[Spell] = []
    for _ in range(TRIES_MOST * times):
        begins_s = dice.choice(seconds if dice.random() < anyhow else there) + dice.random() * LOOK_S
        ends_s = min(to_s, begins_s + dice.uniform(*lasts_s))
        free = all(begins_s >= one.end_s + apart_s or ends_s + apart_s <= one.start_s for one in found)
        if free and begins_s < ends_s:
            found.append(Spell(fault, begins_s, ends_s, intensity, what))
        if len(found) == times:
            return sorted(found, key=lambda one: one.start_s)
    raise NowhereError(f"{times} spells of {fault}, {apart_s:g} s apart, have no room {WHERE[where].says}")
