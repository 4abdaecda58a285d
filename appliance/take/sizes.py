"""How large each form will be, before it is made: from what history knows of a span without reading its raw bytes."""

from __future__ import annotations

from dataclasses import dataclass

from appliance.history.reader import History
from appliance.history.rows import Watch
from appliance.history.summaries import MINUTE_NS, S, Sum
from appliance.take.text import SOURCES, tag_block

SHORT_NS = 600 * S
"""Spans as short as this are counted by the second, longer ones by the minute. Our choice."""


@dataclass(slots=True, frozen=True)
class Holds:
    """What a span holds of one line. raw: bytes. positions: seconds that had one."""

    raw: int
    frames: int
    seconds: int
    positions: int
    faults: int
    losses: int


BYTES_EACH = {"seconds": 137, "faults": 170, "losses": 66, "gpx": 229, "geojson": 36}
"""Bytes of a row, a fault, a loss and a position, as measured of a usual day; see the test."""
HEADER_BYTES = 150


def about(history: History, watch: Watch, line: str, from_ns: int, to_ns: int) -> dict[str, int]:
    """Bytes by form, to about a quarter."""
    holds = held(history, watch, line, from_ns, to_ns)
    return {
        "text": holds.raw + (holds.frames * len(tag_block(SOURCES[line], 10**12)) if holds.raw else 0),
        "raw": holds.raw,
        "seconds": HEADER_BYTES + holds.seconds * BYTES_EACH["seconds"],
        "faults": HEADER_BYTES + holds.faults * BYTES_EACH["faults"],
        "losses": HEADER_BYTES + holds.losses * BYTES_EACH["losses"],
        "gpx": 2 * HEADER_BYTES + holds.positions * BYTES_EACH["gpx"],
        "geojson": HEADER_BYTES + holds.positions * BYTES_EACH["geojson"],
    }


def held(history: History, watch: Watch, line: str, from_ns: int, to_ns: int) -> Holds:
    """What the span holds."""
    sizes = history.sizes(watch.id, from_ns, to_ns)
    short = to_ns - from_ns <= SHORT_NS
    raw = sizes[line]
    if short:  # whole blocks would be too coarse
        there_ns = max(from_ns, watch.raw_gone_ns or from_ns)
        raw = sum(row.bytes for row in history.seconds(watch.id, line, there_ns, to_ns))
    minutes_ns = MINUTE_NS * (1 + (to_ns - 1) // MINUTE_NS - from_ns // MINUTE_NS)
    step_ns = S if short else minutes_ns  # in one step: only sums are asked
    series = history.summary(watch.id, line, from_ns, to_ns, step_ns).series

    def sums(name: str) -> list[Sum]:
        return list(series.get(name, {}).values())

    return Holds(
        raw,
        int(sum(one.total for name in ("sentences", "damaged") for one in sums(name))),
        sum(one.seconds for one in sums("verdict")),
        sum(one.seconds for one in sums("quality")),
        sizes["faults"],
        sizes["losses"],
    )
