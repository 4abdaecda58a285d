"""What history keeps of each second of a line."""

from __future__ import annotations

from appliance.history.rows import SecondRow, State
from appliance.measure.load import BITS_A_BYTE
from appliance.measure.meter import LineMeter

_FRESH_NS = 2_000_000_000
"""A fix older than this is not that second's. Our choice: two intervals of a 1 Hz receiver."""


def second_row(line: str, meter: LineMeter, second_ns: int, now_ns: int, verdict: State) -> SecondRow:
    """The measures of a line over the second that began at second_ns; it takes the meter's tally."""
    tally, fix = meter.take_tally(), meter.fix
    sample = fix.sample if fix.sample and now_ns - fix.sample.at_ns < _FRESH_NS else None
    return SecondRow(
        line=line,
        second_ns=second_ns,
        bytes=tally.bytes,
        sentences=tally.sentences,
        damaged=tally.damaged,
        junk=tally.junk,
        load_ratio=tally.bytes * BITS_A_BYTE / meter.load.baud,
        verdict=verdict,
        quality=sample.quality if sample else None,
        satellites=sample.satellites if sample else None,
        hdop=sample.hdop if sample else None,
        age_s=sample.age_s if sample else None,
        latitude_deg=fix.latitude_deg if sample else None,
        longitude_deg=fix.longitude_deg if sample else None,
        speed_mps=fix.speed_mps if sample else None,
        jitter_s=tally.jitter_s,
        messages=dict(tally.messages),
    )
