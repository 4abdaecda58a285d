"""Damaged sentences: two texts on top of one another, or one with noise on it."""

from __future__ import annotations

import pytest

from appliance.measure.garble import Garble
from appliance.measure.meter import LineMeter, MeterSettings
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
