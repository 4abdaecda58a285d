"""The clock of a receiver: UTC from the seconds that have passed, with a leap second where one is inserted.

The inserted second is said as 23:59:60, as the standard of UTC has it, or as 00:00:00 sent twice, as some receivers do.
"""

from __future__ import annotations

from datetime import datetime, timedelta

_SECOND = timedelta(seconds=1)


class Clock:
    """leap_utc: the midnight before which a second is inserted; None for none. doubled: it is said as 00:00:00."""

    def __init__(self, start: datetime, leap_utc: datetime | None = None, doubled: bool = False) -> None:
        self._start = start
        self._leap_utc = leap_utc
        self._doubled = doubled

    def at(self, t_s: float) -> tuple[datetime, bool]:
        """What it says at a time in seconds from the start, and whether its seconds are to be written as 60."""
        utc = self._start + timedelta(microseconds=round(t_s * 1e6))
        if self._leap_utc is None or not self._start < self._leap_utc <= utc:
            return utc, False
        inserted = utc < self._leap_utc + _SECOND
        if inserted and self._doubled:
            return utc, False
        return utc - _SECOND, inserted
