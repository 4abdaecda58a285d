"""How characters are put on a serial line: baud and format."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Parity = Literal["N", "E", "O"]


@dataclass(slots=True, frozen=True)
class Setting:
    """baud: bits a second. bits: data bits, 7 or 8. parity: none, even or odd. stops: stop bits, 1 or 2."""

    baud: int
    bits: int = 8
    parity: Parity = "N"
    stops: int = 1

    @property
    def format(self) -> str:
        """Such as 8N1."""
        return f"{self.bits}{self.parity}{self.stops}"

    @property
    def character_bits(self) -> int:
        """Bit times of one character: start, data, parity, stop."""
        return 1 + self.bits + (self.parity != "N") + self.stops

    @property
    def character_s(self) -> float:
        """Length of one character in seconds."""
        return self.character_bits / self.baud

    def __str__(self) -> str:
        return f"{self.baud} {self.format}"


def setting(baud: int, format_: str = "8N1") -> Setting:
    """From a baud and a format such as 8N1. Raises ValueError."""
    if len(format_) != 3 or format_[0] not in "78" or format_[1] not in "NEO" or format_[2] not in "12":
        raise ValueError(f"{format_!r} is no format such as 8N1 or 7E1")
    return Setting(baud, int(format_[0]), format_[1], int(format_[2]))  # type: ignore[arg-type]
