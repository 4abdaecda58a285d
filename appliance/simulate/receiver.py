"""A receiver that talks: sentences of each type on their schedule, about a drive.

Time is in seconds from the start. All that is drawn is drawn from the seed and the instant, so that any stretch of
time gives the same bytes whether it was asked for alone or as part of a longer one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from fractions import Fraction
from random import Random
from typing import NamedTuple

from .drive import SEMI_MAJOR_M, Drive
from .leap import Clock
from .sky import SATELLITES_MOST, Restless, View, hide, later, overhead
from .talk import TYPES, Manner, Reading, Satellite, cold, seal
from .wander import ERROR_M, Errors

SPEED_ERROR_MPS = 0.03  # RMS, usual figure of the receiver class
COURSE_FROM_MPS = 0.15  # below it the course of a moving point says nothing, and receivers leave it empty
MAY_BE_EMPTY = ("course_deg", "hdop", "age_s")
SWING_S, QUICK_SWING_S = 97.0, 3.7  # periods of the swing of its delay


class Burst(NamedTuple):
    """What leaves the receiver's buffer at one instant: the sentences of one epoch, end to end."""

    due_s: float
    data: bytes


@dataclass(slots=True, frozen=True)
class ReceiverSettings:
    """How the receiver is set up.

    rates_hz: for each type; a type not named is not sent. order: of the types within an epoch. start_utc: what its
    clock says at time 0; a whole second, with a zone. delay_s: from the instant of an epoch to its first byte.
    first_fix_s: until then it sends what receivers send before a fix. hdop, satellites, quality, station and age_s
    are what it claims; the position errs by as much as the quality promises.

    What a healthy receiver does besides, all off unless asked for. qualities: (from second, quality) in order, with
    steps of the position, or slides of settle_s. restless: satellites and HDOP come and go. age_saw_s: corrections come
    so often, and age in between. nulls: chance for each epoch that a field that may be empty is. clock_ppm: how much
    longer its seconds are than the line's. delay_swing_s: the delay grows by up to so much and shrinks again.
    course_faces: its course is the way that the machine faces, so backing up it is opposite to the motion.
    leap_utc: the midnight before which a second is inserted; leap_doubled: as 00:00:00 twice, not as 23:59:60.
    """

    talker: str = "GN"
    rates_hz: Mapping[str, float] = field(default_factory=lambda: {"GGA": 5, "VTG": 5, "RMC": 1, "ZDA": 1})
    decimals: int = 8
    quality: int = 4
    satellites: int = 18
    hdop: float = 0.7
    age_s: float | None = 1.0
    station: str = "0131"
    navigational_status: bool = True
    order: tuple[str, ...] = tuple(TYPES)
    start_utc: datetime = datetime(2026, 5, 4, 9, 12, tzinfo=UTC)
    delay_s: float = 0.03
    first_fix_s: float = 0.0
    geoid_m: float = 47.182
    variation_deg: float = -0.4
    qualities: tuple[tuple[float, int], ...] = ()
    settle_s: float = 0.0
    restless: bool = False
    age_saw_s: float = 0.0
    nulls: float = 0.0
    clock_ppm: float = 0.0
    delay_swing_s: float = 0.0
    course_faces: bool = False
    leap_utc: datetime | None = None
    leap_doubled: bool = False

    def __post_init__(self) -> None:
        for message, rate_hz in self.rates_hz.items():
            if message not in TYPES or message not in self.order:
                raise ValueError(f"the receiver cannot say {message!r}; it knows {', '.join(self.order)}")
            if rate_hz < 0:
                raise ValueError(f"rate of {message} is {rate_hz} Hz; it must be 0 or more")
        if not any(self.rates_hz.values()):
            raise ValueError("a receiver that sends no message at all has no schedule")
        if self.start_utc.tzinfo is None or self.start_utc.microsecond:
            raise ValueError(f"start_utc is {self.start_utc}; it must be a whole second with a zone")
        for quality in (self.quality, *(changed for _, changed in self.qualities)):
            if quality not in ERROR_M:
                raise ValueError(f"quality is {quality}; it must be one digit")
        if list(self.qualities) != sorted(self.qualities):
            raise ValueError("qualities must be in order of time")
        if not 0 <= self.satellites <= SATELLITES_MOST:
            raise ValueError(f"satellites is {self.satellites}; it must be 0 to {SATELLITES_MOST}")


class Receiver:
    """Sends what its settings say about a drive."""

    def __init__(self, settings: ReceiverSettings, drive: Drive, seed: int) -> None:
        self.settings = settings
        self._drive = drive
        self._seed = seed
        self._errors = Errors(seed, settings.quality, settings.qualities, settings.settle_s)
        self._restless = Restless(seed, settings.satellites, settings.hdop) if settings.restless else None
        self._manner = Manner(settings.talker, settings.decimals, settings.navigational_status)
        self._clock = Clock(settings.start_utc.astimezone(UTC), settings.leap_utc, settings.leap_doubled)
        rates = {m: Fraction(r).limit_denominator(1000) for m, r in settings.rates_hz.items() if r}
        # The grid on which every type falls: the least common multiple of the rates.
        self._grid_hz = Fraction(
            math.lcm(*(rate.numerator for rate in rates.values())),
            math.gcd(*(rate.denominator for rate in rates.values())),
        )
        self._every = {m: int(self._grid_hz / rates[m]) for m in settings.order if m in rates}
        self._sky = overhead(seed, settings.satellites)

    def epochs(self, from_s: float, to_s: float) -> Iterator[Burst]:
        """The bursts of the epochs in from_s <= t < to_s by its own clock, in order; each is due after its delay."""
        number = self._first(from_s)
        last = self._first(to_s)
        while number < last:
            said = [message for message, every in self._every.items() if number % every == 0]
            if said:
                t_s = float(number / self._grid_hz)
                yield Burst(self._due(t_s), self._say(t_s, said))
            number += 1

    def quality(self, t_s: float) -> int:
        """The quality of the fix at a time."""
        return self._errors.quality(t_s)

    def reading(self, t_s: float) -> Reading:
        """What the receiver knows at a time: the drive with this receiver's errors on it."""
        settings, state = self.settings, self._drive.at(t_s)
        utc, leap = self._clock.at(t_s)
        dice = Random(f"receiver {self._seed} {utc.timestamp():.3f}")
        quality = self._errors.quality(t_s)
        error_m = ERROR_M[quality]
        grain_m = max(0.002, error_m / 100)
        north_m, east_m, up_m = (error + dice.gauss(0, grain_m) for error in self._errors.at(t_s))
        speed_mps = abs(state.speed_mps + dice.gauss(0, SPEED_ERROR_MPS))
        turn_deg = math.degrees(dice.gauss(0, SPEED_ERROR_MPS) / max(speed_mps, SPEED_ERROR_MPS))
        moving = state.speed_mps >= COURSE_FROM_MPS
        course_deg = state.heading_deg if settings.course_faces else state.course_deg
        parallel_m = SEMI_MAJOR_M * math.cos(math.radians(state.latitude_deg))
        view = self._restless.at(t_s) if self._restless else View(settings.satellites, settings.hdop)
        reading = Reading(
            utc=utc,
            latitude_deg=state.latitude_deg + math.degrees(north_m / SEMI_MAJOR_M),
            longitude_deg=state.longitude_deg + math.degrees(east_m / parallel_m),
            altitude_m=state.altitude_m + up_m,
            geoid_m=settings.geoid_m,
            speed_mps=speed_mps,
            course_deg=course_deg + turn_deg if moving else None,
            heading_deg=state.heading_deg,
            variation_deg=settings.variation_deg,
            quality=quality,
            satellites=view.satellites,
            hdop=view.hdop,
            age_s=self._age_s(t_s),
            station=settings.station,
            error_m=error_m,
            sky=self._sky_at(t_s, settings.satellites - view.satellites, dice) if self._shows_sky else (),
            leap=leap,
        )
        if settings.nulls and dice.random() < settings.nulls:
            setattr(reading, dice.choice(MAY_BE_EMPTY), None)
        return reading

    def _age_s(self, t_s: float) -> float | None:
        age_s, saw_s = self.settings.age_s, self.settings.age_saw_s
        return age_s + t_s % saw_s if age_s is not None and saw_s else age_s

    def _sky_at(self, t_s: float, hidden: int, dice: Random) -> tuple[Satellite, ...]:
        return hide(tuple(later(satellite, t_s, dice) for satellite in self._sky), hidden)

    def _due(self, t_s: float) -> float:
        settings = self.settings
        swing = 0.0
        if settings.delay_swing_s:
            wave = math.sin(math.tau * t_s / SWING_S + self._seed) + math.sin(math.tau * t_s / QUICK_SWING_S)
            swing = settings.delay_swing_s * (wave + 2) / 4
        return t_s * (1 + settings.clock_ppm / 1e6) + settings.delay_s + swing

    @property
    def _shows_sky(self) -> bool:
        return "GSA" in self._every or "GSV" in self._every

    def _first(self, t_s: float) -> int:
        # The first epoch not before t_s; a time that is an epoch but for float rounding counts as that epoch.
        return math.ceil(t_s * self._grid_hz.numerator / self._grid_hz.denominator - 1e-6)

    def _say(self, t_s: float, messages: list[str]) -> bytes:
        if t_s < self.settings.first_fix_s or self._errors.quality(t_s) == 0:
            talker, status = self._manner.talker, self._manner.navigational_status
            return b"".join(seal(cold(talker, message, status)) for message in messages)
        reading = self.reading(t_s)
        return b"".join(seal(body) for message in messages for body in TYPES[message](reading, self._manner))
