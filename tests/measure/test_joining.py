"""A line joined in mid character: what is read before its first rest is no damage, and all that is read after it is."""

from __future__ import annotations

import pytest

from appliance.measure.joining import Joining
from appliance.measure.meter import LineMeter, MeterSettings
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import FRAME_MOST_BYTES
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.spoil import joined_in
from appliance.simulate.uart import Uart, to_chunks
from appliance.simulate.wave import encode

STEP = 260_417
RUBBISH = b"\xb1$\xd4\xb1\xe2R\r\n"


def damage(*chunks: Chunk) -> int:
    meter = LineMeter(MeterSettings(38_400))
    for chunk in chunks:
        meter.feed(chunk)
    return meter.errors.total


def test_rubbish_before_the_first_rest() -> None:
    assert damage(Chunk(RUBBISH, 0, STEP)) == 0
    assert damage(Chunk(RUBBISH, 0, STEP), Chunk(RUBBISH, len(RUBBISH) * STEP, STEP)) == 0


def test_rubbish_after_a_rest_is_damage() -> None:
    assert damage(Chunk(RUBBISH, 0, STEP), Chunk(RUBBISH, 10**9, STEP)) == 1


def test_a_sentence_that_can_be_told_is_damaged_wherever_it_comes() -> None:
    assert damage(Chunk(b"$GPGGA,1,2*00\r\n", 0, STEP)) == 1


def test_in_a_log_without_times_of_arrival_nothing_is_rubbish_for_this_reason() -> None:
    meter = LineMeter(MeterSettings(38_400, arrival_measured=False))
    meter.feed(Chunk(RUBBISH, 0, 0))
    assert meter.errors.total == 1


def test_a_line_that_never_rests_is_not_excused_for_ever() -> None:
    joining = Joining()
    for number in range(2 * FRAME_MOST_BYTES):
        joining.add(Chunk(b"$", number * STEP, STEP), STEP)
    assert joining.covers(FRAME_MOST_BYTES // 2 * STEP)
    assert not joining.covers((FRAME_MOST_BYTES + 1) * STEP)


@pytest.mark.parametrize("seed", range(1, 4))
def test_joined_at_any_bit(seed: int) -> None:
    setting = Setting(38_400)
    line = encode(Receiver(ReceiverSettings(), Drive(seed), seed).epochs(0, 1), setting, to_s=1)
    for number in range(40):
        meter = LineMeter(MeterSettings(38_400))
        heard = Uart(setting, number).feed(joined_in(line, 0.03 + number * 0.00102))
        for chunk in to_chunks(heard, setting):
            meter.feed(chunk)
        assert meter.sentences >= 8
        assert meter.errors.total == 0
