"""The page that turns the faults of a watch into a pattern: what they go with, in words and with a picture each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import Flask, render_template

from appliance.history.reader import History
from appliance.judge.goes_with import BURSTS_LEAST, FALSE_MOST, FAULTS_LEAST, SECONDS_LEAST
from appliance.judge.goes_with_words import counted
from appliance.site.pattern import FAULTS_MOST, Pattern, Patterns, Place
from appliance.site.spans import watch_words
from appliance.site.which_watch import chosen, offered

WAIT_S = 2.0
"""So long a page waits for what is being worked out; then it says so and comes again. Our choice."""
AGAIN_S = 3
PLAN = 300.0
_MARGIN = 12.0


@dataclass(slots=True, frozen=True)
class Bars:
    """Two shares beside each other, in percent: of the faults, and of the time (of a period: by chance)."""

    faults: float
    time: float
    faults_says: str
    time_says: str


@dataclass(slots=True, frozen=True)
class Plan:
    """The way of the watch and where its faults began, north up, PLAN wide or high. bar: of bar_m metres."""

    width: int
    height: int
    way: str
    spots: list[Place]
    bar: float
    bar_m: int


def install(app: Flask, history_path: Path) -> None:
    """Adds the page."""
    patterns = Patterns(history_path)

    @app.get("/pattern")
    def pattern() -> str:
        with History(history_path) as history:
            watch = chosen(history)
            watches = offered(history, watch)
            faults = history.fault_count(watch.id) if watch else 0
        found = patterns.of(watch, faults, WAIT_S) if watch else None
        return render_template(
            "pattern.html", watch=watch, watches=watches, watch_words=watch_words, found=found,
            rows=[(row, _bars(row)) for row in found.rows] if found else [], plan=_plan(found) if found else None,
            counted=counted, again_s=AGAIN_S, faults_most=FAULTS_MOST, bursts_least=BURSTS_LEAST,
            faults_least=FAULTS_LEAST, minutes_least=SECONDS_LEAST // 60, false_most=FALSE_MOST,
        )  # fmt: skip


def _bars(row: dict[str, Any]) -> Bars:
    of = f"{row['hits']} of {row['of']}"
    faults = 100 * row["hits"] / row["of"]
    if "period_s" in row:
        return Bars(faults, 20.0, f"{of} intervals fit the period", "about 20 % would by chance")
    time = 100 * row["share"]
    return Bars(faults, time, f"{of} faults", f"{time:.2g} % of the time")


_BARS_M = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)


def _plan(found: Pattern) -> Plan | None:
    if len(found.way) < 2 or not found.faults_at:
        return None
    left, low = (min(place[axis] for place in [*found.way, *found.faults_at]) for axis in (0, 1))
    right, high = (max(place[axis] for place in [*found.way, *found.faults_at]) for axis in (0, 1))
    size_m = max(right - left, high - low)
    if size_m < 2.0:
        return None
    scale = (PLAN - 2 * _MARGIN) / size_m

    def drawn(places: Sequence[Place]) -> list[Place]:
        return [(round(_MARGIN + (x - left) * scale, 1), round(_MARGIN + (high - y) * scale, 1)) for x, y in places]

    way = "".join(f"{'L' if number else 'M'}{x} {y}" for number, (x, y) in enumerate(drawn(found.way)))
    bar_m = max(one for one in _BARS_M if one <= max(1.0, size_m / 3))
    width, height = (round(2 * _MARGIN + metres * scale) for metres in (right - left, high - low))
    return Plan(width, height, way, drawn(found.faults_at), round(bar_m * scale, 1), bar_m)
