"""How characters are put on a serial line: baud and format."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

PARITIES = ("N", "E", "O")
BAUD_MOST = 10_000_000
"""A bit of 100 ns; beyond it whole nanoseconds are too coarse."""


@dataclass(slots=True, frozen=True)
class Setting:
    """How one end of a line is set. baud: bits per second. bits: of data, 7 or 8. parity: "N", "E" or "O"."""

    baud: int
    bits: int = 8
    parity: Literal["N", "E", "O"] = "N"
    stops: int = 1

    def __post_init__(self) -> None:
        if not 1 <= self.baud <= BAUD_MOST:
            raise ValueError(f"baud is {self.baud}; it must be 1 to {BAUD_MOST}")
        if self.bits not in (7, 8) or self.parity not in PARITIES or self.stops not in (1, 2):
            raise ValueError(f"no line is set to {self.name!r}; 7 or 8, N, E or O, 1 or 2, as in 8N1")

    @classmethod
    def parse(cls, baud: int, name: str) -> Setting:
        """The setting of a baud and a format such as "8N1". ValueError: another text."""
        found = re.fullmatch(r"([78])([NEO])([12])", name)
        if found is None:
            raise ValueError(f"{name!r} is no format; 7 or 8, N, E or O, 1 or 2, as in 8N1")
        return cls(baud, int(found[1]), found[2], int(found[3]))  # type: ignore[arg-type]

    @property
    def name(self) -> str:
        """The format in the trade's short form: "8N1"."""
        return f"{self.bits}{self.parity}{self.stops}"

    @property
    def format(self) -> tuple[int, str, int]:
        """Data bits, parity and stop bits: what a table of characters rests on, whatever the baud."""
        return self.bits, self.parity, self.stops

    @property
    def bits_per_character(self) -> int:
        """Start, data, parity and stop bits: the time from one character to the next, back to back."""
        return 1 + self.bits + (self.parity != "N") + self.stops

    @property
    def character_s(self) -> float:
        """Seconds from one character to the next, back to back."""
        return self.bits_per_character / self.baud

    def __str__(self) -> str:
        return f"{self.baud:,} {self.name}"
