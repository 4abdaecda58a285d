"""UTC as it leaves the box: whole milliseconds, by the watch's own offset from the monotonic clock.

Because the offset is asked for when something is taken, what was recorded before the line told the time is dated
like the rest.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from appliance.history.rows import Watch

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def utc_ms(watch: Watch, mono_ns: int) -> int:
    """UNIX time in ms, to the nearest."""
    return (watch.utc_ns(mono_ns) + 500_000) // 1_000_000


def moment(watch: Watch, mono_ns: int) -> datetime:
    """The same as a datetime in UTC."""
    return _EPOCH + timedelta(milliseconds=utc_ms(watch, mono_ns))


def iso(watch: Watch, mono_ns: int) -> str:
    """ISO 8601 with Z and ms: 2026-05-04T09:12:33.412Z."""
    return f"{moment(watch, mono_ns).replace(tzinfo=None).isoformat(timespec='milliseconds')}Z"
