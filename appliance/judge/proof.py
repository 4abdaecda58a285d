"""What a clean run proves: the rule of three.

Where nothing bad came in N seconds, the true share of bad seconds is with 95 % confidence at most 1 - 0.05^(1/N),
which for many seconds is 3/N (Eypasch and others, BMJ 1995;311:619). It takes the seconds as independent; a fault that
comes once in T seconds, by chance, has been ruled out in the same sense after 3 T clean ones.
"""

from __future__ import annotations

import math

CONFIDENCE = 0.95
_NATS = -math.log(1 - CONFIDENCE)


def bad_share_most(clean_s: float) -> float:
    """Greatest share of bad seconds, 0 to 1, that so many clean seconds leave open at 95 %."""
    return 1.0 if clean_s < 1 else -math.expm1(-_NATS / clean_s)


def seconds_to_rule_out(every_s: float) -> float:
    """Clean seconds that rule out, at 95 %, a fault that comes by chance once in every_s."""
    return _NATS * every_s
