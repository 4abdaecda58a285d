"""Numbers and times as people read them: with their unit, and no more digits than they deserve."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from markupsafe import Markup, escape

from appliance.judge.words import DAMAGE_WORDS, found_and_advice

NOTHING = "\N{EN DASH}"
"""Shown where nothing is known."""

NS = 1_000_000_000

LINE_WORDS = {"from-receiver": "From receiver", "from-controller": "From controller"}
PATTERN_WORDS = {
    "go": "Green, steady: go.",
    "no-go": "Red, two short winks a second: no-go.",
    "wait": "Red and green in turn, slowly: wait.",
    "test": "Both on: lamp test.",
    "dark": "Dark, which means no-go.",
    "wiggle": "Green, steady: a wiggle test is on, and nothing is lost.",
    "hit": "Red: a wiggle test is on, and something was lost just now.",
}
PINS_WORDS = {
    "mock": "This machine has no real lamps: they are only imagined here.",
    "none": "The lamps cannot be reached.",
}
STATE_WORDS = {"go": "GO", "no-go": "NO-GO", "wait": "WAIT"}
SOURCE_WORDS = {"button": "button on the box", "page": "this page", "box": "the box itself"}

_STAMP = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")
_HOUR = re.compile(r"\b(\d\d:\d\d) UTC\b")
_FIGURE = re.compile(r"(\d) (?=(?:s|ms|min|h|d|Hz|%|bytes|[kMG]B)\b|%)")


def seconds(value_s: float | None) -> str:
    """A short time such as a gap or an age: "0.21 s", "3.1 s", "48 s", then as `span`."""
    if value_s is None:
        return NOTHING
    if value_s < 0.9995:
        return f"{value_s:.2f} s"
    return f"{value_s:.1f} s" if value_s < 9.95 else span(value_s)


def brief(value_s: float | None) -> str:
    """A length of time that may be very short: "3 ms", "0.25 s", "4.0 s", "48 s", then as `span`."""
    if value_s is None:
        return NOTHING
    if value_s < 0.0995:
        return "under 1 ms" if 0 < value_s < 0.0005 else f"{value_s * 1000:.0f} ms"
    return f"{value_s:.2f} s" if value_s < 0.995 else f"{value_s:.1f} s" if value_s < 9.95 else span(value_s)


def ago(value_s: float | None) -> str:
    """How long since something: "0.2 s", "48 s", then as `span`."""
    return NOTHING if value_s is None else f"{value_s:.1f} s" if value_s < 9.95 else span(value_s)


def bare_seconds(value_s: float | None) -> str:
    """Seconds without their unit, for a column that names it: "0.21", "3.1", "1250"."""
    if value_s is None:
        return NOTHING
    return f"{value_s:.{2 if value_s < 0.995 else 1 if value_s < 9.95 else 0}f}"


def bare_ago(value_s: float | None) -> str:
    """As `ago`, without its unit."""
    return NOTHING if value_s is None else f"{value_s:.{1 if value_s < 9.95 else 0}f}"


def span(value_s: float | None) -> str:
    """A length of time in whole seconds, two units at most: "34 s", "5 min 12 s", "3 h 20 min", "2 d 4 h"."""
    if value_s is None:
        return NOTHING
    whole_s = max(0, int(value_s + 0.5))
    for upper_s, big_s, big, small_s, small in (
        (3600, 60, "min", 1, "s"),
        (86400, 3600, "h", 60, "min"),
        (float("inf"), 86400, "d", 3600, "h"),
    ):
        if whole_s < 60:
            return f"{whole_s} s"
        if whole_s < upper_s:
            rest = whole_s % big_s // small_s
            return f"{whole_s // big_s} {big}" + (f" {rest} {small}" if rest else "")
    raise AssertionError  # the last row has no upper end


def hertz(value_hz: float | None) -> str:
    """A rate in Hz to a tenth; below 1 Hz to a hundredth."""
    if value_hz is None:
        return NOTHING
    if value_hz == 0:
        return "0"
    return f"{value_hz:.2f}" if value_hz < 0.995 else f"{value_hz:.1f}"


def milliseconds(value_s: float | None) -> str:
    """A jitter, given in seconds, in whole ms."""
    if value_s is None:
        return NOTHING
    return "<1" if 0 < value_s < 0.001 else f"{value_s * 1000:.0f}"


def percent(ratio: float | None) -> str:
    """A ratio as percent without its sign: "0", "<0.1", "2.3", "45"."""
    if ratio is None:
        return NOTHING
    value = ratio * 100
    if value == 0 or value >= 9.95:
        return f"{value:.0f}"
    return "<0.1" if value < 0.1 else f"{value:.1f}"


def amount(value: float | None, unit: str) -> str:
    """A check's number with its unit, whatever the unit."""
    if value is None:
        return NOTHING
    if unit == "s":
        return seconds(value)
    if unit == "ratio":
        return f"{percent(value)} %"
    if unit == "Hz":
        return f"{hertz(value)} Hz"
    number = f"{value:.0f}" if value == int(value) or abs(value) >= 100 else f"{value:.3g}"
    return f"{number} {unit.removesuffix('s') if value == 1 else unit}".rstrip()


def size(count: int | None) -> str:
    """A number of bytes: "812 bytes", "3.4 kB", "61 MB"."""
    if count is None:
        return NOTHING
    if count < 1000:
        return f"{count} bytes"
    value = float(count)
    for unit in ("kB", "MB", "GB"):
        value /= 1000
        if value < 999.5 or unit == "GB":
            return f"{value:.1f} {unit}" if value < 9.95 else f"{value:.0f} {unit}"
    raise AssertionError


def degrees(value_deg: float | None, positive: str, negative: str, quality: int | None) -> str:
    """A coordinate: 7 decimals (1 cm) where the fix is RTK, else 5 (1 m)."""
    if value_deg is None:
        return NOTHING
    decimals = 7 if quality in (4, 5) else 5
    return f"{abs(value_deg):.{decimals}f}° {positive if value_deg >= 0 else negative}"


def glued(sentence: str) -> Markup:
    """A sentence in which no figure is parted from its unit by the end of a row, and stamps are times."""
    told = str(escape(_FIGURE.sub("\\1\N{NO-BREAK SPACE}", sentence)))
    return Markup(_STAMP.sub(lambda found: clock(from_iso(found[0])), told))


def hours_of_day(sentence: str, day: datetime) -> Markup:
    """As `glued`, with its hours of UTC ("06:00 UTC") as times, which the phone turns into its own: those of a day."""
    date = day.astimezone(UTC).strftime("%Y-%m-%d")
    times = _HOUR.sub(rf'<time datetime="{date}T\1:00Z">\1' "\N{NO-BREAK SPACE}UTC</time>", str(glued(sentence)))
    return Markup(times)


def damage(reason: str) -> str:
    """Why sentences were refused, in words."""
    return DAMAGE_WORDS.get(reason, reason.replace("-", " "))


def from_iso(text: str | None) -> datetime | None:
    """A UTC time of the live picture; None where there is none or it cannot be read."""
    try:
        when = datetime.fromisoformat(text) if text else None
    except ValueError:
        return None
    return when.replace(tzinfo=UTC) if when and when.tzinfo is None else when


def from_ns(utc_ns: int) -> datetime:
    """ns since 1970 as a UTC time, to the microsecond."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=utc_ns // 1000)


def stamp(when: datetime) -> str:
    """For machines, and within a sentence that `glued` will see: "2026-05-04T14:02:11Z"."""
    return when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def hour(when: datetime) -> str:
    """Time of day, to the minute: "14:02"."""
    return when.astimezone(UTC).strftime("%H:%M")


def clock(when: datetime | None) -> Markup:
    """Time of day: "14:02:11 UTC", which the phone turns into its own (clock.js)."""
    return _time(when, "%H:%M:%S")


def day_clock(when: datetime | None) -> Markup:
    """Date and time of day: "2026-05-04 14:02:11 UTC", which the phone turns into its own."""
    return _time(when, "%Y-%m-%d %H:%M:%S")


def plain_day_clock(when: datetime | None) -> str:
    """Date and time of day in UTC, for a file: "2026-05-04 14:02:11"."""
    return when.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S") if when else NOTHING


def _time(when: datetime | None, form: str) -> Markup:
    if when is None:
        return Markup(NOTHING)
    shown = when.astimezone(UTC).strftime(form)
    return Markup('<time datetime="{}">{}\N{NO-BREAK SPACE}UTC</time>').format(stamp(when), shown)


FILTERS = {
    "seconds": seconds,
    "brief": brief,
    "ago": ago,
    "bare_ago": bare_ago,
    "bare_seconds": bare_seconds,
    "span": span,
    "hertz": hertz,
    "milliseconds": milliseconds,
    "percent": percent,
    "amount": amount,
    "size": size,
    "degrees": degrees,
    "damage": damage,
    "glued": glued,
    "hours_of_day": hours_of_day,
    "found_and_advice": found_and_advice,
    "from_iso": from_iso,
    "from_ns": from_ns,
    "stamp": stamp,
    "hour": hour,
    "clock": clock,
    "day_clock": day_clock,
}
"""For the templates, by the same names."""
