"""What a receiver says in an epoch, as it should be; and what its fields may hold at their limits and beyond."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from appliance.simulate.talk import latitude, longitude

DAY_S = 86_400
Said = list[tuple[str, list[str]]]
"""Of one epoch: type and fields."""

EDGES: dict[str, tuple[str, ...]] = {
    "time": ("000000", "000000.000", "235959.99", "235960", "235960.999999", "120000.0000000000001", "120000."),
    "latitude": ("0000", "0000.0", "9000", "9000.0000000", "8959.99999999", "4500.123456789012345", "8959."),
    "longitude": ("00000", "00000.0", "18000", "18000.000", "17959.99999999", "09000.123456789012345"),
    "side": ("N", "S", "E", "W"),
    "quality": tuple("0123456789"),
    "count": ("0", "00", "1", "99"),
    "number": ("0", "0.0", ".0", "5.", "99.99", "999", "999999999", "999999999.999999999", "0." + "0" * 40 + "1"),
    "signed": ("-0", "+0", "-0.0", "0", "-999999999", "999999999.99", "+.5", "-.5", "0." + "0" * 40 + "1"),
    "turn": ("0", "000.0", "360", "360.0", "359.99999999", "1", "01"),
    "date": ("290224", "290226", "290200", "010180", "311279", "010100", "311226", "300626", "010170", "060480"),
    "year": ("0000", "0001", "1677", "1678", "1970", "1980", "2006", "2038", "2261", "2262", "9999"),
    "day": ("1", "01", "29", "30", "31"),
    "month": ("1", "2", "02", "12"),
    "zone": ("00", "-00", "+0", "13", "-13", "59", "-59", "99", "-99"),
    "status": ("A", "V"),
    "mode": tuple("ADEFMNPRS"),
    "navigational": tuple("SCUV"),
    "station": ("0", "0000", "1023", "4095", "9999"),
    "satellite": ("0", "1", "99", "193", "999"),
    "dimensions": ("1", "2", "3"),
    "selection": ("M", "A"),
    "system": ("0", "1", "F"),
    "M": ("M",), "N": ("N",), "K": ("K",), "T": ("T",),
    "text": ("", "01", "any words", "^2A", "-" * 40),
}  # fmt: skip
"""What the standard allows, at its limits."""
WRONG = (
    "240000", "126000", "9000.0001", "18000.0001", "9100", "310226", "320126", "361", "-1", "1e30", "nan", "inf",
    "-inf", "1E5", "10", "100", "X", "a", "AA", " ", "--1", "1.2.3", "0x10", "9" * 30, "+-0", "1_000", "",
)  # fmt: skip
SHAPES: dict[str, tuple[str, ...]] = {
    "GGA": ("time", "latitude", "side", "longitude", "side", "quality", "count", "number", "signed", "M", "signed",
            "M", "number", "station"),
    "RMC": ("time", "status", "latitude", "side", "longitude", "side", "signed", "turn", "date", "number", "side",
            "mode", "navigational"),
    "VTG": ("turn", "T", "turn", "M", "signed", "N", "signed", "K", "mode"),
    "ZDA": ("time", "day", "month", "year", "zone", "zone"),
    "GLL": ("latitude", "side", "longitude", "side", "time", "status", "mode"),
    "GSA": ("selection", "dimensions", *("satellite",) * 12, "number", "number", "number", "system"),
    "GSV": ("count", "count", "count", "satellite", "count", "turn", "number", "system"),
    "GST": ("time", "number", "number", "number", "turn", "number", "number", "number"),
    "HDT": ("turn", "T"),
    "TXT": ("count", "count", "count", "text"),
    "XQJ": ("text", "number", "signed"),
}  # fmt: skip
"""The kinds of a type's fields; the last is no type that there is."""
OLDER = {"RMC": (11, 12), "VTG": (8,), "GLL": (6,), "GSA": (17,), "GSV": (7,)}
"""How many fields earlier versions have."""
TALKERS = ("GP", "GN", "GL", "GA", "GB", "GQ", "II", "HC", "Q9")
OWN = ("PABC,1,2,3", "PABC", "PX9,,,,", "P1,nan")
PLACES = (
    (0.0, 0.0),
    (52.1, -1.2),
    (89.9999, 0.0),
    (90.0, 180.0),
    (-90.0, -180.0),
    (-33.0, 179.99999),
    (0.0, -179.9999),
)
CLOCKS = (
    datetime(2026, 5, 4, 9, 12), datetime(2026, 12, 31, 23, 59, 40), datetime(2026, 6, 30, 23, 59, 45),
    datetime(2026, 2, 28, 23, 59, 50), datetime(2024, 2, 28, 23, 59, 50), datetime(2026, 5, 9, 23, 59, 40),
    datetime(2000, 1, 1), datetime(1980, 1, 6), datetime(1999, 8, 21, 23, 59, 45), datetime(2038, 1, 19, 3, 14),
    datetime(2079, 12, 31, 23, 59, 50), datetime(2261, 12, 31, 23, 59, 50), datetime(1678, 1, 1),
    datetime(9999, 12, 31),
)  # fmt: skip
JUMPS_S = (
    *(1, -1, 2, -18, 18, 0.3, -0.25, 60, 3600, -3600, DAY_S, -DAY_S, 43_200, 1024 * 7 * DAY_S, -1024 * 7 * DAY_S),
    *(365 * DAY_S, -20 * 365 * DAY_S, 200 * 365 * DAY_S),
)
FIRST, LAST = datetime(1, 1, 2, tzinfo=UTC), datetime(9999, 12, 30, tzinfo=UTC)


@dataclass(slots=True)
class Receiver:
    """What it takes itself to know."""

    utc: datetime
    latitude_deg: float
    longitude_deg: float
    quality: int
    speed_mps: float
    course_deg: float
    decimals: int
    types: list[str]
    talker: str
    age_s: float = 1.0
    told_factor: float = 1.0
    pace: float = 1.0
    still: bool = False

    def go_on(self, for_s: float) -> None:
        """Moves clock and position on."""
        self.jump(for_s * self.pace)
        if self.still:
            return
        way_deg = self.speed_mps * for_s / 111_120
        course = math.radians(self.course_deg)
        self.latitude_deg = max(-90.0, min(90.0, self.latitude_deg + way_deg * math.cos(course)))
        shrunk = max(1e-6, math.cos(math.radians(self.latitude_deg)))
        self.longitude_deg = math.remainder(self.longitude_deg + way_deg * math.sin(course) / shrunk, 360)

    def jump(self, by_s: float) -> None:
        """Moves the clock, as far as there are years."""
        try:
            moved = self.utc + timedelta(seconds=by_s)
        except OverflowError:
            return
        if FIRST < moved < LAST:
            self.utc = moved

    def says(self) -> Said:
        """One epoch, as it should be."""
        return [(type_, self._fields(type_)) for type_ in self.types]

    def _fields(self, type_: str) -> list[str]:
        utc, knots = self.utc, self.speed_mps * self.told_factor * 3600 / 1852
        time = f"{utc:%H%M%S}.{utc.microsecond // 10_000:02d}"
        place = [*latitude(self.latitude_deg, self.decimals), *longitude(self.longitude_deg, self.decimals)]
        mode = "NADPRFEMSD"[self.quality]
        status = "V" if mode in "NEMS" else "A"
        turn = f"{self.course_deg:.2f}"
        known = {
            "GGA": [time, *place, str(self.quality), "17", "0.71", "80.1", "M", "46.9", "M", f"{self.age_s:.1f}", "1"],
            "RMC": [time, status, *place, f"{knots:.3f}", turn, f"{utc:%d%m%y}", "1.2", "W", mode, status],
            "VTG": [turn, "T", turn, "M", f"{knots:.3f}", "N", f"{knots * 1.852:.3f}", "K", mode],
            "ZDA": [time, f"{utc:%d}", f"{utc:%m}", f"{utc.year:04d}", "00", "00"],
            "GLL": [*place, time, status, mode],
            "GST": [time, "1.1", "0.02", "0.01", "45.0", "0.02", "0.01", "0.03"],
        }
        return known.get(type_) or [EDGES[kind][-1] for kind in SHAPES[type_]]
