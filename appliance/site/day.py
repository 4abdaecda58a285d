"""A stretch of time as a strip: runs of cells of one state, their heights, faults and losses, sums and the hours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Any

from appliance.history.rows import Cell, CellState
from appliance.site.words import NS, brief, from_ns, span

HEIGHTS = {"go": 12, "wait": 24, "no-go": 40, "none": 2}
"""Of 40: the worse, the taller, so that the strip can be read without colour."""

WORDS = {"go": "go", "no-go": "no-go", "wait": "wait", "none": "box off"}
HOURS = (1 / 60, 1 / 30, 1 / 12, 1 / 6, 1 / 4, 1 / 2, 1, 2, 3, 6, 12, 24, 72, 168)
"""How far apart times are written under the strip; five of them at most. Our choice."""
TIMES_MOST = 5


@dataclass(slots=True, frozen=True)
class Bar:
    """A run of cells of one state. at, width: in cells. height: of 40."""

    at: int
    width: int
    state: str
    height: int


def strip(cells: Sequence[Cell], name: str = "Last 24 hours") -> dict[str, Any] | None:
    """What the template draws; None where there are no cells.

    bars; ticks (cells in which faults began); gaps [(first cell, cells)] (where position or speed was lost);
    lost_says (how often and for how long); hours [(place in cells, "06:00")]; heights by state; sums [(state, word,
    length)]; says (the whole in a sentence); width (cells).
    """
    if len(cells) < 2:
        return None
    step_ns = cells[1].start_utc_ns - cells[0].start_utc_ns
    bars = []
    for state, run in groupby(range(len(cells)), key=lambda at: cells[at].state):
        places = list(run)
        bars.append(Bar(places[0], len(places), state, HEIGHTS[state]))
    lengths = _lengths(cells, step_ns / NS)
    sums = [(state, WORDS[state], span(lengths[state])) for state in HEIGHTS if lengths[state]]
    faults = sum(cell.faults for cell in cells)
    losses, lost = sum(cell.losses for cell in cells), brief(sum(cell.lost_s for cell in cells))
    lost_says = f"position or speed lost {_times(losses)}, for {lost} in all" if losses else "nothing lost"
    parts = ", ".join(f"{word} {length}" for _, word, length in sums)
    return {
        "bars": bars,
        "ticks": [at for at, cell in enumerate(cells) if cell.faults],
        "gaps": _gaps(cells),
        "lost_says": lost_says,
        "hours": _hours(cells, step_ns),
        "sums": sums,
        "faults": faults,
        "heights": HEIGHTS,
        "width": len(cells),
        "says": f"{name}: {parts}; {faults} {'fault' if faults == 1 else 'faults'} began; {lost_says}.",
    }


def _lengths(cells: Sequence[Cell], step_s: float) -> dict[str, float]:
    """Seconds in each state: as they were counted, where that is known, else by whole cells."""
    lengths: dict[str, float] = dict.fromkeys(HEIGHTS, 0.0)
    for cell in cells:
        seconds: Mapping[CellState, float] = cell.seconds or {cell.state: step_s}
        for state, told_s in seconds.items():
            lengths[state] += told_s
        lengths["none"] += max(0.0, step_s - sum(seconds.values()))
    return lengths


def _gaps(cells: Sequence[Cell]) -> list[tuple[int, int]]:
    runs = groupby(range(len(cells)), key=lambda at: cells[at].losses > 0 or cells[at].lost_s > 0)
    places = [list(run) for lost, run in runs if lost]
    return [(run[0], len(run)) for run in places]


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def _hours(cells: Sequence[Cell], step_ns: int) -> list[tuple[int, datetime]]:
    first_ns, last_ns = cells[0].start_utc_ns, cells[-1].start_utc_ns
    every_ns = next(
        (int(h * 3600) * NS for h in HOURS if h * 3600 * NS * TIMES_MOST > last_ns - first_ns), 720 * 3600 * NS
    )
    mark_ns = -(-first_ns // every_ns) * every_ns
    marks = []
    while mark_ns <= last_ns:
        marks.append(((mark_ns - first_ns) // step_ns, from_ns(mark_ns)))
        mark_ns += every_ns
    return marks
