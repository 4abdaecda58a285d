"""Plans of a drive, by name: each lays out one closed round of a way, and draws what it leaves open from dice."""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random

from .way import Way

PASSES = 12
WIDTH_M = 12.0  # from one pass to the next
TURN_MPS = 2.0
PASS_MPS = (2.4, 4.0)
STOP_S = 25.0  # a stop in the middle of a pass, as for a filling

BACK_MPS = 1.2
BACK_RADIUS_M = (8.0, 11.0)  # of the arcs before and after backing up
CHANGE_S = 1.5  # at a standstill, from forward to reverse

PARKED_S = (90.0, 240.0)

DAY_BLOCKS = 12  # times over the field, with a way to the shed after each: about eight hours
SHED_S = (120.0, 900.0)  # at the shed, as for a filling
SHED_WAY_M = 400.0  # from the corner of the field to the shed, along the passes and away from the field
DAY_LENGTH_M = 300.0  # of its passes

ROAD_MPS = (8.0, 14.0)
ROAD_GAIN_MPS2 = 1.0
CORNER_M, CORNER_MPS = 15.0, 4.0
BEND_M = (80.0, 200.0)
BEND_RAD = (0.2, 0.6)
ROAD_STOP_S = (4.0, 40.0)


def _field(way: Way, dice: Random, parked_s: float) -> None:
    """Passes with half circles between them."""

    def turn(right: int) -> None:
        way.leg(math.pi * WIDTH_M / 2, right * 2 / WIDTH_M, TURN_MPS, TURN_MPS, TURN_MPS)

    _passes(way, dice, parked_s, turn)


def _reverse(way: Way, dice: Random, parked_s: float) -> None:
    """Passes with fishtail turns between them: a quarter circle, back for some metres, and another quarter circle."""

    def turn(right: int) -> None:
        radius_m = dice.uniform(*BACK_RADIUS_M)
        way.leg(math.pi * radius_m / 2, right / radius_m, TURN_MPS, TURN_MPS, 0)
        way.stand(CHANGE_S)
        way.leg(2 * radius_m - WIDTH_M, 0, 0, BACK_MPS, 0, backing=True)
        way.stand(CHANGE_S)
        way.leg(math.pi * radius_m / 2, right / radius_m, 0, TURN_MPS, TURN_MPS)

    _passes(way, dice, parked_s, turn)


def _passes(
    way: Way, dice: Random, parked_s: float, turn: Callable[[int], None], length_m: float | None = None
) -> None:
    """Up and down the field; turn gets 1 to the right, -1 to the left, and comes out on the next pass."""
    length_m = dice.uniform(260, 420) if length_m is None else length_m
    stop_in = dice.randrange(2, PASSES - 1)
    way.stand(parked_s)
    for number in range(PASSES):
        entry_mps = 0.0 if number == 0 else TURN_MPS
        if number == stop_in:
            way.leg(length_m / 2, 0, entry_mps, dice.uniform(*PASS_MPS), 0)
            way.stand(STOP_S)
            way.leg(length_m / 2, 0, 0, dice.uniform(*PASS_MPS), TURN_MPS)
        else:
            way.leg(length_m, 0, entry_mps, dice.uniform(*PASS_MPS), TURN_MPS)
        if number < PASSES - 1:
            turn(1 if number % 2 == 0 else -1)
    # Back along the headland to where it began: right, across, right, stop.
    _quarter(way, TURN_MPS, TURN_MPS)
    across_m = (PASSES - 1) * WIDTH_M - WIDTH_M
    way.leg(across_m, 0, TURN_MPS, dice.uniform(*PASS_MPS), TURN_MPS)
    _quarter(way, TURN_MPS, 0)


def _quarter(way: Way, from_mps: float, to_mps: float) -> None:
    way.leg(math.pi * WIDTH_M / 4, 2 / WIDTH_M, from_mps, TURN_MPS, to_mps)


def _day(way: Way, dice: Random, parked_s: float) -> None:
    """A whole day: over the field again and again, and between two times by the road to the shed and back.

    The field lies from 0 to DAY_LENGTH_M ahead of the start, the shed at SHED_WAY_M behind it.
    """

    def turn(right: int) -> None:
        way.leg(math.pi * WIDTH_M / 2, right * 2 / WIDTH_M, TURN_MPS, TURN_MPS, TURN_MPS)

    radius_m = WIDTH_M / 2
    way.stand(parked_s)
    for _ in range(DAY_BLOCKS):
        _passes(way, dice, dice.uniform(5, 60), turn, DAY_LENGTH_M)
        way.leg(math.pi * radius_m, 1 / radius_m, 0, TURN_MPS, TURN_MPS)
        way.leg(SHED_WAY_M, 0, TURN_MPS, dice.uniform(5.0, 9.0), 0)
        way.stand(dice.uniform(*SHED_S))
        way.leg(math.pi * radius_m, 1 / radius_m, 0, TURN_MPS, TURN_MPS)
        way.leg(SHED_WAY_M, 0, TURN_MPS, dice.uniform(5.0, 9.0), 0)


def _parked(way: Way, dice: Random, parked_s: float) -> None:
    """Mostly parked: minutes at each corner of a small yard, and a slow drive to the next."""
    way.stand(parked_s)
    sides_m = dice.uniform(20, 60), dice.uniform(20, 60)
    for number in range(4):
        way.leg(sides_m[number % 2], 0, 0, dice.uniform(*PASS_MPS), 0)
        way.stand(dice.uniform(*PARKED_S))
        _quarter(way, 0, 0)


def _road(way: Way, dice: Random, parked_s: float) -> None:
    """Round four roads with a double bend in each; a stop at some of the corners."""
    way.stand(parked_s)
    sides_m = dice.uniform(600, 1500), dice.uniform(600, 1500)
    corner_m = math.pi * CORNER_M / 2
    moving_mps = 0.0
    for number in range(4):
        radius_m, turn_rad, side = dice.uniform(*BEND_M), dice.uniform(*BEND_RAD), dice.choice((1, -1))
        straight_m = (sides_m[number % 2] - 4 * radius_m * math.sin(turn_rad)) / 2
        before_mps, bend_mps, after_mps = dice.uniform(*ROAD_MPS), dice.uniform(8.0, 11.0), dice.uniform(*ROAD_MPS)
        stop = number == 3 or dice.random() < 0.5
        end_mps = 0.0 if stop else CORNER_MPS
        way.leg(straight_m, 0, moving_mps, before_mps, bend_mps, gain_mps2=ROAD_GAIN_MPS2)
        for share, bend in ((1, side), (2, -side), (1, side)):  # three arcs, and the road goes on where it pointed
            way.leg(share * turn_rad * radius_m, bend / radius_m, bend_mps, bend_mps, bend_mps)
        way.leg(straight_m, 0, bend_mps, after_mps, end_mps, gain_mps2=ROAD_GAIN_MPS2)
        if stop:
            way.stand(dice.uniform(*ROAD_STOP_S))
        moving_mps = 0.0 if number == 3 else CORNER_MPS
        way.leg(corner_m, 1 / CORNER_M, end_mps, CORNER_MPS, moving_mps, gain_mps2=ROAD_GAIN_MPS2)


PLANS: dict[str, Callable[[Way, Random, float], None]] = {
    "field": _field,
    "reverse": _reverse,
    "parked": _parked,
    "road": _road,
    "day": _day,
}
SHORT = tuple(name for name in PLANS if name != "day")
"""Those whose round takes minutes."""
