"""How far the way told and the way that the positions went may be apart, and their directions."""

from __future__ import annotations

import math

from appliance.measure.track import Span

ALLOWED_MPS = 0.2
ALLOWED_RATIO = 0.08
"""Speed may be off by so much in any case. Ours: receivers show 0.03 m/s RMS; a consumer one on the road 0.6 (p95)."""
LAG_S = 0.7
"""Filters in receivers delay speed against position; after a change of velocity that shows for so long. Ours."""
ALLOWED_DEG = 8.0
OPPOSITE_DEG = 30.0
"""A course off by half a turn, but for less than this, may be opposite in any case. Ours."""
_TOLD_SHARE = 1.2
"""How much longer a way must be than its ends may be off, for its course to say something: then up to 56 degrees."""
ASKED_MPS = 0.8
"""Below it neither ratio nor course is asked."""


def differs(part: Span, share: float = 1.0, more_m: float = 0.0) -> bool:
    """Whether the told way is longer or shorter than the positions allow. share: of what they do; more_m: on top."""
    fastest = max(part.told_m, part.gone_m) / part.seconds
    allowed_m = part.seconds * (ALLOWED_MPS + ALLOWED_RATIO * fastest) + part.position_m + LAG_S * part.change_mps
    allowed_m = share * allowed_m + more_m
    least, most = part.told_m - part.blind_m, part.told_m + part.blind_m
    return not least - allowed_m <= part.gone_m <= most + allowed_m


def turns(part: Span) -> bool:
    """Whether the course told is off by more than the positions allow."""
    allowed = allowed_deg(part)
    return allowed is not None and part.angle_deg is not None and abs(part.angle_deg) > allowed


def allowed_deg(part: Span) -> float | None:
    """How far the course may be off; None where it cannot be asked."""
    parts = _parts_deg(part)
    return sum(parts) if parts is not None else None


def opposite(part: Span) -> bool:
    """Whether the course told may be the opposite of the track's.

    That it is off is known by now, with all three allowances at their worst. What is left is whether it is off by half
    a turn, and for that they are added as what is independent of each other.
    """
    parts = _parts_deg(part)
    if parts is None or part.angle_deg is None:
        return False
    return abs(part.angle_deg) > 180.0 - max(math.hypot(*parts), OPPOSITE_DEG)


def _parts_deg(part: Span) -> tuple[float, float, float] | None:
    """What the course may be off by: in any case, by filters in a turn, by the fix; None where it cannot be asked."""
    shortest = min(part.told_m, part.gone_m)
    if (
        part.blind_m > 0.2 * part.told_m
        or shortest < ASKED_MPS * part.seconds
        or shortest < _TOLD_SHARE * part.position_m
    ):
        return None
    turning_deg = min(LAG_S * part.turned_deg / part.seconds, 45.0)
    return ALLOWED_DEG, turning_deg, math.degrees(math.asin(part.position_m / shortest))
