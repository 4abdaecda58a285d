"""Whether what the line says is true: the troubles that the detectors report, as checks. One rule for all kinds."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from appliance.judge.check import Check, State
from appliance.judge.needs import Needs
from appliance.judge.truth_words import TRUTH
from appliance.measure.trouble import Trouble, Troubles

_MOTION = (
    "position-frozen", "position-jump", "gga-rmc-disagree", "speed-disagrees", "speed-negative", "speed-impossible",
    "rmc-vtg-disagree", "course-disagrees", "scatter-high",
)  # fmt: skip
_CLOCK = (
    "clock-stopped", "clock-back", "clock-late", "clock-jump", "date-rolled-over", "date-disagrees", "late",
    "zone-strange",
)  # fmt: skip
TOLD_BY = {
    "decimals-changed": "decimals-few", "decimals-padded": "sentence-long", "talker-changed": "talker-not-accepted",
    "satellites-falling": "satellites-few", "hdop-rising": "hdop-high", "corrections-aging": "age-high",
}  # fmt: skip
"""A warning -> the rule of the needs that tells the same event: where that one fails, the warning adds nothing."""
TELLERS = frozenset(TOLD_BY.values())
TRUTH_IDS = frozenset(TRUTH)
WARN_IDS = frozenset(id_ for id_, says in TRUTH.items() if says.warns)


def asked(needs: Needs) -> list[str]:
    """The kinds that these needs ask for, in order of importance."""
    off: set[str] = set()
    if not needs.truth_motion:
        off.update(_MOTION)
    if not needs.truth_clock:
        off.update(_CLOCK)
    if not needs.truth_fix:
        off.update(TRUTH_IDS.difference(_MOTION, _CLOCK))
    return [id_ for id_ in TRUTH if id_ not in off]


def truth(troubles: Troubles, kinds: Collection[str], now_ns: int) -> list[Check]:
    """Of these kinds, those that are wrong at this look or cannot be told yet. Of the others see `fine`.

    What ended since the last look fails in this one, with its end noted; where the next of its kind lasts, that one.
    """
    told: dict[str, Trouble] = {}
    for one in troubles.take_ended():
        told[one.kind] = _worse(told.get(one.kind), one)
    told.update(troubles.lasting)
    wrong = [_check(told[kind]) for kind in kinds if kind in told] if told else []
    unknown = [kind for kind in kinds if kind not in troubles.fine_ns and kind not in told]
    return wrong + [Check(kind, "", "unknown", None, None, now_ns) for kind in unknown]


def fine(fine_ns: Mapping[str, int], kinds: Collection[str], odd: Collection[str]) -> list[Check]:
    """The kinds that are not there: all but the odd ones. fine_ns: as it was at the look."""
    return [Check(kind, "", "pass", None, None, fine_ns[kind]) for kind in kinds if kind not in odd]


def _check(trouble: Trouble) -> Check:
    state: State = "warn" if trouble.kind in WARN_IDS else "fail"
    return Check(
        trouble.kind, "", state, trouble.measured, trouble.needed, trouble.since_ns, trouble.until_ns,
        trouble.note, figures=trouble.figures,
    )  # fmt: skip


def _worse(one: Trouble | None, other: Trouble) -> Trouble:
    """The one with the greater figure, from the start of the first to the end of the last."""
    if one is None:
        return other
    worse = other if abs(other.measured or 0) > abs(one.measured or 0) else one
    worse.since_ns, worse.until_ns = min(one.since_ns, other.since_ns), max(one.until_ns or 0, other.until_ns or 0)
    return worse
