"""Faults on a plan as flags: each fault on one, none over another, each over its place or near it."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.site.figures import is_figure
from appliance.site.flags import STEM, TALL, WIDE, flags, words

WIDTH = 358.0
PLACES = st.lists(st.tuples(st.floats(-100, 500), st.floats(-100, 600)), max_size=40)


@given(PLACES)
def test_each_fault_stands_on_one_flag_and_no_two_overlap(places: list[tuple[float, float]]) -> None:
    made = flags([(number, x, y) for number, (x, y) in enumerate(places, 1)], WIDTH)
    assert sorted(number for flag in made for number in flag.numbers) == list(range(1, len(places) + 1))
    for one, other in combinations(made, 2):
        assert abs(one.at[0] - other.at[0]) >= WIDE or abs(one.at[1] - other.at[1]) >= TALL
    for flag in made:
        assert abs(flag.at[1] - flag.foot[1]) == pytest.approx(STEM + TALL / 2)
        assert flag.numbers == tuple(sorted(flag.numbers))


def test_one_alone_stands_over_its_place_and_within_the_plan() -> None:
    (flag,) = flags([(1, 200.0, 300.0)], WIDTH)
    assert (flag.foot, flag.at) == ((200.0, 300.0), (200.0, 300.0 - STEM - TALL / 2))
    (top,) = flags([(1, 0.0, 5.0)], WIDTH)
    assert top.at == (WIDE / 2, 5.0 + STEM + TALL / 2)
    (outside,) = flags([(1, -60.0, -80.0)], WIDTH)
    assert outside.at[0] == -60.0


def test_those_that_lie_close_are_one() -> None:
    made = flags([(1, 100, 300), (2, 110, 305), (3, 300, 300), (4, 90, 290)], WIDTH)
    assert [flag.numbers for flag in made] == [(1, 2, 4), (3,)]
    assert made[0].foot == pytest.approx((100, 298.33), abs=0.01)


@pytest.mark.parametrize(
    ("numbers", "told"),
    [((3,), "3"), ((3, 9), "3, 9"), ((3, 4, 5), "3–5"), ((3, 5, 6, 12), "3…12")],  # noqa: RUF001
)
def test_what_stands_on_it(numbers: tuple[int, ...], told: str) -> None:
    assert words(numbers) == told
    assert is_figure(told)  # or a language would not know it
