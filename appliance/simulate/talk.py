"""What a receiver says: sentences put together from a reading (IEC 61162-1 / NMEA 0183).

Each type has one function from a reading to the bodies of its sentences, the body being what stands between `$`
and `*`; `seal` makes the sentence of it. Widths are those of receivers of the RTK class: hundredths of a second,
and as many decimals of a minute as asked. With 8 decimals GGA is 85 to 92 characters and RMC 84 to 90.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime

from appliance.sentence.checksum import checksum

KNOT_MPS = 1852 / 3600

MODES = {0: "N", 1: "A", 2: "D", 3: "P", 4: "R", 5: "F", 6: "E", 7: "M", 8: "S", 9: "D"}
# By the letter of the standard the status is V for every mode but A and D; receivers send A with R and F too.
INVALID_MODES = frozenset("NEMS")

# Receivers that use no corrections leave their age and their station empty.
CORRECTED = frozenset({2, 4, 5, 9})

SYSTEM_IDS = {"GP": 1, "GL": 2, "GA": 3}


@dataclass(slots=True, frozen=True)
class Satellite:
    """One satellite in view: system is its talker (GP, GL, GA), number its id there; degrees; dB-Hz."""

    system: str
    number: int
    elevation_deg: int
    azimuth_deg: int
    strength_db: int
    used: bool


@dataclass(slots=True, frozen=True)
class Manner:
    """How the receiver talks. navigational_status: the 13th field of RMC, new with version 4.1."""

    talker: str = "GN"
    decimals: int = 8
    navigational_status: bool = True


@dataclass(slots=True)
class Reading:
    """What the receiver knows at one instant. course_deg is None where the receiver gives none (standstill).

    hdop and age_s are None where it leaves them empty. leap: its second is to be written as 60.
    """

    utc: datetime
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    geoid_m: float
    speed_mps: float
    course_deg: float | None
    heading_deg: float
    variation_deg: float
    quality: int
    satellites: int
    hdop: float | None
    age_s: float | None
    station: str
    error_m: float
    sky: tuple[Satellite, ...]
    leap: bool = False


def seal(body: str) -> bytes:
    """`$`, the body, its checksum, CR LF. The body must be ASCII."""
    raw = body.encode("ascii")
    return b"$%b*%02X\r\n" % (raw, checksum(raw))


def latitude(degrees: float, decimals: int) -> tuple[str, str]:
    """Degrees and minutes as the standard writes them, and N or S."""
    return _minutes(degrees, decimals, 2), "S" if degrees < 0 else "N"


def longitude(degrees: float, decimals: int) -> tuple[str, str]:
    """Degrees and minutes as the standard writes them, and E or W. Beyond the antimeridian is on its other side."""
    degrees = math.remainder(degrees, 360)
    return _minutes(degrees, decimals, 3), "W" if degrees < 0 else "E"


def _minutes(degrees: float, decimals: int, width: int) -> str:
    # In whole units of the last decimal, so that rounding can never give 60 minutes.
    unit = 10**decimals
    whole, rest = divmod(round(abs(degrees) * 60 * unit), 60 * unit)
    minutes, fraction = divmod(rest, unit)
    return f"{whole:0{width}d}{minutes:02d}" + (f".{fraction:0{decimals}d}" if decimals else "")


def _clock(reading: Reading) -> str:
    utc = reading.utc
    second = 60 if reading.leap else utc.second
    return f"{utc.hour:02d}{utc.minute:02d}{second:02d}.{utc.microsecond // 10_000:02d}"


def _dop(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def _position(reading: Reading, manner: Manner) -> str:
    return ",".join(latitude(reading.latitude_deg, manner.decimals) + longitude(reading.longitude_deg, manner.decimals))


def _status(reading: Reading) -> str:
    return "V" if MODES[reading.quality] in INVALID_MODES else "A"


def _gga(reading: Reading, manner: Manner) -> Iterator[str]:
    corrected = reading.age_s is not None and reading.quality in CORRECTED
    age = f"{reading.age_s:.1f},{reading.station}" if corrected else ","
    yield (
        f"{manner.talker}GGA,{_clock(reading)},{_position(reading, manner)},{reading.quality},"
        f"{reading.satellites:02d},{_dop(reading.hdop)},{reading.altitude_m:.3f},M,{reading.geoid_m:.3f},M,{age}"
    )


def _rmc(reading: Reading, manner: Manner) -> Iterator[str]:
    course = "" if reading.course_deg is None else _angle(reading.course_deg)
    variation, side = abs(reading.variation_deg), "W" if reading.variation_deg < 0 else "E"
    status = ",V" if manner.navigational_status else ""
    yield (
        f"{manner.talker}RMC,{_clock(reading)},{_status(reading)},{_position(reading, manner)},"
        f"{reading.speed_mps / KNOT_MPS:.3f},{course},{reading.utc:%d%m%y},{variation:.1f},{side},"
        f"{MODES[reading.quality]}{status}"
    )


def _vtg(reading: Reading, manner: Manner) -> Iterator[str]:
    true = magnetic = ""
    if reading.course_deg is not None:
        true, magnetic = _angle(reading.course_deg), _angle(reading.course_deg - reading.variation_deg)
    yield (
        f"{manner.talker}VTG,{true},T,{magnetic},M,{reading.speed_mps / KNOT_MPS:.3f},N,"
        f"{reading.speed_mps * 3.6:.3f},K,{MODES[reading.quality]}"
    )


def _angle(degrees: float) -> str:
    return f"{round(degrees * 100) % 36_000 / 100:.2f}"


def _zda(reading: Reading, manner: Manner) -> Iterator[str]:
    yield f"{manner.talker}ZDA,{_clock(reading)},{reading.utc:%d,%m,%Y},00,00"


def _gll(reading: Reading, manner: Manner) -> Iterator[str]:
    yield (
        f"{manner.talker}GLL,{_position(reading, manner)},{_clock(reading)},{_status(reading)},{MODES[reading.quality]}"
    )


def _gsa(reading: Reading, manner: Manner) -> Iterator[str]:
    hdop = reading.hdop
    vdop = None if hdop is None else hdop * 1.5
    pdop = None if hdop is None else hdop * (1 + 1.5**2) ** 0.5
    for system, number in SYSTEM_IDS.items():
        used = [f"{sat.number:02d}" for sat in reading.sky if sat.used and sat.system == system][:12]
        places = ",".join(used + [""] * (12 - len(used)))
        yield f"{manner.talker}GSA,A,3,{places},{_dop(pdop)},{_dop(hdop)},{_dop(vdop)},{number}"


def _gst(reading: Reading, manner: Manner) -> Iterator[str]:
    axis_m = reading.error_m * 0.5**0.5
    yield (
        f"{manner.talker}GST,{_clock(reading)},{reading.error_m:.3f},{axis_m:.3f},{axis_m:.3f},0.0,"
        f"{axis_m:.3f},{axis_m:.3f},{reading.error_m * 1.5:.3f}"
    )


def _gsv(reading: Reading, _: Manner) -> Iterator[str]:
    for system in SYSTEM_IDS:
        seen = [sat for sat in reading.sky if sat.system == system]
        total = -(-len(seen) // 4)
        for page in range(total):
            four = seen[page * 4 : page * 4 + 4]
            said = ",".join(
                f"{sat.number:02d},{sat.elevation_deg:02d},{sat.azimuth_deg:03d},{sat.strength_db:02d}" for sat in four
            )
            yield f"{system}GSV,{total},{page + 1},{len(seen):02d},{said},1"


def _hdt(reading: Reading, manner: Manner) -> Iterator[str]:
    yield f"{manner.talker}HDT,{_angle(reading.heading_deg)},T"


TYPES: dict[str, Callable[[Reading, Manner], Iterator[str]]] = {
    "GGA": _gga,
    "VTG": _vtg,
    "RMC": _rmc,
    "ZDA": _zda,
    "GLL": _gll,
    "GSA": _gsa,
    "GST": _gst,
    "GSV": _gsv,
    "HDT": _hdt,
}

# What stands after the address before the first fix, when the receiver is alive and knows neither place nor time.
COLD = {
    "GGA": ",,,,,0,00,99.99,,,,,,",
    "VTG": ",,,,,,,,N",
    "RMC": ",V,,,,,,,,,,N,V",
    "ZDA": ",,,,,",
    "GLL": ",,,,,V,N",
    "GSA": "A,1,,,,,,,,,,,,,99.99,99.99,99.99,1",
    "GST": ",,,,,,,",
    "GSV": "1,1,00,1",
    "HDT": ",T",
}


def cold(talker: str, message: str, navigational_status: bool = True) -> str:
    """The body that a receiver sends of a type before its first fix."""
    rest = COLD[message]
    if message == "RMC" and not navigational_status:
        rest = rest.removesuffix(",V")
    return f"{talker}{message},{rest}"
