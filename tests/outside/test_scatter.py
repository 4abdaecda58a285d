"""CEP and 2DRMS against what a circular normal distribution holds, and against numpy and scipy.

Published ratios for it: CEP holds 50 % and is 1.1774 sigma; 2DRMS is 2.83 sigma and holds 98.2 % ("about 98 %").
Source: F. van Diggelen, "GNSS Accuracy: Lies, Damn Lies, and Statistics", GPS World, January 2007 [from memory]; the
same figures are computed here by scipy from the Rayleigh distribution.
"""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from scipy import stats

from appliance.measure.scatter import Scatter

SIGMA_M = 1.3
COUNT = 500
TWO_DRMS_SIGMAS = 2 * 2**0.5


def sampled(seed: int, count: int = COUNT) -> tuple[Scatter, np.ndarray]:
    """A scatter of positions drawn with numpy and laid out with geographiclib; and their offsets in metres."""
    offsets = np.random.default_rng(seed).normal(0, SIGMA_M, (count, 2))
    scatter = Scatter()
    for north, east in offsets:
        course = float(np.degrees(np.arctan2(east, north)))
        there = Geodesic.WGS84.Direct(52.1, -1.2, course, float(np.hypot(north, east)))
        scatter.add(there["lat2"], there["lon2"])
    return scatter, offsets


def test_what_the_published_ratios_are() -> None:
    rayleigh = stats.rayleigh(scale=1)
    assert rayleigh.ppf(0.5) == pytest.approx(1.1774, abs=1e-4)
    assert rayleigh.cdf(TWO_DRMS_SIGMAS) == pytest.approx(0.982, abs=5e-4)


@pytest.mark.slow
def test_cep_holds_half_and_two_drms_about_98_percent() -> None:
    """Over 40 draws of 500 the shares and radii are those of the distribution, within what sampling allows."""
    ceps, twos, inside_cep, inside_two = [], [], [], []
    for seed in range(40):
        scatter, offsets = sampled(seed)
        cep_m, two_drms_m = scatter.cep_m(), scatter.two_drms_m()
        assert cep_m is not None
        assert two_drms_m is not None
        distances = np.hypot(*(offsets - offsets.mean(axis=0)).T)
        ceps.append(cep_m)
        twos.append(two_drms_m)
        inside_cep.append(np.mean(distances <= cep_m))
        inside_two.append(np.mean(distances <= two_drms_m))
    assert np.mean(ceps) == pytest.approx(1.1774 * SIGMA_M, rel=0.02)
    assert np.mean(twos) == pytest.approx(TWO_DRMS_SIGMAS * SIGMA_M, rel=0.02)
    assert np.mean(inside_cep) == pytest.approx(0.5, abs=0.01)
    assert np.mean(inside_two) == pytest.approx(0.982, abs=0.004)


@pytest.mark.parametrize("seed", range(5))
def test_the_figures_are_numpys(seed: int) -> None:
    scatter, offsets = sampled(seed)
    centred = offsets - offsets.mean(axis=0)
    assert scatter.two_drms_m() == pytest.approx(2 * np.sqrt((centred**2).sum(axis=1).mean()), abs=1e-4)
    assert scatter.cep_m() == pytest.approx(np.median(np.hypot(*centred.T)), abs=1e-4)
