"""Rows of the tables as the plain values that they hold."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from appliance.history.rows import BoxRow, SecondRow, Watch
from appliance.history.schema import LINES, VERDICTS


def watch(row: Mapping[str, Any]) -> Watch:
    """A row of the reader's own query on watches."""
    dated = row["utc_offset_ns"] is not None
    return Watch(
        id=row["id"],
        started_ns=row["started_ns"],
        ended_ns=row["ended_ns"],
        last_ns=row["last_ns"],
        utc_offset_ns=row["utc_offset_ns"] if dated else row["box_utc_ns"] - row["started_ns"],
        dated=dated,
        uncertainty_s=row["uncertainty_s"],
        needs_name=row["needs_name"],
        needs_toml=row["needs_toml"],
        machine=row["machine"],
        version=row["version"],
        ended_how=row["ended_how"],
        raw_gone_ns=row["raw_gone_ns"],
        seconds_gone_ns=row["seconds_gone_ns"],
        events_gone_ns=row["events_gone_ns"],
    )


def second(row: Mapping[str, Any]) -> SecondRow:
    """A row of the table of seconds, joined with its tally."""
    return SecondRow(
        line=LINES[row["line"]],
        second_ns=row["second_ns"],
        bytes=row["bytes"],
        sentences=row["sentences"],
        damaged=row["damaged"],
        junk=row["junk"],
        load_ratio=row["load_permille"] / 1000,
        verdict=VERDICTS[row["verdict"]],
        quality=row["quality"],
        satellites=row["satellites"],
        hdop=_scaled(row["hdop_hundredths"], 100),
        age_s=_scaled(row["age_hundredths_s"], 100),
        latitude_deg=_scaled(row["latitude_e7_deg"], 10_000_000),
        longitude_deg=_scaled(row["longitude_e7_deg"], 10_000_000),
        speed_mps=_scaled(row["speed_mmps"], 1000),
        jitter_s=_scaled(row["jitter_us"], 1_000_000),
        messages=json.loads(row["messages"]),
    )


def box(row: Mapping[str, Any]) -> BoxRow:
    """A row of the table of the box itself."""
    low = row["supply_low"]
    return BoxRow(row["at_ns"], row["temperature_c"], None if low is None else bool(low))


def _scaled(value: int | None, scale: int) -> float | None:
    return None if value is None else value / scale
