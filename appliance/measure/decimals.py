"""How many decimals of a minute a position tells something with: zeros at the end of both angles may be padding."""

from __future__ import annotations

from appliance.sentence.parse import Sentence

POSITION_AT = {"GGA": (1, 3), "RMC": (2, 4), "GLL": (0, 2)}
"""Type -> places of latitude and longitude among its fields."""
CHANCE_ZEROS = 1
"""One 0 at the end of both comes by chance in one position of a hundred; two, in one of 10,000. Our choice."""


def decimals_of(sentence: Sentence) -> tuple[str, str] | None:
    """What stands behind the points of latitude and longitude; None where either is empty."""
    latitude_at, longitude_at = POSITION_AT[sentence.type]
    latitude, longitude = sentence.fields[latitude_at], sentence.fields[longitude_at]
    return (latitude.partition(".")[2], longitude.partition(".")[2]) if latitude and longitude else None


def zeros_of(decimals: tuple[str, str]) -> int:
    """How many zeros stand at the end of both."""
    return min(len(text) - len(text.rstrip("0")) for text in decimals)


def telling(sentence: Sentence | None) -> int | None:
    """The decimals of a position that tell something, the fewer of the two angles; None where it has none."""
    decimals = decimals_of(sentence) if sentence is not None and sentence.type in POSITION_AT else None
    if decimals is None:
        return None
    zeros = zeros_of(decimals)
    return min(map(len, decimals)) - (zeros if zeros > CHANCE_ZEROS else 0)
