"""Faults of motion: position, speed and course that do not belong together."""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random

from .fault import Change, Dose, Fault
from .said import Said, change_speed, move, rewritten, turn_course
from .wander import Wander

SCATTER_PERIOD_S = (8.0, 60.0)


def _jump(dose: Dose) -> Change:
    """All positions lie so far off, in a direction that is drawn."""
    bearing_rad = Random(f"jump {dose.seed}").uniform(0, math.tau)
    north_m, east_m = dose.intensity * math.cos(bearing_rad), dose.intensity * math.sin(bearing_rad)

    def edit(said: Said) -> None:
        if dose.what in ("", said.message):
            move(said, north_m, east_m)

    return rewritten(edit)


def _frozen(_: Dose) -> Change:
    kept: dict[str, list[str]] = {}

    def edit(said: Said) -> None:
        at = said.position
        if at is not None:
            said.fields[at : at + 4] = kept.setdefault(said.message, said.fields[at : at + 4])

    return rewritten(edit)


def _scatter(dose: Dose) -> Change:
    wander = Wander(f"scatter {dose.seed}", SCATTER_PERIOD_S)

    def edit(said: Said) -> None:
        north, east, _ = wander.at(said.due_s)
        move(said, north * dose.intensity, east * dose.intensity)

    return rewritten(edit)


def _speed(change: Callable[[float, float], float]) -> Callable[[Dose], Change]:
    """A fault of the speed in RMC and VTG, or one of them. change: from metres a second and intensity to the wrong."""

    def make(dose: Dose) -> Change:
        def edit(said: Said) -> None:
            if dose.what in ("", said.message):
                change_speed(said, lambda speed_mps: change(speed_mps, dose.intensity))

        return rewritten(edit)

    return make


def _course(dose: Dose) -> Change:
    def edit(said: Said) -> None:
        if dose.what in ("", said.message):
            turn_course(said, dose.intensity)

    return rewritten(edit)


MOTION: dict[str, Fault] = {
    "jump": Fault("the position lies off all at once", "m", 3, _jump),
    "gga-rmc": Fault("RMC gives another position than GGA", "m", 5, _jump, what="RMC"),
    "frozen": Fault("coordinates stand still while the machine moves", "", 1, _frozen),
    "scatter": Fault("the position scatters more than its quality promises", "m RMS", 2, _scatter),
    "speed-zero": Fault("the speed is zero while the machine moves", "m/s", 0, _speed(lambda _, said: said)),
    "speed-scaled": Fault("the speed is in another unit than said", "factor", 1.852, _speed(lambda mps, by: mps * by)),
    "speed-negative": Fault("the speed has a minus", "factor", -1, _speed(lambda mps, by: mps * by)),
    "speed-impossible": Fault("the speed is beyond any machine", "m/s", 250, _speed(lambda _, said: said)),
    "course-reversed": Fault("the course is that of the way back", "degrees", 180, _course),
    "course-offset": Fault("the course is off by an angle", "degrees", 40, _course),
    "rmc-vtg": Fault("RMC gives another speed than VTG", "m/s", 1.5, _speed(lambda mps, more: mps + more), what="RMC"),
    "rmc-vtg-course": Fault("RMC gives another course than VTG", "degrees", 40, _course, what="RMC"),
}
