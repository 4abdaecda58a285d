"""The losses of a stretch, of which there may be a hundred thousand, in as many rows as it is drawn by.

Of one figure no two losses overlap, so that few can be longer than a step; the others are summed up by the step in
which they began.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from appliance.history.rows import LossRow

NEWEST = 30
"""Losses that are told one by one; a phone lists no more."""

_ALL = """(SELECT id, what, start_ns, coalesce(end_ns, :last_ns) AS end_ns FROM loss
WHERE watch = :watch AND start_ns < :to_ns AND (end_ns IS NULL OR end_ns >= :from_ns))"""
_COUNT = f"SELECT count(*) AS n FROM {_ALL}"
_NEWEST = f"SELECT what, start_ns, end_ns FROM {_ALL} ORDER BY start_ns DESC, id DESC LIMIT {NEWEST}"
_LONG = f"SELECT what, start_ns, end_ns FROM {_ALL} WHERE end_ns - start_ns >= :step_ns ORDER BY start_ns, id"
_PLACED = f"""SELECT start_ns, end_ns,
CASE WHEN start_ns < :zero_ns THEN -1 ELSE (start_ns - :zero_ns) / :step_ns END AS place
FROM {_ALL} WHERE end_ns - start_ns < :step_ns"""
_SHORT = f"""SELECT place, min(start_ns) AS start_ns, max(end_ns) AS end_ns, count(*) AS count,
sum(min(end_ns, ends_ns) - min(start_ns, ends_ns)) AS here_ns, sum(max(0, end_ns - ends_ns)) AS next_ns
FROM (SELECT *, :zero_ns + (place + 1) * :step_ns AS ends_ns FROM ({_PLACED})) GROUP BY place ORDER BY place"""


@dataclass(slots=True, frozen=True)
class ShortLosses:
    """Those shorter than a step that began in it; place: its number from zero, -1: before. start, end: of them all.

    here, next: how long they lasted within this step and within the one after it, added up.
    """

    place: int
    start_ns: int
    end_ns: int
    count: int
    here_ns: int
    next_ns: int


@dataclass(slots=True, frozen=True)
class LossSteps:
    """All losses of a stretch; the long ones oldest first, some of the newest newest first. Those still on end with
    the watch."""

    count: int
    newest: list[LossRow]
    long: list[LossRow]
    short: list[ShortLosses]

    def spans(self) -> list[tuple[int, int]]:
        """Their starts and ends, what began within one step made one."""
        return [(one.start_ns, one.end_ns) for one in self.short] + [
            (one.start_ns, one.end_ns) for one in self.long if one.end_ns is not None
        ]

    def cells(self, zero_ns: int, step_ns: int, count: int) -> list[tuple[int, int]]:
        """Of each step: how many began in it, and for how many ns one or the other was lost."""
        began, lost_ns = [0] * (count + 1), [0] * (count + 1)  # place -1 falls into the last, which is left out
        for one in self.short:
            began[one.place] += one.count
            lost_ns[one.place] += one.here_ns
            lost_ns[one.place + 1] += one.next_ns
        for start_ns, end_ns in [(one.start_ns, one.end_ns) for one in self.long if one.end_ns is not None]:
            first = (start_ns - zero_ns) // step_ns
            if first >= 0:
                began[first] += 1
            for place in range(max(0, first), min(count, (end_ns - zero_ns) // step_ns + 1)):
                begin_ns = zero_ns + place * step_ns
                lost_ns[place] += min(end_ns, begin_ns + step_ns) - max(start_ns, begin_ns)
        return list(zip(began, lost_ns, strict=True))[:count]


def gather(rows: Callable[[str, dict[str, Any]], list[dict[str, Any]]], values: dict[str, Any]) -> LossSteps:
    """rows: asks history. values: watch, from_ns, to_ns, last_ns, zero_ns, step_ns."""
    return LossSteps(
        count=int(rows(_COUNT, values)[0]["n"]),
        newest=[LossRow(**row) for row in rows(_NEWEST, values)],
        long=[LossRow(**row) for row in rows(_LONG, values)],
        short=[ShortLosses(**row) for row in rows(_SHORT, values)],
    )
