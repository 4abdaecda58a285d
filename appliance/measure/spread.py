"""The spread of a quantity in bounded memory: counts and sums in bins that widen by 2 % each.

Any quantile is then known within 2 % of itself, and exactly where a bin holds but one value: which is what a steady
interval gives. Adding costs O(1); reading costs the number of bins in use.
"""

from __future__ import annotations

import math

_LEAST = 1e-6
_GROWTH = math.log(1.02)
_BINS_MOST = 1400
"""Bins from 1 microsecond up to a day and more: log(86400 / 1e-6) / log(1.02) is about 1270."""


class Spread:
    """Of values of at least 0, in any unit; values below 1e-6 share the lowest bin."""

    __slots__ = ("_bins", "count", "square_sum")

    def __init__(self) -> None:
        self.count = 0
        self.square_sum = 0.0
        self._bins: dict[int, list[float]] = {}

    def add(self, value: float) -> None:
        """Takes one value in."""
        self.count += 1
        self.square_sum += value * value
        index = min(int(math.log(value / _LEAST) / _GROWTH), _BINS_MOST) if value > _LEAST else 0
        bin_ = self._bins.get(index)
        if bin_ is None:
            self._bins[index] = [1, value]
        else:
            bin_[0] += 1
            bin_[1] += value

    def quantile(self, share: float) -> float | None:
        """The value below which `share` (0 to 1) of all lie; None where there is none."""
        if not self.count:
            return None
        wanted, passed = math.ceil(share * self.count - 1e-9), 0.0  # 0.07 of 100 is the 7th, not the 8th
        for _, (count, total) in sorted(self._bins.items()):
            passed += count
            if passed >= wanted:
                return total / count
        return None

    def rms(self) -> float | None:
        """Root of the mean square; None where there is no value."""
        return math.sqrt(self.square_sum / self.count) if self.count else None
