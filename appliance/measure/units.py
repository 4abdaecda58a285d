"""Which mix-up of units a speed that is off by a factor tells of, and whether it is a factor at all."""

from __future__ import annotations

import math
from typing import Literal

_UNITS: dict[str, float] = {"knots-kmh": 1.852, "mps-kmh": 3.6, "mph": 1.609344, "knots-mps": 3.6 / 1.852}
_RARE, _SURE = "knots-mps", 0.01
_UNSURE_MOST = 0.05
_NEAR = 0.035
"""How near to a factor of units the ratio must be, as a share. Ours: half of what lies between 1.852 and 1.944, and a
little, for the nearest is taken."""
_ENOUGH = 5
_VARIES = 0.05
"""Speeds that vary by this share of their mean, as a standard deviation, tell a factor from an offset. Ours."""
_FITS_SHARE = 0.5
"""The one is told where it leaves less than half of what the other leaves, in squares. Ours."""
LIKE = "like-"
"""Before the name of a mix-up that may be an offset: at one speed both look the same."""


class Law:
    """By which law the told speed is off. Feed it pairs of told and gone, in m/s."""

    def __init__(self) -> None:
        self._count = 0
        self._told = self._gone = self._told_told = self._gone_gone = self._told_gone = 0.0

    def add(self, told_mps: float, gone_mps: float) -> None:
        """One stretch of the way."""
        self._count += 1
        self._told += told_mps
        self._gone += gone_mps
        self._told_told += told_mps**2
        self._gone_gone += gone_mps**2
        self._told_gone += told_mps * gone_mps

    @property
    def says(self) -> Literal["factor", "offset", ""]:
        """Whether each speed is multiplied, or the same added to each; "" while they hardly vary, or fit neither."""
        if self._count < _ENOUGH or self._gone_gone <= 0:
            return ""
        mean = self._gone / self._count
        if self._gone_gone / self._count - mean**2 < (_VARIES * mean) ** 2:
            return ""
        by_factor = self._told_told - self._told_gone**2 / self._gone_gone
        off = self._told - self._gone
        by_offset = self._told_told - 2 * self._told_gone + self._gone_gone - off**2 / self._count
        if by_offset < _FITS_SHARE * by_factor:
            return "offset"
        return "factor" if by_factor < _FITS_SHARE * by_offset else ""

    def name(self, ratio: float, unsure: float) -> str:
        """The mix-up of units that this is, or is like as long as it may be an offset as well; "" where it is none."""
        says = self.says
        name = units(ratio, unsure) if says != "offset" else ""
        return name if says == "factor" or not name else LIKE + name


def units(ratio: float, unsure: float = 0.0) -> str:
    """The mix-up of units that a ratio of speeds tells of, either way round; "" where it tells of none.

    unsure: how far the ratio itself may be off, as a share. Knots for m/s lies only 5 % from knots for km/h, which is
    the usual one: it is named when the ratio is sure.
    """
    if ratio <= 0:
        return ""
    size = abs(math.log(ratio))
    off = {name: abs(size - math.log(factor)) for name, factor in _UNITS.items() if name != _RARE or unsure < _SURE}
    name = min(off, key=lambda unit: off[unit])
    return name if off[name] <= _NEAR + min(unsure, _UNSURE_MOST) else ""
