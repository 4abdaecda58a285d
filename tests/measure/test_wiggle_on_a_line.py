"""The wiggle test over a drawn line: it counts the sentences that were damaged or withheld, and those alone."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random

import pytest

from appliance.measure.meter import LineMeter, MeterSettings
from appliance.measure.wiggle import Wiggle
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.spoil import contact_loss
from appliance.simulate.uart import Uart, to_chunks
from appliance.simulate.wave import encode

SECOND = 1_000_000_000
SECONDS = 20
SETTING = Setting(38_400)
INTERVALS = {"GGA": SECOND // 5, "VTG": SECOND // 5, "RMC": SECOND, "ZDA": SECOND}


def sentences() -> list[tuple[float, bytes]]:
    """Each sentence of a healthy feed, and when it is due."""
    found, character_s = [], SETTING.character_s
    for due_s, data in Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, SECONDS):
        at = 0
        for row in data.splitlines(keepends=True):
            found.append((due_s + at * character_s, row))
            at += len(row)
    return found


def counted(said: list[tuple[float, bytes]], losses: Sequence[tuple[float, float]] = ()) -> Wiggle:
    line = contact_loss(encode((Burst(at, row) for at, row in said), SETTING, to_s=SECONDS), losses)
    meter = LineMeter(MeterSettings(SETTING.baud))
    wiggle = meter.wiggle = Wiggle(INTERVALS, 0)
    for chunk in to_chunks(Uart(SETTING).feed(line), SETTING):
        wiggle.tick(chunk.start_ns)
        meter.feed(chunk)
    return wiggle


@pytest.mark.parametrize("seed", range(3))
def test_a_healthy_feed_with_jitter_counts_nothing(seed: int) -> None:
    dice, late, said = Random(seed), 0.0, []
    for at, row in sentences():
        if row[3:6] == b"GGA":  # the first of its epoch: the whole epoch is late
            late = dice.uniform(0.0, 0.02)
        said.append((at + late, row))
    assert counted(said).count == 0


@pytest.mark.parametrize("seed", range(4))
def test_it_counts_what_was_damaged_and_what_was_withheld(seed: int) -> None:
    """Some sentences lose two of their digits in the middle, some are left out; never two at once, so truth is known.

    None of the last second, whose absence cannot be known yet.
    """
    dice, said = Random(seed), sentences()
    places = [n for n, (at, row) in enumerate(said) if 1.0 < at < SECONDS - 2.5 and row[3:6] in (b"GGA", b"VTG")]
    struck = sorted(dice.sample(places[::6], 12))
    damaged, withheld = struck[::2], struck[1::2]
    losses = [(said[n][0] + 20.05 * SETTING.character_s, 3 * SETTING.character_s) for n in damaged]
    wiggle = counted([one for n, one in enumerate(said) if n not in withheld], losses)
    assert (wiggle.damaged_count, wiggle.missing_count) == (len(damaged), len(withheld))
    assert sum(wiggle.strip(SECONDS * SECOND)) == wiggle.count
