"""Follows how the box itself is, for history: how warm, and whether its supply is low. A row where it changed.

Both are asked every two seconds. Warmth is kept by whole degrees, once a minute at most; a low supply at once, and that
it is good again once it was so for ten seconds: so a day takes some kilobytes, whatever the supply does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from appliance import box_state
from appliance.history.rows import BoxRow

EVERY_NS = 2_000_000_000
"""As often as the kernel's driver asks for the supply: so a low one may be twice as old when it is seen here."""
WARMTH_EVERY_NS = 60_000_000_000
LOW_NS = 10_000_000_000
CHANGED_C = 1.0
"""Our choices: a box warms by some degrees an hour, and a supply that flutters is low all the while."""


class BoxFollowed:
    """Called as often as its owner likes, by one thread. keep: takes a row for the watch under way."""

    def __init__(self, keep: Callable[[BoxRow], None], sys: Path = box_state.SYS) -> None:
        self._keep = keep
        self._sys = sys
        self._watch: int | None = None
        self._told: BoxRow | None = None
        self._next_ns = self._warmth_ns = self._low_ns = 0

    def turn(self, watch: int | None, now_ns: int) -> None:
        """Asks where it is time, and hands over what changed. watch: of history; a new one is told all anew."""
        if watch is None or (watch == self._watch and now_ns < self._next_ns):
            return
        self._next_ns = now_ns + EVERY_NS
        if watch != self._watch:
            self._watch, self._told = watch, None
        seen = BoxRow(now_ns, box_state.temperature_c(self._sys), box_state.supply_low(self._sys))
        if seen.supply_low:
            self._low_ns = now_ns
        if self._told is None or self._changed(self._told, seen):
            if self._told is not None and seen.supply_low and not self._told.supply_low:
                seen = replace(seen, at_ns=max(self._told.at_ns + 1, now_ns - 2 * EVERY_NS))
            self._told, self._warmth_ns = seen, now_ns
            self._keep(seen)

    def _changed(self, told: BoxRow, seen: BoxRow) -> bool:
        if seen.supply_low != told.supply_low:
            return not told.supply_low or seen.at_ns - self._low_ns >= LOW_NS
        if seen.at_ns - self._warmth_ns < WARMTH_EVERY_NS:
            return False
        if told.temperature_c is None or seen.temperature_c is None:
            return told.temperature_c is not seen.temperature_c
        return abs(seen.temperature_c - told.temperature_c) >= CHANGED_C
