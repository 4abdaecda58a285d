"""Numbers as a language writes them: which sign parts the decimals, which the thousands.

Source: Unicode CLDR 44, numbers/symbols and minimumGroupingDigits; the tests hold it against Babel's copy.
"""

from __future__ import annotations

import re
from typing import NamedTuple


class Figures(NamedTuple):
    """decimal, thousands: the signs. least: digits from which thousands are parted."""

    decimal: str = "."
    thousands: str = ","
    least: int = 4


ENGLISH = Figures()
FIGURES = {
    "de": Figures(",", "."),
    "fr": Figures(",", "\N{NARROW NO-BREAK SPACE}"),
    "es": Figures(",", ".", 5),
    "pt-BR": Figures(",", "."),
}

UNITS = (
    "s ms min h d Hz % kB MB GB m cm mm km km/h m/s ° °C V bit/s ppm W V/s mph "
    "N S E W"
)  # fmt: skip
_NUMBER = re.compile(
    r"(?<![\w.:/,-])([-+\N{MINUS SIGN}]?)(\d{1,3}(?:,\d{3})+|\d+)(?:\.(\d+))?(?![\d:/,-]|\.\d|[A-Za-z])"
)
_UNIT = "|".join(re.escape(unit) for unit in sorted(UNITS.split(), key=len, reverse=True))
_ALL_FIGURES = re.compile(rf"(?:[-+<>~\N{{MINUS SIGN}}]?\d[\d,]*+(?:\.\d+)?+|{_UNIT}|[-\N{{EN DASH}}/()±]|\s)+")


def is_figure(text: str) -> bool:
    """Whether a text is nothing but numbers and units: "5 min 12 s", "<0.1 %"."""
    return _ALL_FIGURES.fullmatch(text) is not None


def written(text: str, figures: Figures) -> str:
    """A figure, as a language writes its numbers. Dates, times and versions are left as they are."""
    return text if figures == ENGLISH else _NUMBER.sub(lambda found: _number(found, figures), text)


def _number(found: re.Match[str], figures: Figures) -> str:
    sign, whole, decimals = found.groups()
    digits = whole.replace(",", "")
    if "," in whole and len(digits) >= figures.least:
        whole = f"{int(digits):,}".replace(",", figures.thousands)
    else:
        whole = digits
    return sign + whole + (figures.decimal + decimals if decimals else "")
