"""The last hours as a strip of equal cells, put together from what the watches that fall into it tell."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from appliance.history.rows import Cell, CellState, LossRow, Watch
from appliance.history.schema import VERDICTS

STRIP_WATCHES = """started_ns + coalesce(utc_offset_ns, box_utc_ns - started_ns) < :end_utc
AND (ended_ns IS NULL OR ended_ns + coalesce(utc_offset_ns, box_utc_ns - started_ns) >= :begin_utc)"""
STRIP_SECONDS = """
SELECT (second_ns - :zero) / :cell AS place, verdict, line, count(*) AS seconds FROM second
WHERE watch = :watch AND second_ns >= :zero AND second_ns < :end GROUP BY place, verdict, line"""
STRIP_FAULTS = """
SELECT (start_ns - :zero) / :cell AS place, count(*) AS faults FROM fault
WHERE watch = :watch AND start_ns >= :zero AND start_ns < :end GROUP BY place"""
Row = Mapping[str, Any]


class Strip:
    """`count` cells that end at to_utc_ns, hours long in all."""

    def __init__(self, to_utc_ns: int, hours: float, count: int) -> None:
        self._cell_ns = int(hours * 3600e9) // count
        self._begin_ns = to_utc_ns - self._cell_ns * count
        self._faults, self._losses, self._lost_ns = ([0] * count for _ in range(3))
        self._seconds: list[dict[CellState, int]] = [{} for _ in range(count)]

    def span(self) -> dict[str, int]:
        """What STRIP_WATCHES asks."""
        return {"begin_utc": self._begin_ns, "end_utc": self._begin_ns + self._cell_ns * len(self._seconds)}

    def values(self, watch: Watch) -> dict[str, int] | None:
        """What the queries ask of a watch, on its own clock; None where nothing of it falls into the strip."""
        zero_ns = self._begin_ns - watch.utc_offset_ns
        end_ns = zero_ns + self._cell_ns * len(self._seconds)
        if watch.last_ns < zero_ns or watch.started_ns >= end_ns:
            return None
        return {"watch": watch.id, "zero": zero_ns, "end": end_ns, "cell": self._cell_ns}

    def add_seconds(self, rows: Iterable[Row]) -> None:
        """Rows of STRIP_SECONDS. Lines are judged together: what two of them tell of a second counts once."""
        counted: dict[tuple[int, CellState], int] = {}
        for row in rows:
            of = row["place"], VERDICTS[row["verdict"]]
            counted[of] = max(counted.get(of, 0), row["seconds"])
        for (place, state), seconds in counted.items():
            self._seconds[place][state] = self._seconds[place].get(state, 0) + seconds

    def add_faults(self, rows: Iterable[Row]) -> None:
        """Rows of STRIP_FAULTS."""
        for row in rows:
            self._faults[row["place"]] += row["faults"]

    def add_losses(self, watch: Watch, losses: Iterable[LossRow]) -> None:
        """Losses of a watch in the order of their starts. Time without both position and speed counts once."""
        zero_ns = self._begin_ns - watch.utc_offset_ns
        told_ns = 0
        for loss in losses:
            start_ns = loss.start_ns - zero_ns
            end_ns = (watch.last_ns if loss.end_ns is None else loss.end_ns) - zero_ns
            if start_ns >= 0:
                self._losses[start_ns // self._cell_ns] += 1
            self._spread(max(start_ns, told_ns), end_ns)
            told_ns = max(told_ns, end_ns)

    def cells(self) -> list[Cell]:
        """The strip, oldest first."""
        return [
            Cell(
                self._begin_ns + n * self._cell_ns, max(seconds, key=VERDICTS.index, default="none"),
                self._faults[n], self._losses[n], self._lost_ns[n] / 1e9, seconds,
            )
            for n, seconds in enumerate(self._seconds)
        ]  # fmt: skip

    def _spread(self, from_ns: int, to_ns: int) -> None:
        at_ns = max(0, from_ns)
        to_ns = min(to_ns, self._cell_ns * len(self._lost_ns))
        while at_ns < to_ns:
            place = at_ns // self._cell_ns
            step_ns = min(to_ns, (place + 1) * self._cell_ns) - at_ns
            self._lost_ns[place] += step_ns
            at_ns += step_ns
