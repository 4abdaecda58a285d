"""Numbers and dates as a language writes them: which sign parts the decimals, which the thousands, what comes first.

Source: Unicode CLDR 44, numbers/symbols, minimumGroupingDigits and the date of figures alone (skeleton yMd, day and
month with two digits each); the tests hold it against Babel's copy. English stays ISO 8601: en-US and en-GB differ.
"""

from __future__ import annotations

import re
from datetime import date
from typing import NamedTuple


class Figures(NamedTuple):
    """decimal, thousands: the signs. least: digits from which thousands are parted. date: for `strftime`.

    before: what stands before a colon or a semicolon.
    """

    decimal: str = "."
    thousands: str = ","
    least: int = 4
    date: str = "%Y-%m-%d"
    before: str = ""


ENGLISH = Figures()
FIGURES = {
    "de": Figures(",", ".", date="%d.%m.%Y"),
    "fr": Figures(",", "\N{NARROW NO-BREAK SPACE}", date="%d/%m/%Y", before="\N{NO-BREAK SPACE}"),
    "es": Figures(",", ".", 5, date="%d/%m/%Y"),
    "pt-BR": Figures(",", ".", date="%d/%m/%Y"),
}

UNITS = (
    "s ms min h d Hz % kB MB GB m cm mm km km/h m/s ° °C V bit/s ppm W V/s mph "
    "N S E W"
)  # fmt: skip
_NUMBER = re.compile(
    r"(?<![\w.:/,-])([-+\N{MINUS SIGN}]?)(\d{1,3}(?:,\d{3})+|\d+)(?:\.(\d+))?(?![\d:/,-]|\.\d|[A-Za-z])"
)
_DATE = re.compile(r"(?<![\w.:/,-])\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])(?![\w/-]|\.\w)")
_UNIT = "|".join(re.escape(unit) for unit in sorted(UNITS.split(), key=len, reverse=True))
_ALL_FIGURES = re.compile(rf"(?:[-+<>~\N{{MINUS SIGN}}]?\d[\d,]*+(?:\.\d+)?+|{_UNIT}|[-\N{{EN DASH}}…/()±]|\s)+")


def is_figure(text: str) -> bool:
    """Whether a text is nothing but numbers and units: "5 min 12 s", "<0.1 %"."""
    return _ALL_FIGURES.fullmatch(text) is not None


def written(text: str, figures: Figures) -> str:
    """A figure, as a language writes its numbers. Times and versions are left as they are."""
    if figures == ENGLISH:
        return text
    return dated(_NUMBER.sub(lambda found: _number(found, figures), text), figures)


def dated(text: str, figures: Figures) -> str:
    """A text with its dates, which are ISO 8601, as a language writes them."""
    return text if figures == ENGLISH else _DATE.sub(lambda found: _date(found[0], figures), text)


def _date(text: str, figures: Figures) -> str:
    try:
        return date.fromisoformat(text).strftime(figures.date)
    except ValueError:  # such as the 30th of February
        return text


def _number(found: re.Match[str], figures: Figures) -> str:
    sign, whole, decimals = found.groups()
    digits = whole.replace(",", "")
    if "," in whole and len(digits) >= figures.least:
        whole = f"{int(digits):,}".replace(",", figures.thousands)
    else:
        whole = digits
    return sign + whole + (figures.decimal + decimals if decimals else "")
