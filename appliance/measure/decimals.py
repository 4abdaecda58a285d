"""How many decimals of a minute a position tells something with: zeros at the end of both angles may be padding."""

from __future__ import annotations

from collections import deque

from appliance.sentence.parse import Sentence

POSITION_AT = {"GGA": (1, 3), "RMC": (2, 4), "GLL": (0, 2)}
"""Type -> places of latitude and longitude among its fields."""


def decimals_of(sentence: Sentence) -> tuple[str, str] | None:
    """What stands behind the points of latitude and longitude; None where either is empty."""
    latitude_at, longitude_at = POSITION_AT[sentence.type]
    latitude, longitude = sentence.fields[latitude_at], sentence.fields[longitude_at]
    return (latitude.partition(".")[2], longitude.partition(".")[2]) if latitude and longitude else None


def zeros_of(decimals: tuple[str, str]) -> int:
    """How many zeros stand at the end of both."""
    latitude, longitude = decimals
    if latitude[-1:] != "0" or longitude[-1:] != "0":
        return 0
    return min(len(text) - len(text.rstrip("0")) for text in decimals)


class Telling:
    """Follows how many decimals of one line's positions tell something.

    One 0 at the end of both angles comes by chance in one position of a hundred, two in one of 10,000: so the one is
    taken for padding once it has come three times running. own: of the last position taken by itself.
    """

    def __init__(self) -> None:
        self.own: int | None = None
        self._zeros: deque[int] = deque(maxlen=3)

    def take(self, sentence: Sentence | None) -> int | None:
        """The decimals of one more position that tell something, of the angle with fewer; None where it has none."""
        decimals = decimals_of(sentence) if sentence is not None and sentence.type in POSITION_AT else None
        if decimals is None:
            self.own = None
            return None
        sent, zeros = min(map(len, decimals)), zeros_of(decimals)
        self._zeros.append(zeros)
        self.own = sent - zeros
        return sent - (zeros if zeros > 1 else min(self._zeros))
