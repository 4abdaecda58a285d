"""One clock or two: UTC that runs on, that is told twice, that stands still, and midnight."""

from __future__ import annotations

import pytest

from appliance.measure.meter import LineMeter, MeterSettings
from appliance.measure.sources import TWICE_LEAST, Sources
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk

DAY_S = 86_400.0


def share(times_s: list[float], came_s: list[float] | None = None) -> float:
    """Of a meter that hears GGA with these times of day, at these times; else every tenth of a second and a second."""
    meter = LineMeter(MeterSettings(38_400))
    arrivals = came_s or [number // 2 + 0.1 * (number % 2) for number in range(len(times_s))]
    for time_s, at_s in zip(times_s, arrivals, strict=True):
        hms = f"{time_s // 3600:02.0f}{time_s % 3600 // 60:02.0f}{time_s % 60:05.2f}"
        body = f"GPGGA,{hms},5200.00000000,N,00100.00000000,W,4,18,0.7,100.0,M,47.0,M,1.0,0001".encode()
        meter.feed(Chunk(b"$%b*%02X\r\n" % (body, checksum(body)), round(at_s * 1e9), 260_417))
    assert meter.sentences == len(times_s)
    return meter.sources.twice_share


def test_nothing_is_told_before_enough_has_come() -> None:
    assert Sources().twice_share == 0.0
    assert share([100.2] * 6) == 0.0
    assert share([100.2, 101.2] * 3) == 0.0
    assert share([100.2, 101.2] * 3 + [100.2]) == 0.5


def test_one_clock_runs_on_over_midnight() -> None:
    assert share([(DAY_S - 2 + n / 5) % DAY_S for n in range(20)]) == 0.0


@pytest.mark.parametrize("behind_s", [0.0, 0.2, 37.0])
def test_two_clocks_go_back_and_forth(behind_s: float) -> None:
    times = [t - back for t in range(100, 112) for back in (0.0, behind_s)]
    assert TWICE_LEAST <= share([float(t) for t in times]) <= 0.6


def test_one_second_told_twice_is_one_clock() -> None:
    times = [float(t) for t in range(100, 120)]
    came = [*range(10), 9.1, *range(10, 20)]
    assert 0.0 < share([*times[:10], times[9], *times[10:]], came) < TWICE_LEAST


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
@pytest.mark.parametrize("stands", [3, 8, 12, 15, 40])
def test_a_clock_that_stands_is_one_clock(rate_hz: int, stands: int) -> None:
    """While it stands, and for as long as that is remembered once it runs again."""
    step_s = 1 / rate_hz
    runs = [100.0 + number * step_s for number in range(21)]
    for after in range(20):
        times = [*runs, *[runs[-1]] * stands, *(runs[-1] + (stands + number) * step_s for number in range(1, after))]
        assert share(times, [number * step_s for number in range(len(times))]) < TWICE_LEAST


def late(number: int) -> float:
    """An invented delay, up to 0.04 s."""
    return number * 7 % 5 / 100


@pytest.mark.parametrize("rate_hz", [1, 2, 4, 5, 10])
def test_one_receiver_that_tells_whole_seconds_more_than_once(rate_hz: int) -> None:
    came = [number / rate_hz + late(number) for number in range(8 * rate_hz)]
    assert share([float(100 + number // rate_hz) for number in range(8 * rate_hz)], came) < TWICE_LEAST


@pytest.mark.parametrize("rate_hz", [1, 5])
@pytest.mark.parametrize("behind_s", [0.03, 0.05])
def test_two_receivers_that_tell_whole_seconds(rate_hz: int, behind_s: float) -> None:
    came = [number // 2 / rate_hz + behind_s * (number % 2) for number in range(16 * rate_hz)]
    times = [float(100 + number // 2 // rate_hz) for number in range(16 * rate_hz)]
    assert TWICE_LEAST <= share(times, came) <= 0.75
