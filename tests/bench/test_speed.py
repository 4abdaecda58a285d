"""The benches of speed run, and tell what they measured: over stretches far too short for a figure."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import pytest

Program = Callable[[str], ModuleType]


@pytest.mark.slow
def test_the_chain_is_told_beside_its_rivals(program: Program) -> None:
    rows = program("speed_chain").rows(20.0)
    assert [("pynmea2" in row.rival, "bytes.split" in row.rival) for row in rows] == [
        (True, False), (False, False), (True, False), (False, True)
    ]  # fmt: skip
    assert rows[0].what == "whole chain offline, 300 sentences"  # 20 s of 5 GGA, 5 VTG, RMC, ZDA, and 3 GSA
    assert rows[0].kept is not None


@pytest.mark.slow
def test_history_is_told_against_its_goals(program: Program) -> None:
    bench = program("speed_history")
    assert [row.what for row in bench.day(0.02)] == ["history of a day of 10 h", "export, raw", "export, text"]
    assert all(row.kept is not None for row in bench.pages(1))


def test_growth_is_drawn_by_powers_of_ten(program: Program) -> None:
    growth = program("speed_row").Growth("check", "s", {1.0: 1.0, 10.0: 10.0})
    assert [row.count("#") for row in growth.plot()] == [0, 30, 40]


@pytest.mark.slow
def test_what_is_no_longer_the_same_is_seen(program: Program) -> None:
    bench = program("same")
    once, again, other = (bench.summed(name)[:2] for name in ("two lines", "two lines", "story, plain"))
    assert once == again
    assert once[0] != other[0]
    assert once[1] != other[1]
