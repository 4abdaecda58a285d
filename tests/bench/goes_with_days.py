"""Invented days of a tractor by the second, and faults that go with something in them, or with nothing.

A day: passes up and down a field with a turn at each end, stops, a road now and then; satellites, corrections, load,
temperature and supply wander as they please. The faults come by themselves (singly, in bursts, in long spells), or
by a rate that is many times higher where a circumstance is.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from random import Random

from appliance.judge.circumstances import Onset, Second

KIND = "contact-loss"
NOISE_SHARE = 0.08  # of the faults of a strong effect, those that come anyhow
EXPOSED = (0.02, 0.4)  # share of the time that a strong effect's circumstance takes
FORMS = ("single", "bursts", "spells")
AGAIN = 10  # passes, after which it goes back to where it began


class _Wander:
    """A figure that wanders about its mean, slowly."""

    def __init__(self, dice: Random, mean: float, spread: float, memory_s: float) -> None:
        self._dice, self._mean, self._spread = dice, mean, spread
        self._keep = math.exp(-1 / memory_s)
        self._stir = spread * math.sqrt(1 - self._keep**2)
        self.value = dice.gauss(mean, spread)

    def next(self) -> float:
        self.value = self._mean + self._keep * (self.value - self._mean) + self._dice.gauss(0, self._stir)
        return self.value


def day(seed: int, hours: float = 8.0, stops: float = 0.05, *, again: bool = False) -> list[Second]:
    """One day, second by second. stops: how often it stands after a pass, as a share.

    again: the same field is gone over again and again, first one way and then across, as for one pass of work after
    another. Without that a place is passed in one stretch of time, and a course has one other only: nothing that comes
    there can be told from what comes then.
    """
    dice = Random(f"day {seed}")
    total = int(hours * 3600)
    way = _way(dice, total, stops, AGAIN if again else total)
    sky = _Wander(dice, dice.uniform(12, 20), 2.5, 1200)
    age, load = _Wander(dice, 3.0, 1.5, 300), _Wander(dice, dice.uniform(20, 60), 6, 30)
    warm, float_ = _Wander(dice, 0, 2, 3600), _Wander(dice, 0, 1, 120)
    supply = _Wander(dice, 0, 1, 200)
    begins_s = dice.uniform(5, 10) * 3600
    marks = sorted(dice.sample(range(total), dice.randrange(0, 25)))
    north = east = 0.0
    seconds: list[Second] = []
    before = 0.0
    for at, (speed, course) in enumerate(way):
        north += speed * math.cos(math.radians(course))
        east += speed * math.sin(math.radians(course))
        used = max(4, round(sky.next()))
        turned = abs((course - before + 180) % 360 - 180)
        before = course
        seconds.append(
            Second(
                at_s=float(at),
                of_day_s=(begins_s + at) % 86_400,
                speed_mps=round(max(0.0, speed + dice.gauss(0, 0.05)), 2),
                course_deg=course if speed > 0.5 else None,
                turning_dps=turned if speed > 0.5 else None,
                north_m=north,
                east_m=east,
                quality=5 if float_.next() > 1.4 else 4,
                satellites=used,
                hdop=round(12 / used + 0.05 * dice.random(), 1),
                age_s=round(abs(age.next()), 0),
                load_ratio=max(5.0, load.next()) / 100,
                after_mark=any(mark <= at <= mark + 60 for mark in marks),
                temperature_c=30 + 12 * (1 - math.exp(-at / 5000)) + warm.next(),
                supply_low=supply.next() > 1.3,
            )
        )
    return seconds


def _way(dice: Random, total: int, stops: float, again: int) -> list[tuple[float, float]]:
    """Speed in m/s and course in degrees of each second. again: passes after which it goes back, and then across."""
    way: list[tuple[float, float]] = []
    bearing = dice.uniform(0, 360)
    pass_m = dice.uniform(150, 450)
    field_mps = dice.uniform(1.8, 3.2)
    right = 1
    _stand(way, dice.randrange(30, 600), bearing)
    passes, begins = 0, len(way)
    while len(way) < total:
        passes += 1
        if passes > again:
            _back(way, begins)
            passes, begins, bearing, right = 1, len(way), bearing + 90, -right
        chance = dice.random()
        if chance < stops:
            _stand(way, dice.randrange(60, 1800), bearing)
        elif chance < stops + 0.03:  # off and back again on the road
            out = dice.randrange(60, 300)
            for course in (bearing + 90, bearing + 270):
                way += [(dice.uniform(6, 9), course % 360) for _ in range(out)]
        pace = field_mps * dice.uniform(0.7, 1.4)
        way += [(max(0.6, pace + dice.gauss(0, 0.25)), bearing % 360) for _ in range(round(pass_m / pace))]
        turn = dice.randrange(12, 20)
        way += [(1.4, (bearing + right * 180 * step / turn) % 360) for step in range(turn)]
        bearing, right = bearing + 180, -right
    return way[:total]


def _back(way: list[tuple[float, float]], begins: int) -> None:
    """Straight to where it was at this second."""
    north = -sum(mps * math.cos(math.radians(course)) for mps, course in way[begins:])
    east = -sum(mps * math.sin(math.radians(course)) for mps, course in way[begins:])
    seconds = max(1, round(math.hypot(north, east) / 2.5))
    way += [(math.hypot(north, east) / seconds, math.degrees(math.atan2(east, north)) % 360)] * seconds


def _stand(way: list[tuple[float, float]], seconds: int, bearing: float) -> None:
    way += [(0.0, bearing % 360)] * seconds


def without_effect(seconds: list[Second], seed: int) -> list[Onset]:
    """Faults that go with nothing: singly, in bursts of minutes, or in spells of a quarter of an hour."""
    dice = Random(f"faults {seed}")
    form, many, last_s = FORMS[seed % len(FORMS)], dice.randrange(8, 60), seconds[-1].at_s
    starts: list[float] = []
    while len(starts) < many:
        at_s = dice.uniform(2, last_s)
        starts.append(at_s)
        if form != "single":
            spell_s = 120 if form == "bursts" else 900
            most = 5 if form == "bursts" else 12
            starts += [at_s + dice.uniform(0, spell_s) for _ in range(dice.randrange(most))]
    return _faults(starts, dice, last_s)


def _faults(starts: list[float], dice: Random, last_s: float) -> list[Onset]:
    return [Onset(KIND, at_s, at_s + dice.uniform(0.3, 4)) for at_s in sorted(starts) if at_s < last_s]


def _above(take: Callable[[Second], float | None], dice: Random, seconds: list[Second]) -> list[bool]:
    """Above what leaves between an eighth and a third of the time."""
    values = sorted(value for one in seconds if (value := take(one)) is not None)
    limit = values[int(len(values) * (1 - dice.uniform(0.12, 0.33)))]
    return [(value := take(one)) is not None and value >= limit for one in seconds]


def _there(name: str, seconds: list[Second], dice: Random) -> list[bool]:
    """Whether the circumstance is there, for each second."""
    if name in SPOTS:
        return SPOTS[name](seconds, dice)
    if name == "time-of-day":
        first = dice.randrange(int(seconds[0].of_day_s or 0) // 3600 + 1, int(seconds[-1].of_day_s or 0) // 3600 - 1)
        return [first <= (one.of_day_s or 0) / 3600 < first + 2 for one in seconds]
    if name in ABOVE:
        return _above(ABOVE[name], dice, seconds)
    return [PLAIN[name](one) for one in seconds]


def _spot(seconds: list[Second], dice: Random) -> list[bool]:
    """Within 80 m of a place on the way: of some, the one where most time is spent in passing."""
    ways = [(one.north_m or 0.0, one.east_m or 0.0, bool(one.speed_mps and one.speed_mps > 1)) for one in seconds]
    spots = dice.sample([(north, east) for north, east, moving in ways if moving], 12)

    def spent(spot: tuple[float, float]) -> int:
        return sum(moving and math.dist(spot, (north, east)) < 80 for north, east, moving in ways[::5])

    best = max(spots, key=spent)
    return [moving and math.dist(best, (north, east)) < 80 for north, east, moving in ways]


def _tree_line(seconds: list[Second], dice: Random) -> list[bool]:
    """A strip of 40 m across the passes: the bearing of the first second is that of the passes."""
    along = math.radians(next(one.course_deg for one in seconds if one.course_deg is not None))
    ahead = [(one.north_m or 0.0) * math.cos(along) + (one.east_m or 0.0) * math.sin(along) for one in seconds]
    passing = [here_m for here_m, one in zip(ahead, seconds, strict=True) if one.speed_mps and one.speed_mps > 1]
    begins_m = dice.choice(passing)
    return [
        bool(one.speed_mps and one.speed_mps > 0.3) and begins_m <= here_m <= begins_m + 40
        for here_m, one in zip(ahead, seconds, strict=True)
    ]


def _shed(seconds: list[Second], dice: Random) -> list[bool]:
    """Within 30 m of the place where it stood longest."""
    spent = Counter(
        (round((one.north_m or 0.0) / 10), round((one.east_m or 0.0) / 10)) for one in seconds if one.speed_mps == 0
    )
    (north, east), _ = spent.most_common(1)[0]
    return [math.dist((north * 10, east * 10), (one.north_m or 0.0, one.east_m or 0.0)) < 30 for one in seconds]


def _one_way(seconds: list[Second], dice: Random) -> list[bool]:
    """On the passes of one direction."""
    courses = [None if (one.turning_dps or 0) >= 5 else one.course_deg for one in seconds]
    there = dice.choice([course for course in courses if course is not None])
    return [one is not None and abs((one - there + 180) % 360 - 180) < 20 for one in courses]


SPOTS: dict[str, Callable[[list[Second], Random], list[bool]]] = {
    "place": _spot,
    "tree-line": _tree_line,
    "shed": _shed,
    "course": _one_way,
}

ABOVE: dict[str, Callable[[Second], float | None]] = {
    "speed": lambda one: one.speed_mps,
    "load": lambda one: one.load_ratio,
    "satellites": lambda one: -(one.satellites or 0),
    "age": lambda one: one.age_s,
    "temperature": lambda one: one.temperature_c,
}
PLAIN: dict[str, Callable[[Second], bool]] = {
    "moving": lambda one: (one.speed_mps or 0) >= 0.3,
    "standing": lambda one: (one.speed_mps or 0) < 0.3,
    "turning": lambda one: (one.turning_dps or 0) >= 5,
    "quality": lambda one: one.quality == 5,
    "supply": lambda one: bool(one.supply_low),
    "mark": lambda one: one.after_mark,
    "since-start": lambda one: one.at_s < 7200,
}
MEANS = {"standing": "moving", "tree-line": "place", "shed": "place"}
ALSO = {"shed": {"moving"}, "satellites": {"hdop"}, "time-of-day": {"since-start"}, "since-start": {"time-of-day"}}
"""What is the same thing by another name: HDOP is made from the satellites, and one watch has one start."""
EFFECTS = (*ABOVE, *PLAIN, *SPOTS, "time-of-day", "period")


def with_effect(name: str, seed: int, faults: int, hours: float = 8.0) -> tuple[list[Second], list[Onset]]:
    """A day in which nearly all of so many separate faults come where a circumstance is."""
    for attempt in range(100):
        dice = Random(f"effect {name} {seed} {attempt}")
        seconds = day(seed * 100 + attempt, hours, 0.4 if name == "moving" else 0.05, again=name in SPOTS)
        if name == "period":
            return seconds, _periodic(seconds, dice, faults)
        there = _there(name, seconds, dice)
        share = sum(there) / len(there)
        if not EXPOSED[0] / (10 if name in (*SPOTS, "mark") else 1) <= share <= EXPOSED[1]:
            continue
        spots = [at for at, here in enumerate(there[:-1]) if here]
        starts: list[float] = []
        for _ in range(20 * faults):
            anyhow = dice.random() < NOISE_SHARE
            at_s = 1 + (dice.randrange(len(seconds) - 1) if anyhow else dice.choice(spots)) + dice.random()
            if all(abs(at_s - other) > 65 for other in starts):
                starts.append(at_s)
            if len(starts) == faults and sum(there[int(at_s) - 1] for at_s in starts) >= (1 - 2 * NOISE_SHARE) * faults:
                return seconds, _faults(starts, dice, seconds[-1].at_s)
    raise ValueError(f"no day of seed {seed} has the circumstance {name} in it")


def _periodic(seconds: list[Second], dice: Random, faults: int) -> list[Onset]:
    """Faults at the beats of one period while something runs, three beats of five; it runs some times a day."""
    runs = dice.randrange(2, 5)
    most_s = seconds[-1].at_s / faults / 3
    period_s = math.exp(dice.uniform(math.log(20), math.log(most_s)))
    starts: list[float] = []
    for run in range(runs):
        beat = seconds[-1].at_s * (run + dice.uniform(0, 0.4)) / runs
        many = faults * (run + 1) // runs
        while len(starts) < many:
            if dice.random() < 0.6:
                starts.append(beat + dice.gauss(0, 0.01 * period_s))
            beat += period_s
    return _faults(starts, dice, seconds[-1].at_s)


def one_spell(seconds: list[Second], seed: int) -> list[Onset]:
    """Faults that go with nothing but come in one spell of a fifth to a half of the watch, as from a loose plug."""
    dice = Random(f"spell {seed}")
    last_s = seconds[-1].at_s
    long_s = last_s * dice.uniform(0.2, 0.5)
    first_s = dice.uniform(2, last_s - long_s)
    return _faults([first_s + dice.uniform(0, long_s) for _ in range(dice.randrange(12, 40))], dice, last_s)
