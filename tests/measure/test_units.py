"""Factors of units, either way round, and offsets that look like them at one speed."""

from __future__ import annotations

import pytest

from appliance.measure.units import Law, units


@pytest.mark.parametrize(
    ("factor", "note"), [(1.852, "knots-kmh"), (3.6, "mps-kmh"), (1.609344, "mph"), (1.4, ""), (2.5, ""), (1.0, "")]
)
def test_a_factor_has_its_name_either_way_round(factor: float, note: str) -> None:
    assert units(factor) == units(1 / factor) == note
    assert units(factor * 1.02) == note


def test_no_ratio_has_no_name() -> None:
    assert units(0.0) == ""


def law(told: list[float], gone: list[float]) -> Law:
    found = Law()
    for told_mps, gone_mps in zip(told, gone, strict=True):
        found.add(told_mps, gone_mps)
    return found


def test_an_offset_is_told_from_a_factor_where_speeds_vary() -> None:
    gone = [2.0, 2.1, 3.0, 4.0, 3.5, 2.0]
    assert law([one + 1.9 for one in gone], gone).says == "offset"
    assert law([one * 1.852 for one in gone], gone).says == "factor"
    steady = [2.2, 2.21, 2.2, 2.19, 2.2, 2.21]
    assert law([one + 1.9 for one in steady], steady).says == ""
    assert Law().says == ""


def test_a_mix_up_has_its_name_for_sure_only_once_the_speed_varied() -> None:
    gone = [2.0, 2.1, 3.0, 4.0, 3.5, 2.0]
    assert Law().name(1.85, 0.0) == "like-knots-kmh"
    assert law([one * 1.852 for one in gone], gone).name(1.85, 0.0) == "knots-kmh"
    assert law([one + 1.9 for one in gone], gone).name(1.85, 0.0) == ""
    assert law([one * 1.4 for one in gone], gone).name(1.4, 0.0) == Law().name(1.4, 0.0) == ""
