"""What is late and what is missing, judged against the receiver's own schedule."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from random import Random

import pytest

from appliance.measure.calendar import Calendar
from appliance.measure.epoch import Epoch
from appliance.measure.pace import Pace
from appliance.measure.trouble import Trouble, Troubles
from appliance.sentence.types import GGA

SECOND = 1_000_000_000
LATE_MOST_S = 0.8
BEGUN_S = 40_000.0  # UTC of day at the start
ARRIVALS_S = 7_000.0  # the arrivals' clock at the start


def epoch_of(time_s: float, at_s: float, span_s: float = 0.03) -> Epoch:
    at_ns = round(at_s * SECOND)
    gga = GGA(time_s % 86_400, 52.1, -1.2, 4, 18, 0.7, 112.0, 47.2, 1.0, "0131", 8)
    return Epoch(time_s % 86_400, at_ns, at_ns + round(span_s * SECOND), [], {"GGA": gga})


class Heard:
    def __init__(self, measured: bool = True) -> None:
        self.troubles = Troubles()
        self.calendar = Calendar(self.troubles, None, measured)
        self.pace = Pace(self.troubles, self.calendar, LATE_MOST_S, measured)
        self.ended: list[Trouble] = []

    def all(self, epochs: Iterable[Epoch]) -> Heard:
        for epoch in epochs:
            self.calendar.take(epoch)
            self.pace.take(epoch)
            self.ended += self.troubles.take_ended()
        return self

    @property
    def late(self) -> list[Trouble]:
        return [trouble for trouble in self.ended if trouble.kind == "late"]


def line(
    seconds: float, rate_hz: float = 5, delay: Callable[[float], float] = lambda _: 0.03, ppm: float = 0.0, *,
    begun_s: float = BEGUN_S, says: Callable[[float], float] = lambda t: t,
) -> list[Epoch]:  # fmt: skip
    made, end_s = [], 0.0
    for n in range(round(seconds * rate_hz)):
        t = n / rate_hz
        end_s = max(end_s + 0.001, t * (1 + ppm * 1e-6) + delay(t))
        made.append(epoch_of(begun_s + says(t), ARRIVALS_S + end_s))
    return made


@pytest.mark.parametrize("ppm", [-200, -20, 0, 20, 200])
@pytest.mark.parametrize("rate_hz", [1, 5, 10])
def test_slope_and_offset_are_found_under_the_delays(ppm: float, rate_hz: float) -> None:
    dice = Random(7)
    heard = Heard().all(line(400, rate_hz, lambda _: 0.03 + dice.expovariate(300), ppm))
    assert heard.pace.slope_ppm == pytest.approx(ppm, abs=8)
    shown_s = heard.pace.offset_s
    assert shown_s == pytest.approx(ARRIVALS_S - BEGUN_S + 0.03 + 400 * ppm * 1e-6, abs=0.004)
    assert heard.pace.late == 0


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("rate_hz", [1, 5, 10])
def test_healthy_delays_are_not_late(seed: int, rate_hz: float) -> None:
    """Half a second of swing, 16 ms of an adapter, 50 ms of a host, a slope, gaps short and long, and a restart."""
    dice = Random(seed)
    ppm = dice.uniform(-200, 200)

    def delay(t: float) -> float:
        held_s = 0.05 if dice.random() < 0.05 else 0.0
        return 0.3 + 0.25 * math.sin(t / 15 + seed) + dice.uniform(0, 0.016) + held_s

    epochs = line(600, rate_hz, delay, ppm, begun_s=86_000.0)
    kept = [e for n, e in enumerate(epochs) if not 200 < n / rate_hz < 206 and not 300 < n / rate_hz < 345]
    heard = Heard().all(kept)
    assert heard.pace.late == 0
    assert "late" in heard.troubles.fine_ns
    assert not heard.ended
    begun = epochs[-1].start_ns / SECOND
    restarted = [epoch_of(3.0 + n / rate_hz, begun + 60 + n / rate_hz) for n in range(200)]
    assert heard.all(restarted).pace.late == 0


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
def test_what_comes_after_its_time_is_late_until_it_is_on_time(rate_hz: float) -> None:
    """The line stands for three seconds, and then all of it comes."""
    heard = Heard().all(line(120, rate_hz, lambda t: 63.03 - t if 60 <= t < 63 else 0.03))
    (late,) = heard.late
    assert late.measured == pytest.approx(3.0, abs=0.01)
    assert late.needed == LATE_MOST_S
    assert late.since_ns / SECOND == pytest.approx(ARRIVALS_S + 63.03)
    behind = sum(3 - n / rate_hz > LATE_MOST_S for n in range(3 * round(rate_hz)))
    assert heard.pace.late == pytest.approx(behind, abs=1)


def test_a_delay_that_grows_is_late_when_it_passes_the_limit() -> None:
    """A receiver that falls behind by 1.5 s and stays there for a minute."""
    heard = Heard().all(line(300, 5, lambda t: 0.03 + min(1.5, max(0.0, t - 100) * 0.1 if t < 180 else 0.0)))
    (late,) = heard.late
    assert late.since_ns / SECOND == pytest.approx(ARRIVALS_S + 108 + 0.83, abs=0.5)
    assert late.measured == pytest.approx(1.5, abs=0.02)


def test_a_watch_that_begins_with_held_up_bytes_is_put_right() -> None:
    heard = Heard().all(line(300, 5, lambda t: max(0.03, 4 - t)))
    assert heard.pace.late == 0
    assert heard.pace.offset_s == pytest.approx(ARRIVALS_S - BEGUN_S + 0.03, abs=0.001)


def test_a_missing_epoch_is_not_late() -> None:
    heard = Heard().all(epoch for n, epoch in enumerate(line(120)) if n % 9)
    assert heard.pace.late == 0


@pytest.mark.parametrize("step_s", [18.0, -18.0, -40.0, 300.0])
def test_a_step_of_the_clock_makes_nothing_late(step_s: float) -> None:
    heard = Heard().all(line(200, 5, says=lambda t: t + step_s if t >= 100 else t))
    assert heard.pace.late == 0
    assert heard.pace.offset_s == pytest.approx(ARRIVALS_S - BEGUN_S + 0.03 - step_s, abs=0.001)


def test_one_sentence_with_a_wrong_time_makes_nothing_late() -> None:
    heard = Heard().all(line(200, 5, says=lambda t: t + 500 if t == 100 else t))
    assert heard.pace.late == 0


@pytest.mark.parametrize("rate_hz", [2, 5])
def test_whole_seconds_told_several_times_are_not_late(rate_hz: float) -> None:
    heard = Heard().all(line(200, rate_hz, says=math.floor))
    assert heard.pace.late == 0
    p95 = heard.pace.delays.quantile(0.95)
    assert p95 is not None
    assert p95 < 0.01


def test_spread_and_span() -> None:
    dice = Random(1)
    heard = Heard().all(line(300, 5, lambda _: 0.03 + dice.uniform(0, 0.1)))
    middle, p95 = heard.pace.delays.quantile(0.5), heard.pace.delays.quantile(0.95)
    assert middle == pytest.approx(0.05, abs=0.01)
    assert p95 == pytest.approx(0.095, abs=0.01)
    assert heard.pace.spans.quantile(0.5) == pytest.approx(0.03)
    assert heard.pace.asked == heard.pace.delays.count


def test_without_byte_times_nothing_is_asked() -> None:
    heard = Heard(measured=False).all(line(60))
    assert (heard.pace.offset_s, heard.pace.slope_ppm, heard.pace.asked) == (None, None, 0)
    assert "late" not in heard.troubles.fine_ns


def test_the_same_clock_is_known_after_a_gap_of_hours() -> None:
    epochs = line(100, 5) + [epoch_of(BEGUN_S + 50_000 + n / 5, ARRIVALS_S + 50_000 + n / 5 + 0.03) for n in range(100)]
    heard = Heard().all(epochs)
    assert heard.calendar.regime == 0
    assert heard.pace.offset_s == pytest.approx(ARRIVALS_S - BEGUN_S + 0.03, abs=0.001)
    assert heard.pace.late == 0


@pytest.mark.parametrize("kept_back", [0.0, 4.0])
def test_a_leap_second_of_which_nothing_was_sent_makes_nothing_late(kept_back: float) -> None:
    """The receiver rests for the second, or it falls into a gap."""

    def at(n: int) -> tuple[float, float]:
        t = n / 5
        return (86_300 + t, t) if t < 100 else (86_300 + t, t + 1)

    epochs = [epoch_of(time_s, 9 + at_s) for time_s, at_s in map(at, range(1000)) if not 100 - kept_back <= at_s < 101]
    heard = Heard().all(epochs)
    assert (heard.pace.late, heard.ended) == (0, [])
