"""How far off a position may be and still keep what its quality promises.

By the quality number of GGA. error_m: horizontal error, RMS (usual figures of the receiver class: autonomous 1.8 m,
differential 0.45 to 0.6 m, RTK fixed 1 cm + 1 ppm, RTK float 0.1 to 1 m). noise_m: what changes from one epoch to the
next; drift_mps: how fast the rest wanders. These two are ours, in the order of size of what receivers show: the errors
of a fix are slow, so successive positions agree far better than each with the truth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from appliance.sentence.types import GST, Content

MINUTE_M = 1852.0
"""A minute of latitude, roughly: the international nautical mile."""


@dataclass(slots=True, frozen=True)
class Promise:
    """Metres, metres, metres a second; each about one sigma."""

    error_m: float
    noise_m: float
    drift_mps: float


_BY_QUALITY = {
    1: Promise(1.8, 0.25, 0.12),
    2: Promise(0.6, 0.12, 0.05),
    3: Promise(0.6, 0.12, 0.05),
    4: Promise(0.02, 0.015, 0.005),
    5: Promise(0.6, 0.10, 0.05),
    6: Promise(5.0, 0.5, 0.5),
    7: Promise(1.8, 0.25, 0.12),
    8: Promise(1.8, 0.25, 0.12),
    9: Promise(0.6, 0.12, 0.05),
}
_UNKNOWN = _BY_QUALITY[1]
_GOOD_HDOP = 1.2
"""HDOP up to which the figures above hold; above it they grow with it. Ours."""
_STRETCH_MOST = 5.0


def promised(quality: int | None, hdop: float | None, gst: Content | None) -> Promise:
    """What a fix promises. quality None: no GGA tells it, so no more than an autonomous fix is taken.

    A GST beside it that owns up to a larger error is believed, one that promises a smaller is not needed.
    """
    base = _UNKNOWN if quality is None else _BY_QUALITY.get(quality, _UNKNOWN)
    stretch = min(max(1.0, (hdop or 0.0) / _GOOD_HDOP), _STRETCH_MOST)
    if isinstance(gst, GST) and gst.latitude_m is not None and gst.longitude_m is not None:
        told_m = math.hypot(gst.latitude_m, gst.longitude_m)
        stretch = max(stretch, min(told_m / base.error_m, 10 * _STRETCH_MOST))
    if stretch == 1.0:
        return base
    return Promise(base.error_m * stretch, base.noise_m * stretch, base.drift_mps * stretch)


def worse(one: Promise, other: Promise) -> Promise:
    """The larger of each."""
    return Promise(
        max(one.error_m, other.error_m), max(one.noise_m, other.noise_m), max(one.drift_mps, other.drift_mps)
    )


def grain_m(decimals: int | None) -> float:
    """What the last decimal of a minute is worth, along a meridian. Source: 1' = 1852 m."""
    return MINUTE_M * 10.0 ** -(decimals or 0)
