"""The fix: what stands now, and the seconds spent in each quality, against a slow sum."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.measure.fix import HOLD_NS, QUALITY_WORDS, Fix
from appliance.sentence.types import GGA, GLL, RMC, VTG, ZDA, Content

FEWER = settings(max_examples=max(60, settings().max_examples // 10))
"""Of the long draws: a tenth of the examples that the profile asks for, which is a thousand in CI."""

SECOND = 1_000_000_000


def gga(quality: int | None = 4, **changes: object) -> GGA:
    figures: dict[str, object] = {
        "time_s": 43_200.0, "latitude_deg": 52.1, "longitude_deg": -1.2, "quality": quality, "satellites": 18,
        "hdop": 0.7, "altitude_m": 80.0, "geoid_m": 47.0, "age_s": 1.0, "station": "0131", "decimals": 8,
    }  # fmt: skip
    return GGA(**(figures | changes))  # type: ignore[arg-type]


def rmc(status: str | None = "A", **changes: object) -> RMC:
    figures: dict[str, object] = {
        "time_s": 43_200.0, "status": status, "latitude_deg": 52.2, "longitude_deg": -1.3, "speed_mps": 2.4,
        "course_deg": 81.0, "date": (2026, 5, 4), "variation_deg": None, "mode": "A", "navigational": None,
        "decimals": 7,
    }  # fmt: skip
    return RMC(**(figures | changes))  # type: ignore[arg-type]


def heard(*said: tuple[float, Content]) -> Fix:
    fix = Fix()
    for at_s, content in said:
        fix.add(content, round(at_s * SECOND))
    return fix


@FEWER
@given(st.lists(st.tuples(st.integers(1, 9000), st.one_of(st.none(), st.integers(0, 9))), min_size=1, max_size=40))
def test_seconds_by_quality_are_a_slow_sum(steps: list[tuple[int, int | None]]) -> None:
    """Each lasts until the next, but at most 5 s; RMC in between changes nothing."""
    fix, at_ns, all_of_it = Fix(), 0, []
    for later_ms, quality in steps:
        at_ns += later_ms * 1_000_000
        fix.add(gga(quality), at_ns)
        fix.add(rmc(), at_ns + 500_000)
        all_of_it.append((at_ns, quality or 0))
    expected: defaultdict[int, float] = defaultdict(float)
    for (begin_ns, quality), (end_ns, _) in pairwise(all_of_it):
        expected[quality] += min(5.0, (end_ns - begin_ns) / SECOND)
    assert dict(fix.seconds_by_quality) == pytest.approx(dict(expected))


def test_a_day_at_5_hz_adds_up() -> None:
    fix = Fix()
    for number in range(36_001):
        fix.add(gga(4 if number < 18_000 else 5), number * 200_000_000)
    assert dict(fix.seconds_by_quality) == pytest.approx({4: 3600.0, 5: 3600.0}, rel=1e-9)


def test_a_quality_is_not_held_beyond_what_was_heard() -> None:
    fix = heard((0, gga(4)), (1, gga(4)), (100, gga(5)), (101, gga(5)))
    assert dict(fix.seconds_by_quality) == {4: 1.0 + HOLD_NS / SECOND, 5: 1.0}


def test_what_stands_now() -> None:
    fix = heard((1, gga(2, satellites=9, hdop=1.4, age_s=3.5, decimals=5)))
    sample = fix.sample
    assert sample is not None
    assert (sample.at_ns, sample.fixed, sample.quality, sample.satellites) == (SECOND, True, 2, 9)
    assert (sample.hdop, sample.age_s, sample.decimals) == (1.4, 3.5, 5)
    assert (fix.latitude_deg, fix.longitude_deg, fix.time_s) == (52.1, -1.2, 43_200.0)


@pytest.mark.parametrize(
    ("content", "fixed", "quality"),
    [
        (gga(0), False, 0),
        (gga(None), False, 0),
        (gga(1), True, 1),
        (gga(1, latitude_deg=None), True, 1),
        (rmc("A"), True, None),
        (rmc("A", latitude_deg=None), True, None),
        (rmc("V"), False, 0),
        (rmc(None), False, 0),
    ],
)
def test_a_fix_is_what_claims_one_and_whether_it_has_a_position_is_told_beside(
    content: GGA | RMC, fixed: bool, quality: int | None
) -> None:
    sample = heard((1, content)).sample
    assert sample is not None
    assert (sample.fixed, sample.quality) == (fixed, quality)
    assert sample.located is (content.latitude_deg is not None)


def test_a_lost_position_is_not_shown_on() -> None:
    fix = heard((1, gga()), (2, gga(0, latitude_deg=None, longitude_deg=None, time_s=None)))
    assert fix.latitude_deg is None
    assert fix.longitude_deg is None
    assert fix.time_s is None


def test_greatest_age() -> None:
    assert heard((1, rmc())).age_most_s is None
    assert heard((1, gga(age_s=None))).age_most_s is None
    assert heard((1, gga(age_s=0.0))).age_most_s == 0.0
    assert heard((1, gga(age_s=2.0)), (2, gga(age_s=7.5)), (3, gga(age_s=None)), (4, gga(age_s=3.0))).age_most_s == 7.5


def test_a_feed_of_rmc_alone_tells_the_fix() -> None:
    fix = heard((1, rmc("A")), (2, rmc("V", latitude_deg=None, longitude_deg=None)), (3, rmc("A")))
    assert [(sample.fixed, sample.quality, sample.decimals) for sample in fix.take_fresh()] == [
        (True, None, 7),
        (False, 0, 7),
        (True, None, 7),
    ]
    assert (fix.latitude_deg, fix.speed_mps, fix.course_deg) == (52.2, 2.4, 81.0)
    assert not fix.seconds_by_quality  # RMC tells no quality


def test_beside_gga_rmc_tells_only_motion_and_date() -> None:
    fix = heard((1, gga(4)), (1.1, rmc("V")), (6, rmc("V")))
    assert fix.sample is not None
    assert fix.sample.quality == 4
    assert len(fix.take_fresh()) == 1
    assert (fix.latitude_deg, fix.speed_mps, fix.date) == (52.1, 2.4, (2026, 5, 4))


def test_once_gga_has_stopped_rmc_tells_the_fix() -> None:
    """A fix that was is not shown for ever: when RMC says that it is lost, it is lost."""
    fix = heard((1, gga(4)), (2, rmc("A")), (6.1, rmc("V", latitude_deg=None)))
    assert fix.sample is not None
    assert not fix.sample.fixed
    assert [sample.fixed for sample in fix.take_fresh()] == [True, False]
    fix.add(gga(5), 8 * SECOND)
    fix.add(rmc("V"), 9 * SECOND)
    fix.add(gga(5), 10 * SECOND)
    assert fix.sample is not None
    assert fix.sample.quality == 5
    assert dict(fix.seconds_by_quality) == {4: 5.0, 5: 2.0}


def test_date_and_time() -> None:
    fix = heard((1, gga(time_s=10.0)), (2, ZDA(11.0, (2026, 5, 4), 0, 0)), (3, ZDA(None, None, None, None)))
    assert (fix.time_s, fix.date, fix.date_ns) == (11.0, (2026, 5, 4), 2 * SECOND)
    fix.add(rmc(time_s=12.0, date=(2026, 5, 5)), 4 * SECOND)
    assert (fix.time_s, fix.date, fix.date_ns) == (12.0, (2026, 5, 5), 4 * SECOND)


def test_vtg_tells_motion_and_gll_a_position_where_nothing_better_does() -> None:
    vtg = VTG(147.44, 164.31, 0.26, 0.49, 0.1337, "D")
    gll = GLL(15.0, -51.0, 43_200.0, "A", "D", 8)
    alone = heard((1, vtg), (2, gll))
    assert (alone.speed_mps, alone.course_deg, alone.latitude_deg, alone.longitude_deg) == (0.1337, 147.44, 15.0, -51.0)
    assert alone.sample is None
    beside = heard((1, gga()), (2, gll))
    assert (beside.latitude_deg, beside.longitude_deg) == (52.1, -1.2)


@FEWER
@given(st.lists(st.integers(0, 40), min_size=1, max_size=20))
def test_no_sample_is_lost_between_two_looks(counts: list[int]) -> None:
    """At 5 looks a second 40 a look are 200 Hz, far more than a receiver sends."""
    fix, at_ns, seen = Fix(), 0, []
    for count in counts:
        for _ in range(count):
            at_ns += 1
            fix.add(gga(), at_ns)
        seen += [sample.at_ns for sample in fix.take_fresh()]
    assert seen == list(range(1, at_ns + 1))
    assert fix.take_fresh() == []


def test_where_nobody_looks_only_the_last_samples_are_kept() -> None:
    fix = Fix()
    for at_ns in range(1000):
        fix.add(gga(), at_ns)
    assert [sample.at_ns for sample in fix.take_fresh()] == list(range(936, 1000))


def test_every_quality_number_has_words() -> None:
    """0 to 8 by IEC 61162-1 / NMEA 0183; 9 by common practice, no source."""
    assert sorted(QUALITY_WORDS) == list(range(10))
    assert QUALITY_WORDS[4] == "RTK fixed"
    assert QUALITY_WORDS[5] == "RTK float"
