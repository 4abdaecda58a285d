"""A receiver that talks: sentences of each type on their schedule, about a drive.

Time is in seconds from the start. All that is drawn is drawn from the seed and the instant, so that any stretch of
time gives the same bytes whether it was asked for alone or as part of a longer one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from random import Random
from typing import NamedTuple

from .drive import SEMI_MAJOR_M, Drive
from .talk import TYPES, Manner, Reading, Satellite, cold, seal
from .wander import ERROR_M, Wander

SPEED_ERROR_MPS = 0.03  # RMS, usual figure of the receiver class
COURSE_FROM_MPS = 0.15  # below it the course of a moving point says nothing, and receivers leave it empty

FIRST_NUMBER = {"GP": 1, "GL": 65, "GA": 1}
SYSTEM_SIZE = {"GP": 32, "GL": 24, "GA": 36}
SATELLITES_MOST = 36  # twelve of each system, as GSA has room for


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
        if self.quality not in ERROR_M:
            raise ValueError(f"quality is {self.quality}; it must be one digit")
        if not 0 <= self.satellites <= SATELLITES_MOST:
            raise ValueError(f"satellites is {self.satellites}; it must be 0 to {SATELLITES_MOST}")


class Receiver:
    """Sends what its settings say about a drive."""

    def __init__(self, settings: ReceiverSettings, drive: Drive, seed: int) -> None:
        self.settings = settings
        self._drive = drive
        self._seed = seed
        self._wander = Wander(seed)
        self._manner = Manner(settings.talker, settings.decimals, settings.navigational_status)
        self._start = settings.start_utc.astimezone(UTC)
        rates = {m: Fraction(r).limit_denominator(1000) for m, r in settings.rates_hz.items() if r}
        # The grid on which every type falls: the least common multiple of the rates.
        self._grid_hz = Fraction(
            math.lcm(*(rate.numerator for rate in rates.values())),
            math.gcd(*(rate.denominator for rate in rates.values())),
        )
        self._every = {m: int(self._grid_hz / rates[m]) for m in settings.order if m in rates}
        self._sky = _sky(seed, settings.satellites)

    def epochs(self, from_s: float, to_s: float) -> Iterator[Burst]:
        """The bursts of the epochs in from_s <= t < to_s, in order; each is due delay_s after its epoch."""
        number = self._first(from_s)
        last = self._first(to_s)
        while number < last:
            said = [message for message, every in self._every.items() if number % every == 0]
            if said:
                t_s = float(number / self._grid_hz)
                yield Burst(t_s + self.settings.delay_s, self._say(t_s, said))
            number += 1

    def reading(self, t_s: float) -> Reading:
        """What the receiver knows at a time: the drive with this receiver's errors on it."""
        settings, state = self.settings, self._drive.at(t_s)
        utc = self._start + timedelta(microseconds=round(t_s * 1e6))
        dice = Random(f"receiver {self._seed} {utc.timestamp():.3f}")
        error_m = ERROR_M[settings.quality]
        grain_m = max(0.002, error_m / 100)
        north_m, east_m, up_m = (w * error_m + dice.gauss(0, grain_m) for w in self._wander.at(t_s))
        speed_mps = abs(state.speed_mps + dice.gauss(0, SPEED_ERROR_MPS))
        turn_deg = math.degrees(dice.gauss(0, SPEED_ERROR_MPS) / max(speed_mps, SPEED_ERROR_MPS))
        moving = state.speed_mps >= COURSE_FROM_MPS
        parallel_m = SEMI_MAJOR_M * math.cos(math.radians(state.latitude_deg))
        return Reading(
            utc=utc,
            latitude_deg=state.latitude_deg + math.degrees(north_m / SEMI_MAJOR_M),
            longitude_deg=state.longitude_deg + math.degrees(east_m / parallel_m),
            altitude_m=state.altitude_m + up_m,
            geoid_m=settings.geoid_m,
            speed_mps=speed_mps,
            course_deg=state.course_deg + turn_deg if moving else None,
            heading_deg=state.course_deg,
            variation_deg=settings.variation_deg,
            quality=settings.quality,
            satellites=settings.satellites,
            hdop=settings.hdop,
            age_s=settings.age_s,
            station=settings.station,
            error_m=error_m,
            sky=tuple(_later(satellite, t_s, dice) for satellite in self._sky) if self._shows_sky else (),
        )

    @property
    def _shows_sky(self) -> bool:
        return "GSA" in self._every or "GSV" in self._every

    def _first(self, t_s: float) -> int:
        # The first epoch not before t_s; a time that is an epoch but for float rounding counts as that epoch.
        return math.ceil(t_s * self._grid_hz.numerator / self._grid_hz.denominator - 1e-6)

    def _say(self, t_s: float, messages: list[str]) -> bytes:
        if t_s < self.settings.first_fix_s or self.settings.quality == 0:
            talker, status = self._manner.talker, self._manner.navigational_status
            return b"".join(seal(cold(talker, message, status)) for message in messages)
        reading = self.reading(t_s)
        return b"".join(seal(body) for message in messages for body in TYPES[message](reading, self._manner))


def _sky(seed: int, used: int) -> list[Satellite]:
    """Satellites drawn over the sky: those used shared out among the systems, and one more of each in view."""
    dice = Random(f"sky {seed}")
    sky = []
    for place, (system, first) in enumerate(FIRST_NUMBER.items()):
        count = (used + 2 - place) // 3
        numbers = sorted(dice.sample(range(first, first + SYSTEM_SIZE[system]), count + 1))
        for rank, number in enumerate(numbers):
            low = rank == count
            elevation = dice.randrange(2, 9) if low else dice.randrange(12, 86)
            azimuth = dice.randrange(360)
            sky.append(Satellite(system, number, elevation, azimuth, 25 + elevation // 4, not low))
    return sky


def _later(satellite: Satellite, t_s: float, dice: Random) -> Satellite:
    """The same satellite at a time: it goes round about a degree in four minutes, and its strength flickers."""
    return replace(
        satellite,
        azimuth_deg=int(satellite.azimuth_deg + t_s / 240) % 360,
        strength_db=satellite.strength_db + dice.randrange(-1, 2),
    )
