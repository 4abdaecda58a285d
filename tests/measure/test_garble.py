"""Damaged sentences: two texts on top of one another, or one with noise on it."""

from __future__ import annotations

import pytest

from appliance.measure.garble import Garble
from appliance.measure.meter import LineMeter, MeterSettings
from appliance.measure.rate import Rate
from appliance.sentence.frame import Frame
from appliance.sentence.parse import Damaged
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.spoil import bit_errors, joined
from appliance.simulate.uart import Uart, to_chunks
from appliance.simulate.wave import Waveform, encode

SETTING = Setting(38_400)


def text(seed: int) -> Waveform:
    settings = ReceiverSettings(delay_s=0.03 + 0.004 * seed)
    return encode(Receiver(settings, Drive(seed), seed).epochs(0, 8), SETTING, to_s=8)


def garble_of(line: Waveform) -> Garble:
    meter = LineMeter(MeterSettings(SETTING.baud))
    for chunk in to_chunks(Uart(SETTING).feed(line), SETTING):
        meter.feed(chunk)
    assert meter.errors.total > 2
    return meter.garble


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1, 5))
def test_two_texts_are_two_talkers(seed: int) -> None:
    garble = garble_of(joined(text(seed), text(seed + 1)))
    assert garble.two_talkers(SETTING)
    garble.forget()
    assert not garble.two_talkers(SETTING)


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.0005, 0.002, 0.01])
@pytest.mark.parametrize("seed", range(1, 4))
def test_noise_is_no_second_talker(seed: int, share: float) -> None:
    assert not garble_of(bit_errors(text(seed), SETTING.baud, share, seed)).two_talkers(SETTING)


def surplus_of(*, garbled: set[int], lost: set[int], rate_hz: float = 5.0, due_hz: float = 0.0) -> tuple[int, float]:
    """Of ten seconds of a message: garbled ones come half an interval after those of these numbers, lost ones not."""
    garble, rate = Garble(), Rate()
    for number in range(round(10 * rate_hz)):
        at_ns = round(number / rate_hz * 1e9)
        if number not in lost:
            rate.add(at_ns)
        if number in garbled:
            end_ns = at_ns + round(0.5e9 / rate_hz)
            garble.add(Damaged(Frame(b"$GPVTG,\xff", at_ns, end_ns), "alphabet-wrong"))
    return garble.surplus("GP", "VTG", rate, due_hz, 10**10 - 1)


def test_garbled_ones_on_top_of_those_that_were_due() -> None:
    garbled, missing = surplus_of(garbled={3, 8, 13, 18, 40}, lost=set())
    assert (garbled, round(missing, 2)) == (5, 0)
    assert surplus_of(garbled=set(), lost={3}) == (0, 0.0)


def test_garbled_ones_in_place_of_those_that_were_due() -> None:
    struck = {3, 8, 13, 18, 40}
    garbled, missing = surplus_of(garbled=struck, lost=struck)
    assert (garbled, round(missing, 2)) == (5, 5)
    assert surplus_of(garbled=struck, lost=set(), due_hz=6.0)[1] > 5  # where more should come than is seen


def test_where_most_are_garbled_each_counts_as_missing() -> None:
    struck = set(range(50)) - {0, 12, 24, 36, 48}
    garbled, missing = surplus_of(garbled=struck, lost=struck)
    assert garbled == missing > 40


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1, 4))
def test_noise_leaves_no_surplus(seed: int) -> None:
    meter = LineMeter(MeterSettings(SETTING.baud))
    for chunk in to_chunks(Uart(SETTING).feed(bit_errors(text(seed), SETTING.baud, 0.001, seed)), SETTING):
        meter.feed(chunk)
    now_ns = 8 * 10**9
    found = [meter.garble.surplus(*key, one.rate, 0, now_ns) for key, one in meter.messages.items()]
    assert sum(garbled for garbled, _ in found) >= 4
    assert sum(missing for _, missing in found) > 0.5 * sum(garbled for garbled, _ in found)


@pytest.mark.slow
def test_what_came_long_ago_fades() -> None:
    garble = garble_of(joined(text(1), text(2)))
    noisy = LineMeter(MeterSettings(SETTING.baud))
    noisy.garble = garble
    for seed in range(6):
        line = bit_errors(text(seed), SETTING.baud, 0.01, seed)
        for chunk in to_chunks(Uart(SETTING).feed(line), SETTING):
            noisy.feed(chunk)
    assert not garble.two_talkers(SETTING)
    assert garble._seen.total() <= 1500 + 1024
