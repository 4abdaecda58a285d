"""Which way a course is off, where the fix tells its track to half a right angle only."""

from __future__ import annotations

import pytest

from appliance.measure.allowance import allowed_deg, opposite, turns
from appliance.measure.track import Span


def turning(angle_deg: float, position_m: float = 2.0) -> Span:
    """2.6 s of a slow bend of 10 degrees a second, with an autonomous fix."""
    return Span(
        seconds=2.6, told_m=4.3, gone_m=4.4, blind_m=0.0, angle_deg=angle_deg, track_deg=165.0, turned_deg=26.0,
        change_mps=1.3, position_m=position_m, slid_m=0.0,
    )  # fmt: skip


def test_allowances_are_added_up_to_say_that_a_course_is_off() -> None:
    """8 degrees in any case, 0.7 s of the bend for filters, and asin(2.0 / 4.3) for the fix."""
    assert allowed_deg(turning(0)) == pytest.approx(8 + 7 + 27.7, abs=0.1)
    assert turns(turning(43))
    assert not turns(turning(-42))


def test_and_as_what_is_independent_to_say_that_it_may_be_its_opposite() -> None:
    """hypot(8, 7, 27.7) is 29.7, and 30 are taken in any case; of half the way the fix lies off 54 degrees."""
    assert opposite(turning(152))
    assert opposite(turning(-180))
    assert not opposite(turning(-148))
    assert opposite(turning(-130, position_m=3.5))
    assert not opposite(turning(-120, position_m=3.5))


def test_where_a_course_cannot_be_asked_nothing_is_off() -> None:
    assert allowed_deg(turning(180, position_m=4.0)) is None
    assert not turns(turning(180, position_m=4.0))
    assert not opposite(turning(180, position_m=4.0))
