"""The local time zone that a ZDA tells: one that there is not, or another than before."""

from __future__ import annotations

from appliance.measure.trouble import Troubles
from appliance.sentence.types import ZDA

_HOURS_MOST = 14
"""Time zones go from -12 to +14 hours; ZDA tells them with the sign turned round (IEC 61162-1 / NMEA 0183)."""
_MINUTES = frozenset({0, 15, 30, 45})
"""Minutes that time zones in use have (IANA time zone database)."""
_RUNNING_COUNT = 2
"""A zone is strange when it is so twice running. Our choice."""


class Zone:
    """Feed it each ZDA of a line."""

    def __init__(self, troubles: Troubles) -> None:
        self._troubles = troubles
        self._zone: float | None = None
        self._strange = 0
        self._since_ns = 0

    def take(self, zda: ZDA, at_ns: int) -> None:
        """One ZDA, and when its epoch began."""
        hours, minutes = zda.zone_hours, zda.zone_minutes
        if hours is None:
            return
        zone = hours + (minutes or 0) / 60 * (-1 if hours < 0 and (minutes or 0) > 0 else 1)
        unheard = abs(zone) > _HOURS_MOST or abs(minutes or 0) not in _MINUTES
        changed = not unheard and self._zone is not None and self._zone != zone
        if not unheard and not changed:
            self._zone, self._strange = zone, 0
            self._troubles.fine("zone-strange", at_ns)
            return
        self._strange += 1
        self._since_ns = self._since_ns if self._strange > 1 else at_ns
        if self._strange < _RUNNING_COUNT:
            return
        if unheard:
            self._troubles.lasts("zone-strange", self._since_ns, zone, note="unheard-of")
        else:
            self._troubles.once("zone-strange", self._since_ns, zone, note="changed")
            self._zone = zone
