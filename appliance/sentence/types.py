"""One small dataclass for each type of sentence understood, made from fields that the grammar has let pass.

Units: degrees (north and east positive), metres, metres a second, seconds of the UTC day. None stands for a null
field. Source of the fields: IEC 61162-1 / NMEA 0183, and the lists in pynmea2 and pynmeagps that the tests compare.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

KNOT_MPS = 1852 / 3600
"""One knot in m/s: the international nautical mile of 1852 m an hour."""
KMH_MPS = 1 / 3.6


@dataclass(slots=True)
class GGA:
    """Position and fix. decimals: of a minute, the fewer of latitude and longitude."""

    time_s: float | None
    latitude_deg: float | None
    longitude_deg: float | None
    quality: int | None
    satellites: int | None
    hdop: float | None
    altitude_m: float | None
    geoid_m: float | None
    age_s: float | None
    station: str | None
    decimals: int | None


@dataclass(slots=True)
class RMC:
    """Position, speed, course and date. date: (year, month, day), 19xx from 80 on."""

    time_s: float | None
    status: str | None
    latitude_deg: float | None
    longitude_deg: float | None
    speed_mps: float | None
    course_deg: float | None
    date: tuple[int, int, int] | None
    variation_deg: float | None
    mode: str | None
    navigational: str | None
    decimals: int | None


@dataclass(slots=True)
class VTG:
    """Course and speed over ground. speed_mps: from the knots, from the km/h where knots are null."""

    course_deg: float | None
    magnetic_deg: float | None
    speed_knots: float | None
    speed_kmh: float | None
    speed_mps: float | None
    mode: str | None


@dataclass(slots=True)
class ZDA:
    """Time, date and zone. date: (year, month, day)."""

    time_s: float | None
    date: tuple[int, int, int] | None
    zone_hours: int | None
    zone_minutes: int | None


@dataclass(slots=True)
class GLL:
    """Position."""

    latitude_deg: float | None
    longitude_deg: float | None
    time_s: float | None
    status: str | None
    mode: str | None
    decimals: int | None


@dataclass(slots=True)
class GSA:
    """Satellites used and dilution of precision. system: hexadecimal digit since v4.1."""

    selection: str | None
    dimensions: int | None
    satellites: tuple[int, ...]
    pdop: float | None
    hdop: float | None
    vdop: float | None
    system: str | None


@dataclass(slots=True)
class GST:
    """Estimate of the position's error, one sigma, in metres; orientation of the ellipse in degrees."""

    time_s: float | None
    rms_m: float | None
    major_m: float | None
    minor_m: float | None
    orientation_deg: float | None
    latitude_m: float | None
    longitude_m: float | None
    altitude_m: float | None


@dataclass(slots=True)
class InView:
    """One satellite of a GSV: degrees, and signal to noise in dB-Hz."""

    satellite: int | None
    elevation_deg: int | None
    azimuth_deg: int | None
    snr_db: float | None


@dataclass(slots=True)
class GSV:
    """Satellites in view, one of `sentences`. signal: hexadecimal digit since v4.1."""

    sentences: int | None
    sentence: int | None
    in_view: int | None
    satellites: tuple[InView, ...]
    signal: str | None


@dataclass(slots=True)
class HDT:
    """True heading."""

    heading_deg: float | None


Content = GGA | RMC | VTG | ZDA | GLL | GSA | GST | GSV | HDT


def _float(field: str) -> float | None:
    return float(field) if field else None


def _int(field: str) -> int | None:
    return int(field) if field else None


def _time(field: str) -> float | None:
    if not field:
        return None
    return int(field[:2]) * 3600 + int(field[2:4]) * 60 + float(field[4:])


def _angle(field: str, side: str) -> float | None:
    """Degrees from d…dmm.m… and N, S, E or W; None where either is null."""
    if not field or not side:
        return None
    split = (field.find(".") if "." in field else len(field)) - 2
    degrees = int(field[:split]) + float(field[split:]) / 60
    return -degrees if side in "SW" else degrees


def _decimals(*fields: str) -> int | None:
    present = [len(field) - field.find(".") - 1 if "." in field else 0 for field in fields if field]
    return min(present) if present else None


def _date(field: str) -> tuple[int, int, int] | None:
    if not field:
        return None
    year = int(field[4:])
    return (1900 + year if year >= 80 else 2000 + year, int(field[2:4]), int(field[:2]))


def _gga(f: list[str]) -> GGA:
    return GGA(
        _time(f[0]), _angle(f[1], f[2]), _angle(f[3], f[4]), _int(f[5]), _int(f[6]), _float(f[7]), _float(f[8]),
        _float(f[10]), _float(f[12]), f[13] or None, _decimals(f[1], f[3]),
    )  # fmt: skip


def _rmc(f: list[str]) -> RMC:
    knots, variation = _float(f[6]), _float(f[9])
    return RMC(
        time_s=_time(f[0]),
        status=f[1] or None,
        latitude_deg=_angle(f[2], f[3]),
        longitude_deg=_angle(f[4], f[5]),
        speed_mps=None if knots is None else knots * KNOT_MPS,
        course_deg=_float(f[7]),
        date=_date(f[8]),
        variation_deg=-variation if variation is not None and f[10] == "W" else variation,
        mode=(f[11] or None) if len(f) > 11 else None,
        navigational=(f[12] or None) if len(f) > 12 else None,
        decimals=_decimals(f[2], f[4]),
    )


def _vtg(f: list[str]) -> VTG:
    knots, kmh = _float(f[4]), _float(f[6])
    speed = knots * KNOT_MPS if knots is not None else kmh * KMH_MPS if kmh is not None else None
    return VTG(_float(f[0]), _float(f[2]), knots, kmh, speed, (f[8] or None) if len(f) > 8 else None)


def _zda(f: list[str]) -> ZDA:
    date = (int(f[3]), int(f[2]), int(f[1])) if f[1] and f[2] and f[3] else None
    return ZDA(_time(f[0]), date, _int(f[4]), _int(f[5]))


def _gll(f: list[str]) -> GLL:
    mode = (f[6] or None) if len(f) > 6 else None
    return GLL(_angle(f[0], f[1]), _angle(f[2], f[3]), _time(f[4]), f[5] or None, mode, _decimals(f[0], f[2]))


def _gsa(f: list[str]) -> GSA:
    used = tuple(int(satellite) for satellite in f[2:14] if satellite)
    system = (f[17] or None) if len(f) > 17 else None
    return GSA(f[0] or None, _int(f[1]), used, _float(f[14]), _float(f[15]), _float(f[16]), system)


def _gst(f: list[str]) -> GST:
    return GST(_time(f[0]), *(_float(field) for field in f[1:8]))


def _gsv(f: list[str]) -> GSV:
    groups = range(3, len(f) - 3, 4)
    seen = tuple(InView(_int(f[i]), _int(f[i + 1]), _int(f[i + 2]), _float(f[i + 3])) for i in groups)
    signal = (f[-1] or None) if len(f) % 4 == 0 else None
    return GSV(_int(f[0]), _int(f[1]), _int(f[2]), seen, signal)


def _hdt(f: list[str]) -> HDT:
    return HDT(_float(f[0]))


MAKE: dict[str, Callable[[list[str]], Content]] = {
    "GGA": _gga,
    "RMC": _rmc,
    "VTG": _vtg,
    "ZDA": _zda,
    "GLL": _gll,
    "GSA": _gsa,
    "GST": _gst,
    "GSV": _gsv,
    "HDT": _hdt,
}
"""Type -> what makes its content from the fields after the address."""
