"""Which part of a watch is asked for, by UTC or by "the last so many seconds"."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from appliance.history.rows import Watch
from appliance.take.utc import moment

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class SpanError(ValueError):
    """The span cannot be used; the text says why, in plain words."""


@dataclass(slots=True, frozen=True)
class Span:
    """From from_ns to to_ns on the monotonic clock, the last excluded."""

    from_ns: int
    to_ns: int


def last(watch: Watch, seconds: float | None = None) -> Span:
    """The last so many seconds of a watch; None: the whole of it."""
    end_ns = watch.last_ns + 1
    begin_ns = watch.started_ns if seconds is None else max(watch.started_ns, end_ns - int(seconds * 1e9))
    return Span(begin_ns, end_ns)


def between(watch: Watch, from_utc: str | None, to_utc: str | None) -> Span:
    """From one UTC time to another, as ISO 8601 text, cut to the watch; None: its start or end. Raises SpanError."""
    whole = last(watch)
    from_ns = whole.from_ns if not from_utc else _utc_ns(from_utc, "start") - watch.utc_offset_ns
    to_ns = whole.to_ns if not to_utc else _utc_ns(to_utc, "end") - watch.utc_offset_ns
    if to_ns <= from_ns:
        raise SpanError("The end must be later than the start.")
    if to_ns <= whole.from_ns or from_ns >= whole.to_ns:
        begin, end = moment(watch, whole.from_ns), moment(watch, whole.to_ns)
        raise SpanError(
            f"This watch runs from {begin:%Y-%m-%d %H:%M:%S} to {end:%Y-%m-%d %H:%M:%S} UTC; nothing lies in that span."
        )
    return Span(max(whole.from_ns, from_ns), min(whole.to_ns, to_ns))


def _utc_ns(text: str, which: str) -> int:
    """Nanoseconds since 1970 of such as 2026-05-04T09:12, or with seconds; a time without a zone is UTC."""
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise SpanError(f"Give the {which} as a date and a time in UTC, such as 2026-05-04T09:12.") from None
    when = when.replace(tzinfo=UTC) if when.tzinfo is None else when
    return (when - _EPOCH) // timedelta(microseconds=1) * 1000
