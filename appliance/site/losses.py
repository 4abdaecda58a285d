"""What the connected controller got: for how long it would have been without its position or its speed, and when."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from appliance.history.rows import LossRow, Watch
from appliance.site.words import NS, from_iso, from_ns

WHAT_WORDS = {"position": "Position", "speed": "Speed"}


@dataclass(slots=True, frozen=True)
class Loss:
    """One loss. start: UTC. lasted_s: so far, where it is still on; None: not known."""

    what: str
    start: datetime
    lasted_s: float | None
    on: bool


@dataclass(slots=True, frozen=True)
class Total:
    """How long one figure was lost in all in this watch. on: it is lost now."""

    what: str
    lost_s: float
    on: bool


@dataclass(slots=True, frozen=True)
class Saw:
    """What the live picture tells. losses: newest first. deaf: the port is not open, so nothing can be told now."""

    totals: list[Total]
    losses: list[Loss]
    since: datetime | None
    watch_s: float
    deaf: bool


def saw(picture: dict[str, Any]) -> Saw:
    """The losses of this watch, from the live picture."""
    told, watch = picture["controller_saw"], picture["watch"]
    since, now_s = from_iso(watch["started_utc"]), watch["seconds"]
    lost_now = {span["what"] for span in told["spans"] if span["end_s"] is None}
    return Saw(
        [Total(what, told["lost_s"][what], what in lost_now) for what in told["asked"]],
        [_live(span, since, now_s) for span in reversed(told["spans"])] if since else [],
        since,
        now_s,
        any(line["name"] == "from-receiver" and line["port_state"] != "open" for line in picture["lines"]),
    )


def kept(rows: Iterable[LossRow], watch: Watch) -> list[Loss]:
    """Losses of history, in their order."""
    return [
        Loss(
            row.what,
            from_ns(watch.utc_ns(row.start_ns)),
            None if row.end_ns is None else (row.end_ns - row.start_ns) / NS,
            row.end_ns is None,
        )
        for row in rows
    ]


def _live(span: dict[str, Any], since: datetime, now_s: float) -> Loss:
    end_s = now_s if span["end_s"] is None else span["end_s"]
    start = since + timedelta(seconds=span["start_s"])
    return Loss(span["what"], start, max(0.0, end_s - span["start_s"]), span["end_s"] is None)
