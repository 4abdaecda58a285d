"""Countries by the code that Wi-Fi wants: ISO 3166-1, alpha-2, as the time zone database tells them."""

from __future__ import annotations

from functools import cache
from importlib import resources

ANYWHERE, ANYWHERE_SAYS = "00", "Not told: what is allowed everywhere"
"""As the kernel's rules for Wi-Fi name it."""


@cache
def countries() -> dict[str, str]:
    """By code, in the order of their names."""
    table = resources.files("tzdata").joinpath("zoneinfo", "iso3166.tab").read_text(encoding="utf-8")
    rows = (row.split("\t") for row in table.splitlines() if row and not row.startswith("#"))
    return {ANYWHERE: ANYWHERE_SAYS} | dict(sorted(((code, name) for code, name in rows), key=lambda one: one[1]))
