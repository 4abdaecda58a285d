"""What of the box itself goes into history: where it changed, and no more."""

from __future__ import annotations

from pathlib import Path

import pytest

from appliance.history.rows import BoxRow
from appliance.tap.box_followed import BoxFollowed

S = 1_000_000_000


class Machine:
    """The kernel's files as its documentation of thermal and raspberrypi-hwmon names them, and who follows them."""

    def __init__(self, sys: Path) -> None:
        zone, chip = sys / "class/thermal/thermal_zone0", sys / "class/hwmon/hwmon1"
        zone.mkdir(parents=True)
        chip.mkdir(parents=True)
        (zone / "type").write_text("cpu-thermal\n")
        (chip / "name").write_text("rpi_volt\n")
        self._temp, self._alarm = zone / "temp", chip / "in0_lcrit_alarm"
        self.told: list[BoxRow] = []
        self.followed = BoxFollowed(self.told.append, sys)

    def at(self, at_s: float, warmth_c: float, low: int = 0, watch: int | None = 1) -> int:
        self._temp.write_text(f"{warmth_c * 1000:.0f}\n")
        self._alarm.write_text(f"{low}\n")
        self.followed.turn(watch, round(at_s * S))
        return len(self.told)


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def test_warmth_is_told_by_degrees_and_once_a_minute_at_most(machine: Machine) -> None:
    assert machine.at(0, 40.0) == 1
    assert machine.at(10, 45.0) == 1
    assert machine.at(61, 45.0) == 2
    assert machine.at(130, 45.9) == 2
    assert machine.at(200, 46.0) == 3
    assert machine.told[-1] == BoxRow(200 * S, 46.0, False)


def test_a_low_supply_is_told_from_when_it_may_have_been_so_and_its_end_when_it_stays_good(machine: Machine) -> None:
    machine.at(0, 40)
    assert machine.at(20, 40, low=1) == 2
    assert machine.told[-1] == BoxRow(16 * S, 40.0, True)  # twice two seconds: the driver asks, and then the box does
    flutters = [machine.at(20 + 2 * n, 40, low=n % 2) for n in range(1, 50)]
    assert set(flutters) == {2}
    assert machine.at(127, 40) == 2
    assert machine.at(130, 40) == 3
    assert machine.told[-1] == BoxRow(130 * S, 40.0, False)


def test_each_watch_is_told_anew_and_none_before_it_has_begun(machine: Machine) -> None:
    assert machine.at(0, 40, watch=None) == 0
    assert machine.at(1, 40, watch=1) == 1
    assert machine.at(2, 40, watch=1) == 1
    assert machine.at(2.5, 40, watch=None) == 1
    assert machine.at(2.6, 40, watch=2) == 2


def test_a_machine_that_tells_nothing_is_told_once(tmp_path: Path) -> None:
    told: list[BoxRow] = []
    followed = BoxFollowed(told.append, tmp_path)
    for at_s in range(0, 600, 2):
        followed.turn(1, at_s * S)
    assert told == [BoxRow(0, None, None)]
