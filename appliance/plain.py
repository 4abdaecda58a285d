"""Plain values, ready for JSON: numbers and times."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

Json = dict[str, Any]


def rounded(value: float | None, digits: int) -> float | None:
    """A number for JSON; None for what is not known or not finite."""
    return round(value, digits) if value is not None and math.isfinite(value) else None


def utc_text(utc_ns: int | None) -> str | None:
    """ISO 8601 in UTC with milliseconds and Z; None where the time is not known."""
    if utc_ns is None:
        return None
    instant = datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC)
    return f"{instant:%Y-%m-%dT%H:%M:%S}.{utc_ns // 1_000_000 % 1000:03d}Z"
