"""A row of the table of speed, and how a figure grows."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

WIDE = 40


@dataclass(slots=True, frozen=True)
class Row:
    """One figure. rival: what it is compared with, measured in the same run; goal: "" where none was set.

    kept: whether the goal is kept, None where there is none.
    """

    what: str
    figure: str
    rival: str = ""
    goal: str = ""
    kept: bool | None = None

    def cells(self) -> tuple[str, str, str, str]:
        word = {True: ": kept", False: ": **missed**", None: ""}[self.kept]
        return self.what, self.figure, self.rival, f"{self.goal}{word}"


@dataclass(slots=True, frozen=True)
class Growth:
    """A figure over the length of what it is of. figures: by hours."""

    what: str
    unit: str
    figures: dict[float, float]

    def plot(self) -> Iterator[str]:
        """As bars on a scale of powers of ten: where a bar is longer by as much for ten times the length, it is
        linear."""
        most = max(self.figures.values())
        yield f"{self.what}, {self.unit}"
        for hours, figure in self.figures.items():
            bar = "#" * max(1, round(WIDE * (1 + math.log10(figure / most) / 4)))
            yield f"  {hours:6g} h {figure:10,.1f}  {bar}"
