"""Scatter of a parked position: exact small cases, bounded memory, and the spell it is taken over."""

from __future__ import annotations

import sys
from random import Random

import pytest

from appliance.measure.geodesy import way
from appliance.measure.scatter import Scatter

METRE_DEG = 1 / 111_262.0  # of latitude at 52 degrees


def test_nothing_is_known_of_one_position() -> None:
    scatter = Scatter()
    scatter.add(52.0, -1.0)
    assert scatter.cep_m() is None
    assert scatter.two_drms_m() is None


def test_two_positions_two_metres_apart() -> None:
    scatter = Scatter()
    scatter.add(52.0, -1.0)
    scatter.add(52.0 + 2 * METRE_DEG, -1.0)
    assert scatter.cep_m() == pytest.approx(1.0, rel=1e-4)
    assert scatter.two_drms_m() == pytest.approx(2.0, rel=1e-4)


def test_identical_positions_do_not_scatter() -> None:
    scatter = Scatter()
    for _ in range(100):
        scatter.add(52.0, -1.0)
    assert scatter.cep_m() == 0
    assert scatter.two_drms_m() == 0


def test_over_the_antimeridian_it_is_no_different() -> None:
    """Positions 1 m to either side of it."""
    scatter = Scatter()
    for longitude in (179.99999, -179.99999):
        scatter.add(-17.0, longitude)
    apart = way(-17.0, 179.99999, -17.0, -179.99999).distance_m
    assert scatter.cep_m() == pytest.approx(apart / 2, rel=1e-6)


def test_memory_stays_bounded_and_the_figures_right() -> None:
    """A night of 50,000 positions; what was dropped changes CEP by less than a tenth."""
    dice, scatter, distances = Random("night"), Scatter(), []
    for _ in range(50_000):
        north, east = dice.gauss(0, 1), dice.gauss(0, 1)
        distances.append((north**2 + east**2) ** 0.5)
        scatter.add(52.0 + north * METRE_DEG, -1.0 + east * METRE_DEG / 0.6157)
    assert sys.getsizeof(scatter._kept) < 16_000
    cep_m = scatter.cep_m()
    assert cep_m is not None
    assert cep_m == pytest.approx(sorted(distances)[25_000], rel=0.1)
