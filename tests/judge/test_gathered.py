"""The seconds of a watch gathered while it is judged."""

from __future__ import annotations

from appliance.judge.faults import Fault
from appliance.judge.gathered import Gathered
from appliance.measure.meter import LineMeter, MeterSettings

SECOND = 1_000_000_000
START_NS = 500 * SECOND
HOUR_S = 3600


def fault(at_s: float) -> Fault:
    start_ns = START_NS + round(at_s * SECOND)
    return Fault("gap", "from-receiver", "GGA", start_ns, None, "", None, None, "")


def test_the_first_look_of_each_second_is_kept_and_the_oldest_hours_are_dropped() -> None:
    meter = LineMeter(MeterSettings(38_400))
    gathered = Gathered(START_NS, 0, arrival_measured=True, most_s=HOUR_S)
    for look in range(5 * (2 * HOUR_S - 1)):
        gathered.look(meter, START_NS + look * SECOND // 5)
    assert not gathered.dropped
    assert list(gathered.seconds.starts_s) == [float(at) for at in range(2 * HOUR_S - 2)]
    assert [one.start_s for one in gathered.onsets([fault(-1), fault(7)])] == [-1, 7]
    for second in range(2 * HOUR_S, 4 * HOUR_S):
        gathered.look(meter, START_NS + second * SECOND)
        assert len(gathered.seconds) < 2 * HOUR_S
    assert gathered.dropped
    assert gathered.seconds.starts_s[-1] == 4 * HOUR_S - 2
    assert gathered.seconds.starts_s[0] == 4 * HOUR_S - 1 - len(gathered.seconds)
    assert [one.start_s for one in gathered.onsets([fault(7), fault(4 * HOUR_S - 60)])] == [4 * HOUR_S - 60]
