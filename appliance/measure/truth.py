"""Whether what a line says is true: its sentences grouped into epochs, and each epoch put to every detector."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

from appliance.measure.calendar import Calendar
from appliance.measure.claims import AGE_MOST_S, HDOP_MOST, SATELLITES_LEAST, Claims
from appliance.measure.epoch import Epoch, Epochs
from appliance.measure.motion import Motion
from appliance.measure.pace import Pace
from appliance.measure.time import UtcAnchor
from appliance.measure.trouble import Troubles
from appliance.sentence.parse import Sentence

LATE_MOST_S = 1.0
"""A sentence may come so long after its time, where the needs say nothing. Our choice: 3 m of way at 3 m/s."""


@dataclass(frozen=True, slots=True)
class TruthSettings:
    """What is asked. rates_hz: of the needed types; earliest: before this date none can be true, None: not known.

    late_most_s, age_most_s, satellites_least, hdop_most: as in the needs.
    """

    rates_hz: Mapping[str, float] = field(default_factory=dict)
    late_most_s: float = LATE_MOST_S
    age_most_s: float = AGE_MOST_S
    satellites_least: int = SATELLITES_LEAST
    hdop_most: float = HDOP_MOST
    earliest: date | None = None


class Truth:
    """Feed it the good sentences of one line in order, and tell it the time in between.

    troubles: what was found. utc: UTC as far as the line tells it truly.
    """

    def __init__(self, settings: TruthSettings, arrival_measured: bool = True) -> None:
        self.troubles = Troubles()
        self.epochs = Epochs(settings.rates_hz)
        self.calendar = Calendar(self.troubles, settings.earliest, arrival_measured)
        self.pace = Pace(self.troubles, self.calendar, settings.late_most_s, arrival_measured)
        self.motion = Motion(self.troubles)
        self.claims = Claims(
            self.troubles,
            age_most_s=settings.age_most_s,
            satellites_least=settings.satellites_least,
            hdop_most=settings.hdop_most,
        )
        self.utc = UtcAnchor()

    def add(self, sentence: Sentence) -> None:
        """One sentence."""
        self._take(self.epochs.add(sentence))

    def tick(self, now_ns: int) -> None:
        """The time passed: an epoch after which nothing came is over."""
        self._take(self.epochs.tick(now_ns))

    def _take(self, closed: Iterable[Epoch]) -> None:
        for epoch in closed:
            self.calendar.take(epoch)
            self.utc.take(epoch, self.calendar.trusted(epoch))
            self.pace.take(epoch)
            self.motion.take(epoch)
            self.claims.take(epoch)
