"""Two watches compared."""

from __future__ import annotations

import pytest

from appliance.judge.circumstances import Onset, Second
from appliance.judge.compare import Side, compare, seconds_to_tell

HOUR_S = 3600.0


def side(hours: float, many: int, kind: str = "gap", speed_mps: float | None = None, apart_s: float = 700) -> Side:
    faults = [Onset(kind, 100 + apart_s * n, 101 + apart_s * n) for n in range(many)]
    known = [Second(float(at), speed_mps=speed_mps) for at in range(600)] if speed_mps is not None else []
    return Side(hours * HOUR_S, faults, known)


def test_a_repair_that_held_is_more_than_luck() -> None:
    (change,) = compare(side(8, 20), side(8, 0))["changes"]
    assert (change["before"], change["after"], change["ratio"]) == (20, 0, 0)
    assert change["p"] < 0.001
    assert change["ratio_most"] < 0.25
    assert "fewer than luck explains" in change["says"]


def test_a_short_clean_watch_may_be_luck_and_says_how_long_would_tell() -> None:
    (change,) = compare(side(8, 4), side(0.5, 0))["changes"]
    assert change["p"] > 0.05
    assert "may be luck. By count alone," in change["says"]


def test_worse_is_said_too_and_kinds_come_surest_first() -> None:
    before, after = side(8, 1), side(8, 25)
    both = Side(after.length_s, [*after.faults, Onset("noise", 50, 51)])
    changes = compare(before, both)["changes"]
    assert [one["fault"] for one in changes] == ["gap", "noise"]
    assert "more than luck" in changes[0]["says"]
    assert changes[1]["ratio"] is None


def test_a_burst_counts_once() -> None:
    (change,) = compare(side(8, 60, apart_s=10), side(8, 0))["changes"]
    assert change["before"] == 1
    assert change["p"] > 0.5


def test_different_work_is_cautioned_of() -> None:
    idle = compare(side(1, 3, speed_mps=3), side(1, 0, speed_mps=0))["cautions"]
    assert "moved 100% of the time before and 0%" in idle[0]
    assert compare(side(1, 3, speed_mps=3), side(1, 0, speed_mps=3))["cautions"] == []
    assert "not known" in compare(side(1, 3), side(1, 0))["cautions"][0]


def test_how_long_would_tell() -> None:
    """(T1 / (T1 + T2))^n = 0.05, from the binomial, where the other tail has no outcome as rare."""
    assert seconds_to_tell(12, HOUR_S) == pytest.approx(HOUR_S * (0.05 ** (-1 / 12) - 1), rel=1.5)
    assert seconds_to_tell(0, HOUR_S) == float("inf")


def test_a_watch_without_length_cannot_be_compared() -> None:
    with pytest.raises(ValueError, match="length"):
        compare(side(0, 0), side(1, 0))
