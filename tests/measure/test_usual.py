"""What a receiver usually shows, against its promise."""

from __future__ import annotations

import pytest

from appliance.measure.usual import ENOUGH, LEAST, Usual


def test_until_it_has_shown_how_much_a_receiver_may_stray_as_promised() -> None:
    usual = Usual()
    for _ in range(ENOUGH - 1):
        usual.add(1, 0.1, 2.0)
    assert usual.share(1) == 1.0
    usual.add(1, 0.1, 2.0)
    assert usual.share(1) == LEAST
    assert usual.share(4) == 1.0


@pytest.mark.parametrize(("miss_m", "share"), [(0.0, LEAST), (0.35, 0.7), (0.9, 1.0), (5.0, 1.0)])
def test_what_it_strays_is_multiplied_and_held_within_bounds(miss_m: float, share: float) -> None:
    usual = Usual()
    for _ in range(200):
        usual.add(None, miss_m, 2.0)
    assert usual.share(None) == pytest.approx(share)


def test_it_learns_again() -> None:
    usual = Usual()
    for miss_m in (0.1, 1.5):
        for _ in range(400):
            usual.add(2, miss_m, 2.0)
    assert usual.share(2) == 1.0
