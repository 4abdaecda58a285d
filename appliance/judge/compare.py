"""Two watches compared: before and after a repair, or two machines. What changed, with the chance that it is luck.

Faults of a kind are counted as bursts, and their rates compared by the exact test. Since even bursts may come in
spells, the shares of ten-minute stretches with a fault in them are compared as well, by Fisher's test, and the greater
p of the two is told, corrected by Holm for all the kinds. No change in the faults is proof of a repair where the second
watch never saw what they go with: where the machine moved much less, that is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, inf
from typing import Any

from appliance.judge.circumstances import Onset, Second
from appliance.judge.exact import fisher, rates_differ, ratio_bounds
from appliance.judge.names import NAMES
from appliance.judge.permutation import holm
from appliance.judge.words import duration

LUCK = 0.05
BURST_S = 300.0
"""Faults that follow within this are one burst, and not independent. Ours."""
STRETCH_S = 600.0
_MOVING_MPS = 0.3
_LESS = 0.5
"""A share of moving time that is less than this much of the other makes a comparison doubtful. Ours."""
_LONG_S = 30 * 86_400.0


@dataclass(slots=True, frozen=True)
class Side:
    """One of the two watches: how long it was, its faults, and its seconds where they are known."""

    length_s: float
    faults: Sequence[Onset]
    seconds: Sequence[Second] = ()


def compare(before: Side, after: Side) -> dict[str, Any]:
    """`changes`: for each kind of fault, most certain first: `fault`, `before`, `after` (bursts), `before_hz`,
    `after_hz`, `ratio`, `ratio_least`, `ratio_most` (at 95 %; null: no bound), `p` (corrected), `says`.
    `cautions`: plain sentences. Raises ValueError for a watch without length.
    """
    if min(before.length_s, after.length_s) <= 0:
        raise ValueError("A watch without length cannot be compared.")
    kinds = sorted({one.kind for one in (*before.faults, *after.faults)})
    counts = [(_bursts(before, kind), _bursts(after, kind)) for kind in kinds]
    chances = [_chance(before, after, first, second) for first, second in counts]
    rows = [
        _row(kind, (before.length_s, len(first)), (after.length_s, len(second)), p)
        for kind, (first, second), p in zip(kinds, counts, holm(chances), strict=True)
    ]
    return {"changes": sorted(rows, key=lambda row: row["p"]), "cautions": _cautions(before, after)}


def seconds_to_tell(before: int, before_s: float) -> float:
    """How long a second watch must be clean until that is no longer luck, at 95 %; inf where nothing came before."""
    if before == 0:
        return inf
    low, high = 0.0, _LONG_S
    if rates_differ(before, before_s, 0, high) > LUCK:
        return inf
    while high - low > 1:
        middle = (low + high) / 2
        low, high = (low, middle) if rates_differ(before, before_s, 0, middle) <= LUCK else (middle, high)
    return high


def _bursts(side: Side, kind: str) -> list[float]:
    """When the bursts of a kind began, in s from the start of the watch."""
    begun: list[float] = []
    last_s = -inf
    for fault in sorted((one for one in side.faults if one.kind == kind), key=lambda one: one.start_s):
        if fault.start_s - last_s > BURST_S:
            begun.append(fault.start_s)
        last_s = max(last_s, fault.start_s, inf if fault.end_s is None else fault.end_s)
    return begun


def _chance(before: Side, after: Side, first: Sequence[float], second: Sequence[float]) -> float:
    rates = rates_differ(len(first), before.length_s, len(second), after.length_s)
    bad_1, all_1 = _stretches(before.length_s, first)
    bad_2, all_2 = _stretches(after.length_s, second)
    return max(rates, fisher(bad_1, all_1 - bad_1, bad_2, all_2 - bad_2))


def _stretches(length_s: float, begun_s: Sequence[float]) -> tuple[int, int]:
    """Stretches of ten minutes with the start of a burst in them, and all."""
    all_ = max(1, ceil(length_s / STRETCH_S))
    return len({min(all_ - 1, int(at_s // STRETCH_S)) for at_s in begun_s}), all_


def _row(kind: str, before: tuple[float, int], after: tuple[float, int], p: float) -> dict[str, Any]:
    (before_s, first), (after_s, second) = before, after
    least, most = ratio_bounds(first, before_s, second, after_s)
    return {
        "fault": kind,
        "before": first,
        "after": second,
        "before_hz": first / before_s,
        "after_hz": second / after_s,
        "ratio": second / after_s / (first / before_s) if first else None,
        "ratio_least": least,
        "ratio_most": None if most == inf else most,
        "p": p,
        "says": _says(kind, before, after, p),
    }


def _says(kind: str, before: tuple[float, int], after: tuple[float, int], p: float) -> str:
    (before_s, first), (after_s, second) = before, after
    kind = NAMES.get(kind, kind)
    told = (
        f"{kind}: {first} in {duration(before_s)} before, {second} in {duration(after_s)} after; "
        f"p = {f'{p:.2g}' if p >= 1e-4 else 'below 0.0001'}"
    )
    if p <= LUCK:
        way = "fewer" if second / after_s < first / before_s else "more"
        return f"{told}: {way} than luck explains."
    if second or not first:
        return f"{told}: that may be luck."
    needed_s = seconds_to_tell(first, before_s)
    if needed_s <= after_s or needed_s == inf:
        return f"{told}: that may be luck."
    return f"{told}: that may be luck. By count alone, {duration(needed_s)} without a fault would tell."


def _cautions(before: Side, after: Side) -> list[str]:
    first, second = _moving(before.seconds), _moving(after.seconds)
    if first is None or second is None:
        return ["How much the machine moved is not known of both watches: see that they did the same work."]
    if second >= first * _LESS and first >= second * _LESS:
        return []
    return [
        f"The machine moved {first:.0%} of the time before and {second:.0%} after: where the faults go with moving, "
        "the two watches cannot be compared by their length."
    ]


def _moving(seconds: Sequence[Second]) -> float | None:
    known = [one.speed_mps >= _MOVING_MPS for one in seconds if one.speed_mps is not None]
    return sum(known) / len(known) if known else None
