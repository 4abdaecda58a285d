"""Faults for the bench of truth, each put into seeded drives at a known time.

Each fault has its truth: the kinds that may be told for it, and the moment from which it can be known. A fault of
motion can be known once what is told and what is true lie further apart than the receiver errs (`apart_m`, and for
speed and course `truth_observer`); one of a field once the sentence came that carries it, or as many of them as chance
needs; a trend is to be told in time, so it can be known three seconds before the limit is passed (trees, which pass it
at once, are left out there).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from random import Random
from typing import TYPE_CHECKING

from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell
from appliance.simulate.plans import SHORT
from appliance.simulate.receiver import ReceiverSettings
from appliance.simulate.wander import ERROR_M

if TYPE_CHECKING:
    from tests.bench import truth_observer as observer
    from tests.bench.truth_drives import SECONDS, Case, healthy
else:  # as a script it finds its neighbours only
    import truth_observer as observer
    from truth_drives import SECONDS, Case, healthy

IN_TIME_S = 3.0
AGE_MOST_S, SATELLITES_LEAST, HDOP_MOST, LATE_MOST_S = 60.0, 4, 4.0, 0.5  # of the sheet
MOVING_MPS = 1.0
REVERSE_S = 30.0  # a receiver whose course is the heading tells a course opposite to its motion while backing up
PARKED_S = 90.0  # at a standstill, before how it scatters can be told: half as long again as its longest wave
CHANCE = 5  # sentences in a row, after which what they have in common is none


@dataclass(slots=True)
class Scene:
    """What a fault is drawn over: the drive as it is driven, and the receiver."""

    drive: Drive
    settings: ReceiverSettings
    start_s: float
    end_s: float
    intensity: float

    def quality(self, t_s: float) -> int:
        told = [quality for from_s, quality in self.settings.qualities if from_s <= t_s]
        return told[-1] if told else self.settings.quality

    @property
    def interval_s(self) -> float:
        return 1 / self.settings.rates_hz["GGA"]

    @property
    def apart_m(self) -> float:
        """How far told and true must lie apart to be told apart: errors of the fix, and the grain of the decimals."""
        worst_m = max(ERROR_M[self.quality(t_s)] for t_s in (self.start_s, self.end_s))
        return 1.0 + 3 * 1852 / 10.0**self.settings.decimals + 0.5 * worst_m

    def steps(self) -> list[tuple[float, float]]:
        """Time and true speed at each epoch that comes within the span."""
        first, last = (math.ceil((t_s - self.settings.delay_s) / self.interval_s) for t_s in (self.start_s, self.end_s))
        times = [number * self.interval_s for number in range(first, last)]
        return [(t_s, self.drive.at(t_s).speed_mps) for t_s in times if t_s >= 0]

    def gone(self, wrong: Callable[[float], float]) -> float | None:
        """When told and true are apart: wrong gives metres in each second from the true speed, 0 to begin anew.

        The first epoch of the span tells nothing yet: a way is one from an epoch to another.
        """
        apart_m = 0.0
        for t_s, speed_mps in self.steps()[1:]:
            apart_m = apart_m + wrong(speed_mps) * self.interval_s if speed_mps >= MOVING_MPS else 0.0
            if apart_m >= self.apart_m:
                return t_s
        return None

    def told(self, factor: float = 1.0, turned_deg: float = 0.0) -> float | None:
        """When a speed told times a factor, or a course told so far off, can be known."""
        changes = [-math.inf, *(at_s for at_s, _ in self.settings.qualities)]
        steps = []
        for t_s, _ in self.steps():
            true = self.drive.at(t_s)
            changed_s = max(at_s for at_s in changes if at_s <= t_s)
            told = true.speed_mps * factor, true.course_deg + turned_deg
            steps.append(observer.Step(t_s, true.speed_mps, true.course_deg, *told, self.quality(t_s), changed_s))
        known_s = observer.known(steps, 1852 / 10.0**self.settings.decimals)
        if known_s is None or any(self.drive.at(known_s + n / 2).speed_mps < MOVING_MPS for n in range(7)):
            return None  # one that stops within the three seconds leaves nothing to be sure by
        return known_s + self.settings.delay_s

    def moving(self, seconds: float) -> float | None:
        """When it has moved for so long without a stop."""
        run_s = 0.0
        for t_s, speed_mps in self.steps():
            run_s = run_s + self.interval_s if speed_mps >= MOVING_MPS else 0.0
            if run_s >= seconds:
                return t_s
        return None

    def parked(self, seconds: float) -> float | None:
        """When it has been parked for so long with a fix of one quality, which promises one scatter."""
        run_s, before = 0.0, 0
        for t_s, speed_mps in self.steps():
            quality = self.quality(t_s)
            run_s = run_s + self.interval_s if speed_mps == 0 and quality == before else 0.0
            before = quality
            if run_s >= seconds:
                return t_s
        return None


def _next(message: str, times: int = 1) -> Callable[[Scene], float | None]:
    """Once so many sentences of a type have come."""
    return lambda scene: scene.start_s + times / scene.settings.rates_hz[message]


def _first_moving(scene: Scene) -> float | None:
    at_s = scene.moving(scene.interval_s)
    return None if at_s is None else at_s + 1 / scene.settings.rates_hz["RMC"]


def _limit(from_: Callable[[Scene], float], limit: float) -> Callable[[Scene], float | None]:
    """Three seconds before a trend passes its limit, if that is within the span."""

    def known(scene: Scene) -> float | None:
        at_s = scene.start_s + (limit - from_(scene)) / scene.intensity
        return at_s - IN_TIME_S if at_s < scene.end_s else None

    return known


@dataclass(slots=True, frozen=True)
class Truth:
    """kinds: one of them should be told first. intensity, what: drawn. knowable: None where the span shows nothing.

    besides: kinds that are true as well, and can be known sooner: told first, they are no wrong name.
    """

    kinds: tuple[str, ...]
    knowable: Callable[[Scene], float | None]
    intensity: Callable[[Random, int], float | None] = lambda _dice, _quality: None
    whats: tuple[str, ...] = ("",)
    fault: str = ""
    lasts_s: tuple[float, float] = (20.0, 60.0)
    plans: tuple[str, ...] = SHORT
    qualities: tuple[int, ...] = (1, 2, 4, 5)
    from_start: bool = False
    besides: tuple[str, ...] = ()
    fits: Callable[[Case], bool] = field(default=lambda _case: True)


def _of(*values: float) -> Callable[[Random, int], float | None]:
    return lambda dice, _: dice.choice(values)


def _between(least: float, most: float, *, either: bool = False) -> Callable[[Random, int], float | None]:
    return lambda dice, _: dice.uniform(least, most) * (dice.choice((1, -1)) if either else 1)


def _metres(least: float, errors: float) -> Callable[[Random, int], float | None]:
    """More than the quality may step by, and up to five times that."""
    return lambda dice, quality: (least + errors * ERROR_M[quality]) * dice.uniform(1, 5)


def _one_quality(case: Case) -> bool:
    """Whether the fix stays as it is while the fault is there, so that its size fits it."""
    spell = case.spell
    return spell is not None and not any(spell.start_s <= at_s <= spell.end_s for at_s, _ in case.settings.qualities)


UNITS = (1.852, 1 / 1.852, 3.6, 1 / 3.6, 1.609344, 1 / 1.609344, 1.4, 0.7)
CORRECTED = (2, 4, 5)
LONG_S = (200.0, 400.0)

TRUTHS: dict[str, Truth] = {
    "jump": Truth(("position-jump",), _next("GGA"), _metres(1.0, 6)),
    "frozen": Truth(("position-frozen",), lambda scene: scene.gone(lambda mps: mps)),
    "speed-zero": Truth(("position-frozen",), lambda scene: scene.gone(lambda mps: mps)),
    "speed-scaled": Truth(
        ("speed-disagrees",), lambda scene: scene.told(factor=scene.intensity), _of(*UNITS)
    ),
    "course-reversed": Truth(("course-disagrees",), lambda scene: scene.moving(REVERSE_S), lasts_s=(60.0, 120.0)),
    "course-offset": Truth(
        ("course-disagrees",), lambda scene: scene.told(turned_deg=scene.intensity), _between(20, 150, either=True)
    ),
    "speed-negative": Truth(("speed-negative",), lambda scene: scene.moving(scene.interval_s)),
    "speed-impossible": Truth(("speed-impossible",), _next("VTG"), _between(100, 400)),
    "rmc-vtg": Truth(("rmc-vtg-disagree",), _next("RMC"), _between(0.6, 4)),
    "rmc-vtg-course": Truth(("rmc-vtg-disagree",), _first_moving, _between(25, 180, either=True)),
    "gga-rmc": Truth(("gga-rmc-disagree",), _next("RMC"), _between(5, 40)),
    "scatter": Truth(
        ("scatter-high",), lambda scene: scene.parked(PARKED_S), lambda _, quality: 1.0 + 3 * ERROR_M[quality],
        lasts_s=(200.0, 300.0), plans=("parked",), besides=("position-jump", "position-frozen"), fits=_one_quality,
    ),  # it sets in with a leap, and then wanders at up to some metres a second while the speed is zero
    "clock-stopped": Truth(("clock-stopped",), lambda scene: scene.start_s + 2.0),
    "clock-back": Truth(("clock-back",), _next("GGA"), lambda dice, _: -dice.randint(21, 4000)),
    "clock-jump": Truth(("clock-jump",), _next("GGA"), lambda dice, _: dice.randint(21, 4000)),
    "leap-seconds": Truth(("clock-late",), lambda scene: scene.end_s, _of(18, 3, 2), from_start=True),
    "date-rolled-over": Truth(("date-rolled-over",), _next("RMC")),
    "date-missing": Truth(("date-missing",), lambda scene: scene.start_s + 10),  # the sheet has no limit of its own
    "dates-disagree": Truth(("date-disagrees",), _next("ZDA"), _of(1, -1, 30, -365), ("ZDA", "RMC")),
    "zone-strange": Truth(("zone-strange",), _next("ZDA"), _of(17, -19, 23, 50)),
    "status-contradicts": Truth(("status-contradicts",), _next("RMC"), whats=("AN", "AE", "AM", "AS")),
    "simulated": Truth(("simulated",), _next("RMC")),
    "manual": Truth(("manual",), _next("RMC")),
    "age-grows": Truth(
        ("corrections-aging",), _limit(lambda scene: scene.settings.age_s or 0, AGE_MOST_S), _of(1.0),
        lasts_s=LONG_S, qualities=CORRECTED,
    ),
    "satellites-fall": Truth(
        ("satellites-falling",), _limit(lambda scene: scene.settings.satellites, SATELLITES_LEAST - 0.5),
        _between(-0.2, -0.08), lasts_s=LONG_S, fits=lambda case: not case.settings.restless,
    ),
    "hdop-rises": Truth(
        ("hdop-rising",), _limit(lambda scene: scene.settings.hdop, HDOP_MOST), _between(0.02, 0.08), lasts_s=LONG_S,
        fits=lambda case: not case.settings.restless,
    ),
    "base-moved": Truth(("base-moved",), _next("GGA"), qualities=CORRECTED),
    "height-jump": Truth(("height-jump",), _next("GGA"), _metres(3, 10)),
    "geoid-missing": Truth(("geoid-missing",), _next("GGA", CHANCE)),
    "geoid-changed": Truth(("geoid-changed",), _next("GGA"), _between(3, 40, either=True)),
    "talker": Truth(("talker-changed",), _next("GGA"), whats=("GP", "GL")),
    "position-null": Truth(("position-null",), _next("GGA")),
    "decimals": Truth(
        ("decimals-changed",), _next("GGA"), lambda dice, _: dice.randint(3, 7),
        fits=lambda case: case.spell is not None and (case.spell.intensity or 0) < case.settings.decimals,
    ),
    "decimals-padded": Truth(
        ("decimals-padded",), lambda scene: scene.moving(CHANCE * scene.interval_s), _of(1, 2, 3),
        fits=lambda case: case.spell is not None and (case.spell.intensity or 0) + 3 <= case.settings.decimals,
    ),
    "hemisphere": Truth(("hemisphere-flips",), _next("RMC"), _of(1, 2), ("RMC", "GGA")),
    "late": Truth(("late",), lambda scene: scene.start_s + scene.interval_s + scene.intensity, _between(0.8, 2.5)),
}  # fmt: skip


def struck(name: str, seed: int) -> Case:
    """A healthy drive with a fault in it, at a moment and over a span in which it shows."""
    truth = TRUTHS[name]
    dice = Random(f"struck {name} {seed}")
    for attempt in range(1000):
        case = healthy(seed + 100_000 * attempt, name, SECONDS, truth.plans)
        case = replace(case, kinds=frozenset(truth.kinds), besides=frozenset(truth.besides))
        lasts_s = dice.uniform(*truth.lasts_s)
        start_s = dice.uniform(60, SECONDS - 20 - lasts_s)
        end_s = start_s + lasts_s
        if truth.from_start:
            start_s, end_s = -1.0, dice.uniform(60, SECONDS - 20)
        scene = Scene(case.drive(), case.settings, start_s, end_s, 0.0)
        told = {scene.quality(start_s + n) for n in range(int(end_s - start_s) + 2)}
        if not told <= set(truth.qualities):
            continue
        intensity = truth.intensity(dice, max(told, key=lambda quality: ERROR_M[quality]))
        scene.intensity = intensity if intensity is not None else 0.0
        case = replace(case, spell=Spell(truth.fault or name, start_s, end_s, intensity, dice.choice(truth.whats)))
        knowable_s = truth.knowable(scene)
        if knowable_s is not None and knowable_s <= end_s and truth.fits(case):
            return replace(case, knowable_s=knowable_s)
    raise ValueError(f"no drive of seed {seed} shows {name}")
