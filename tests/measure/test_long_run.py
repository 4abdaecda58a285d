"""An hour of a talking receiver: what is measured is what was sent, and the memory does not grow."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterator
from typing import Any

import pytest

from appliance.measure.meter import LineMeter, MeterSettings
from appliance.measure.spread import Spread
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.wire import chunks

SECOND = 1_000_000_000
RATES_HZ = {"GGA": 5, "VTG": 5, "RMC": 1, "ZDA": 1, "GSV": 1, "GSA": 1}
NEEDED = {"GGA": 600_000_000, "VTG": 600_000_000, "RMC": 3 * SECOND, "ZDA": 3 * SECOND}
OURS = "appliance."


def sizes(thing: Any, path: str = "", seen: set[int] | None = None) -> Iterator[tuple[str, int]]:
    """Path and length of every container that can be reached from it."""
    seen = set() if seen is None else seen
    if id(thing) in seen or isinstance(thing, str | bytes | int | float | type | None):
        return
    seen.add(id(thing))
    if isinstance(thing, dict | list | tuple | set | frozenset | deque):
        yield path, len(thing)
        inner = thing.items() if isinstance(thing, dict) else enumerate(thing)
        for key, value in inner:
            yield from sizes(value, f"{path}[{key}]", seen)
    if type(thing).__module__.startswith(OURS):
        names = {name for kind in type(thing).__mro__ for name in getattr(kind, "__slots__", ())}
        for name in names | set(getattr(thing, "__dict__", ())):
            yield from sizes(getattr(thing, name), f"{path}.{name}", seen)


def held(meter: LineMeter) -> dict[str, int]:
    return {path: length for path, length in sizes(meter) if ".last" not in path and "._bins" not in path}


def bins(meter: LineMeter) -> list[int]:
    spreads = [spread for m in meter.messages.values() for spread in (m.rate.intervals, m.schedule.residuals)]
    return [len(spread._bins) for spread in spreads]


def test_the_walk_finds_what_grows() -> None:
    meter = LineMeter(MeterSettings(38_400))
    before = held(meter)
    meter.errors.add("overlong", 1)
    assert set(held(meter)) - set(before) == {".errors._recent[overlong]"}
    spread = Spread()
    spread.add(1.0)
    assert dict(sizes(spread))["._bins"] == 1


@pytest.mark.slow
def test_an_hour_at_5_hz() -> None:
    receiver = Receiver(ReceiverSettings(rates_hz=RATES_HZ), Drive(5), 5)
    meter = LineMeter(MeterSettings(38_400, gap_most_ns=NEEDED, silence_most_ns=600_000_000))
    sent: Counter[str] = Counter()
    kept: dict[int, dict[str, int]] = {}
    in_bins: dict[int, list[int]] = {}
    tallied: Counter[str] = Counter()
    for half in (1, 2):
        bursts = list(receiver.epochs((half - 1) * 1800, half * 1800))
        for burst in bursts:
            sent.update(row[1:6].decode() for row in burst.data.splitlines())
        for number, chunk in enumerate(chunks(bursts, 38_400, origin_ns=1000 * SECOND, most_bytes=4096, most_s=1.0)):
            meter.feed(chunk)
            if number % 5 == 0:
                tallied += meter.take_tally().messages
        tallied += meter.take_tally().messages
        kept[half], in_bins[half] = held(meter), bins(meter)
    assert kept[1] == kept[2]
    assert max(kept[2].values()) <= 1200
    assert sum(in_bins[2]) <= 1.25 * sum(in_bins[1])  # a new size of jitter takes a new bin, ever more seldom
    assert max(in_bins[2]) < 400  # of at most 1401

    now_ns = 1000 * SECOND + 3600 * SECOND
    assert {m.talker + m.type: m.rate.count for m in meter.messages.values()} == sent == tallied
    assert meter.errors.total == 0
    assert sum(meter.fix.seconds_by_quality.values()) == pytest.approx(3599.8, abs=0.02)
    for type_, hz in (("GGA", 5), ("VTG", 5), ("RMC", 1), ("ZDA", 1)):
        rate = meter.needed[type_]
        assert rate.take_gap() is None
        for measured in (rate.short_hz(now_ns), rate.long_hz(now_ns)):
            assert measured == pytest.approx(hz, rel=0.01)
        assert rate.whole_hz() == pytest.approx(hz, rel=1e-4)
    offset = int(receiver.settings.start_utc.timestamp()) * SECOND - 1000 * SECOND
    assert meter.utc.offset_ns is not None
    assert meter.utc.uncertainty_s is not None
    assert 0 < (offset - meter.utc.offset_ns) / SECOND < meter.utc.uncertainty_s
