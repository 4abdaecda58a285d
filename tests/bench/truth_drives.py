"""Seeded drives for the bench of truth: healthy receivers of whatever sort there is, on whatever way."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from random import Random

from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell
from appliance.simulate.plans import SHORT
from appliance.simulate.receiver import ReceiverSettings

SECONDS = 600.0
AFTER_S = 5.0  # told so long after the span of a fault it is still told of it
# Off whole minutes: no machine parks to the millimetre where every decimal is 0.
ORIGINS = (
    (52.10347, -1.21873), (-33.41239, 148.22761), (45.71783, 9.60417), (-31.52691, -62.13157), (63.80923, 27.31849),
    (8.21577, 124.90163),
)  # fmt: skip
NEAR_A_LINE = ((51.50713, -0.00083), (0.00061, 36.10937), (-16.80427, 179.99917))


@dataclass(slots=True, frozen=True)
class Case:
    """One drive. spell: None for a healthy one. knowable_s: the moment from which its fault can be known.

    kinds: those that name it; besides: those that are true as well.
    """

    seed: int
    fault: str
    settings: ReceiverSettings
    plan: str
    parked_s: float
    origin_deg: tuple[float, float]
    seconds: float = SECONDS
    spell: Spell | None = None
    knowable_s: float = 0.0
    kinds: frozenset[str] = frozenset()
    besides: frozenset[str] = frozenset()

    @property
    def struck_s(self) -> float:
        """When its fault sets in: of one that was there from the start, at its step. Of a healthy drive, its end."""
        if self.spell is None:
            return self.seconds
        return self.spell.start_s if self.spell.start_s > 0 else self.knowable_s

    @property
    def until_s(self) -> float:
        """When it may be broken off: what is told later is not told of its fault."""
        return self.seconds if self.spell is None else min(self.seconds, self.spell.end_s + AFTER_S)

    def drive(self) -> Drive:
        return Drive(self.seed, plan=self.plan, parked_s=self.parked_s, origin_deg=self.origin_deg)

    def __str__(self) -> str:
        changes = " ".join(f"{at:.0f}s:{quality}" for at, quality in self.settings.qualities)
        spell = self.spell
        struck = f" {spell.start_s:.1f}..{spell.end_s:.1f}s {spell.intensity} {spell.what}" if spell else ""
        return (
            f"{self.fault or 'healthy'} seed {self.seed}{struck}: {self.plan}, {self.settings.rates_hz['GGA']:g} Hz, "
            f"{self.settings.decimals} decimals, quality {self.settings.quality} {changes}"
        )


def healthy(seed: int, name: str, seconds: float, plans: tuple[str, ...] = SHORT) -> Case:
    """A drive in which nothing is wrong, with much that could be thought to be. name: makes it another than others."""
    dice = Random(f"truth {name} {seed}")
    rate_hz = dice.choice((1.0, 5.0, 10.0))
    rates_hz = {"GGA": rate_hz, "VTG": rate_hz, "RMC": dice.choice((1.0, rate_hz)), "ZDA": 1.0}
    rates_hz |= {message: 1.0 for message in ("GLL", "GST", "GSA") if dice.random() < 0.2}
    order = ["GGA", "VTG", "RMC", "ZDA", "GLL", "GST", "GSA"]
    if dice.random() < 0.3:
        dice.shuffle(order)
    settings = ReceiverSettings(
        talker=dice.choice(("GN", "GP")) if name != "talker" else "GN",
        rates_hz=rates_hz,
        order=tuple(order),
        decimals=dice.randint(4, 8),
        quality=dice.choice((1, 2, 4, 5)),
        satellites=dice.randint(16, 24),
        hdop=dice.uniform(0.6, 1.1),
        age_s=dice.choice((0.4, 1.0, 2.0)),
        navigational_status=dice.random() < 0.6,
        start_utc=datetime(2027, 6, 30, dice.randrange(24), dice.randrange(60), dice.randrange(60), tzinfo=UTC),
        delay_s=dice.uniform(0.02, 0.15),
        geoid_m=dice.uniform(-30, 60),
        restless=dice.random() < 0.7,
        age_saw_s=dice.choice((0.0, 1.0, 5.0)),
        nulls=dice.choice((0.0, 0.0, 0.001)),
        clock_ppm=dice.uniform(-60, 60),
        delay_swing_s=dice.choice((0.0, 0.02, 0.06)),
        course_faces=dice.random() < 0.15,
    )
    if dice.random() < 0.5:
        settings = replace(
            settings, qualities=_changes(dice, settings.quality, seconds), settle_s=dice.choice((0.0, 0.0, 0.6, 3.0))
        )
    if dice.random() < 0.2:  # over midnight
        midnight = datetime(2027, 7, 1, tzinfo=UTC)
        settings = replace(settings, start_utc=midnight - timedelta(seconds=dice.randint(20, int(seconds) - 20)))
        if name == "" and dice.random() < 0.5:
            settings = replace(settings, leap_utc=midnight, leap_doubled=dice.random() < 0.5)
    near = name == "" and dice.random() < 0.1
    plan = dice.choice(plans)
    return Case(seed, name, settings, plan, dice.uniform(0, 40), dice.choice(NEAR_A_LINE if near else ORIGINS), seconds)


def _changes(dice: Random, quality: int, seconds: float) -> tuple[tuple[float, int], ...]:
    """Fixes as they go and come: down a step or two, and up again."""
    found, at_s = [], dice.uniform(30, 200)
    while at_s < seconds:
        quality = dice.choice([other for other in (1, 2, 4, 5) if other != quality])
        found.append((round(at_s, 1), quality))
        at_s += dice.uniform(5, 200)
    return tuple(found)
