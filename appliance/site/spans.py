"""Which part of a watch the take-away form asks for, and how a watch is told in a list."""

from __future__ import annotations

from collections.abc import Mapping

from appliance.history.rows import Watch
from appliance.site.words import NS, from_ns
from appliance.take.span import Span, SpanError, between, last

CHOICES = {
    "whole": ("The whole watch", None),
    "hour": ("Its last hour", 3600),
    "ten": ("Its last 10 minutes", 600),
    "between": ("From … to …", None),
}
"""choice: (words, seconds back from the end of the watch)."""


def resolve(watch: Watch, asked: Mapping[str, str]) -> Span:
    """The span asked for, cut to the watch. Raises SpanError."""
    choice = asked.get("span", "whole")
    if choice not in CHOICES:
        raise SpanError("Choose the whole watch, its last hour, its last 10 minutes, or a start and an end.")
    if choice != "between":
        return last(watch, CHOICES[choice][1])
    if not asked.get("from") or not asked.get("to"):
        raise SpanError("Give the start and the end as a date and a time in UTC, such as 2026-05-04T09:12.")
    return between(watch, asked["from"], asked["to"])


def watch_words(watch: Watch) -> str:
    """A watch in a list: when, how it ended, of what machine."""
    start, end = from_ns(watch.utc_ns(watch.started_ns)), from_ns(watch.utc_ns(watch.last_ns))
    until = f"{end:%H:%M}" if end.date() == start.date() else f"{end:%Y-%m-%d %H:%M}"
    how = {"cut off": ", power cut"}.get(watch.ended_how, "" if watch.ended_ns is not None else ", still on")
    unsure = "" if watch.dated else ", by the box clock"
    return f"{start:%Y-%m-%d %H:%M} to {until}{how}{unsure}, {watch.machine}"


def field_times(watch: Watch) -> tuple[str, str]:
    """Start and end of a watch as a date-and-time field wants them, the end rounded up."""
    times = (watch.utc_ns(watch.started_ns), watch.utc_ns(watch.last_ns) + NS)
    return from_ns(times[0]).strftime("%Y-%m-%dT%H:%M:%S"), from_ns(times[1]).strftime("%Y-%m-%dT%H:%M:%S")
