"""What each field of a sentence may hold: one table, from which a pattern for the whole sentence is made.

A null field (nothing between two commas) means "no data" and never spoils a sentence (IEC 61162-1 / NMEA 0183).
XOR is a weak sum: garbage passes once in 256, and two equal characters lost go unseen. So the count, alphabet, width
and range of the fields are checked as well. Where receivers in the field depart from the standard with right sums
(satellite numbers unpadded, times without decimals, a zone of `+0`, a day of one digit), the table lets them pass.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

_NUMBER = r"(?:\d{1,9}(?:\.\d*)?|\.\d+)"
_SIGNED = rf"[+-]?{_NUMBER}"
_TURN = r"(?:(?:[0-2]?\d?\d|3[0-5]\d)(?:\.\d*)?|360(?:\.0*)?)"
_TIME = r"(?:[01]\d|2[0-3])[0-5]\d(?:[0-5]\d|60)(?:\.\d*)?"
_LATITUDE = r"(?:[0-8]\d[0-5]\d(?:\.\d*)?|9000(?:\.0*)?)"
_LONGITUDE = r"(?:(?:0\d\d|1[0-7]\d)[0-5]\d(?:\.\d*)?|18000(?:\.0*)?)"
_DATE = r"(?:(?:0[1-9]|[12]\d)(?:0[1-9]|1[0-2])|30(?:0[13-9]|1[0-2])|31(?:0[13578]|1[02]))\d\d"
_SATELLITE = r"\d{1,3}"
_DIMENSIONS = "[123]"
_DAY = r"0?[1-9]|[12]\d|3[01]"
_MONTH = r"0?[1-9]|1[0-2]"
_AZIMUTH = r"[0-2]?\d?\d|3[0-5]\d|360"
_MODE = r"[ADEFMNPRS]"

Digits = Mapping[int, tuple[tuple[int, int, frozenset[bytes]], ...]]
"""Number of leading digits of a value -> from, to, and which digits there are surely right."""


def _two(first: int, last: int) -> frozenset[bytes]:
    return frozenset(b"%02d" % n for n in range(first, last + 1))


_HOUR_MINUTE = frozenset(b"%02d%02d" % (hour, minute) for hour in range(24) for minute in range(60))
_MINUTE = _two(0, 59)
_DEGREES_180 = frozenset(b"%03d" % degree for degree in range(180))
_DAY_MONTH = frozenset(b"%02d%02d" % (day, month) for day in range(1, 29) for month in range(1, 13))
_DEGREES_360 = frozenset(b"%03d" % degree for degree in range(360))

DIGITS: dict[str, Digits] = {
    _TURN: {1: (), 2: (), 3: ((0, 3, _DEGREES_360),)},
    _TIME: {6: ((0, 4, _HOUR_MINUTE), (4, 6, _MINUTE))},
    _LATITUDE: {4: ((0, 2, _two(0, 89)), (2, 4, _MINUTE))},
    _LONGITUDE: {5: ((0, 3, _DEGREES_180), (3, 5, _MINUTE))},
    _DATE: {6: ((0, 4, _DAY_MONTH),)},
    _DIMENSIONS: {1: ((0, 1, frozenset((b"1", b"2", b"3"))),)},
    _DAY: {2: ((0, 2, _two(1, 31)),)},
    _MONTH: {2: ((0, 2, _two(1, 12)),)},
    _AZIMUTH: {1: (), 2: (), 3: ((0, 3, _DEGREES_360),)},
}
"""For patterns to which the value of a digit matters, not only that it is one: what a look-up can settle.

It need not cover all that the pattern allows (leap seconds, the poles, the 31st): what it misses is asked in full.
"""


@dataclass(frozen=True, slots=True)
class Field:
    """One field: its name in words, and the pattern that a value which is not null must match whole."""

    name: str
    pattern: str


@dataclass(frozen=True, slots=True)
class Layout:
    """The fields of one type after its address.

    words: what the sentence tells. optional: how many of the last fields may be absent (older versions of the
    standard). repeat: a group of fields that may come up to four times between `fields` and `tail`.
    """

    words: str
    fields: tuple[Field, ...]
    optional: int = 0
    repeat: tuple[Field, ...] = ()
    tail: tuple[Field, ...] = ()

    def counts(self) -> tuple[int, ...]:
        """The numbers of fields that the standard's versions know."""
        if self.repeat:
            base, step = len(self.fields), len(self.repeat)
            return tuple(base + step * n + extra for n in range(5) for extra in range(len(self.tail) + 1))
        return tuple(range(len(self.fields) - self.optional, len(self.fields) + 1))

    def expand(self, count: int) -> tuple[Field, ...]:
        """The fields of a sentence that has `count` of them; count must be one of counts()."""
        if not self.repeat:
            return self.fields[:count]
        groups, extra = divmod(count - len(self.fields), len(self.repeat))
        return self.fields + self.repeat * groups + self.tail[:extra]


def _fields(*pairs: tuple[str, str]) -> tuple[Field, ...]:
    return tuple(Field(name, pattern) for name, pattern in pairs)


_POSITION = (
    ("latitude", _LATITUDE),
    ("north or south", "[NS]"),
    ("longitude", _LONGITUDE),
    ("east or west", "[EW]"),
)

LAYOUTS: dict[str, Layout] = {
    "GGA": Layout(
        "position and fix",
        _fields(
            ("UTC", _TIME),
            *_POSITION,
            ("quality", r"\d"),
            ("satellites used", r"\d{1,2}"),
            ("HDOP", _NUMBER),
            ("altitude", _SIGNED),
            ("unit of altitude", "M"),
            ("geoid separation", _SIGNED),
            ("unit of separation", "M"),
            ("age of corrections", _NUMBER),
            ("station", r"\d{1,4}"),
        ),
    ),
    "RMC": Layout(
        "position, speed and date",
        _fields(
            ("UTC", _TIME),
            ("status", "[AV]"),
            *_POSITION,
            ("speed in knots", _SIGNED),
            ("course", _TURN),
            ("date", _DATE),
            ("magnetic variation", _NUMBER),
            ("variation east or west", "[EW]"),
            ("mode", _MODE),
            ("navigational status", "[SCUV]"),
        ),
        optional=2,
    ),
    "VTG": Layout(
        "course and speed",
        _fields(
            ("true course", _TURN),
            ("T", "T"),
            ("magnetic course", _TURN),
            ("M", "M"),
            ("speed in knots", _SIGNED),
            ("N", "N"),
            ("speed in km/h", _SIGNED),
            ("K", "K"),
            ("mode", _MODE),
        ),
        optional=1,
    ),
    "ZDA": Layout(
        "time and date",
        _fields(
            ("UTC", _TIME),
            ("day", _DAY),
            ("month", _MONTH),
            ("year", r"\d{4}"),
            ("zone hours", r"[+-]?\d{1,2}"),
            ("zone minutes", r"[+-]?\d{1,2}"),
        ),
    ),
    "GLL": Layout(
        "position",
        _fields(*_POSITION, ("UTC", _TIME), ("status", "[AV]"), ("mode", _MODE)),
        optional=1,
    ),
    "GSA": Layout(
        "satellites used and dilution",
        _fields(
            ("selection", "[MA]"),
            ("dimensions", _DIMENSIONS),
            *((f"satellite {n}", _SATELLITE) for n in range(1, 13)),
            ("PDOP", _NUMBER),
            ("HDOP", _NUMBER),
            ("VDOP", _NUMBER),
            ("system", "[0-9A-F]"),
        ),
        optional=1,
    ),
    "GST": Layout(
        "error estimate",
        _fields(
            ("UTC", _TIME),
            ("RMS of residuals", _NUMBER),
            ("error along major axis", _NUMBER),
            ("error along minor axis", _NUMBER),
            ("orientation", _TURN),
            ("error of latitude", _NUMBER),
            ("error of longitude", _NUMBER),
            ("error of altitude", _NUMBER),
        ),
    ),
    "GSV": Layout(
        "satellites in view",
        _fields(("sentences", r"\d{1,2}"), ("sentence", r"\d{1,2}"), ("satellites in view", r"\d{1,3}")),
        repeat=_fields(
            ("satellite", _SATELLITE),
            ("elevation", r"-?\d{1,2}"),
            ("azimuth", _AZIMUTH),
            ("signal to noise", r"\d{1,2}(?:\.\d*)?"),
        ),
        tail=_fields(("signal", "[0-9A-F]")),
    ),
    "HDT": Layout("heading", _fields(("heading", _TURN), ("T", "T"))),
}


def _whole(layout: Layout, count: int) -> re.Pattern[str]:
    return re.compile(",".join(f"(?:{field.pattern}|)" for field in layout.expand(count)))


WHOLE: dict[str, dict[int, re.Pattern[str]]] = {
    type_: {count: _whole(layout, count) for count in layout.counts()} for type_, layout in LAYOUTS.items()
}
"""For each type and number of fields, the pattern that all its fields joined by commas must match whole."""


def first_wrong(type_: str, fields: list[str]) -> int:
    """Which field is the first that does not match its pattern. The count must be right, and one must be wrong."""
    pairs = zip(LAYOUTS[type_].expand(len(fields)), fields, strict=True)
    return next(n for n, (field, value) in enumerate(pairs) if value and not re.fullmatch(field.pattern, value))
