"""How a stream broke off: by a line that went low in mid character or between two, or that just rests."""

from __future__ import annotations

from itertools import pairwise

import pytest

from appliance.measure.ending import Ending
from appliance.sentence.chunk import Chunk
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.spoil import contact_loss, held_low
from appliance.simulate.uart import Uart
from appliance.simulate.wave import Waveform, encode

SETTING = Setting(38_400)
BIT_S = 1 / 38_400


def line() -> Waveform:
    return encode(Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, 1), SETTING, to_s=1.2)


def ending_of(wave: Waveform, marks: bool) -> Ending:
    """Fed byte by byte: so a chunk of one byte is tried as well."""
    ending = Ending()
    for one in Uart(SETTING).feed(wave):
        flawed = ((0,) if one.framing else ()) if marks else None
        ending.add(Chunk(bytes([one.byte]), 0, 0, flawed))
    return ending


def instants(step_bits: int = 7) -> list[float]:
    """All over the first burst, at every place in a character."""
    busy = [t_ns / 1e9 for t_ns in line().times_ns if t_ns < 0.06e9]
    return [busy[0] + n * step_bits * BIT_S for n in range(int((busy[-1] - busy[0]) / BIT_S / step_bits))]


@pytest.mark.parametrize(("marks", "least"), [(True, 0.95), (False, 0.6)])
def test_held_low_from_any_moment_of_a_burst(marks: bool, least: float) -> None:
    told = [ending_of(held_low(line(), [(at_s, 2.0)]), marks) for at_s in instants()]
    assert len(told) > 100
    assert sum(one.broke or one.cut_low for one in told) >= least * len(told)


def test_held_low_between_bursts_is_a_break() -> None:
    assert ending_of(held_low(line(), [(0.15, 2.0)]), marks=False).broke


@pytest.mark.parametrize("marks", [True, False])
def test_a_cable_that_is_pulled_at_any_moment_is_not_held_low(marks: bool) -> None:
    told = [ending_of(contact_loss(line(), [(at_s, 2.0)]), marks) for at_s in instants()]
    assert len(told) > 100
    assert not any(one.broke or one.cut_low for one in told)


@pytest.mark.parametrize(
    ("text", "low"),
    [
        (b"", False),
        (b"$GPGGA,1*5A\r\n", False),
        (b"$GPGGA,1*5A\r", False),
        (b"$GPGGA,1*5A\n", False),
        (b"$GPGGA,1\r\n", False),
        (b"$GPGGA,1\n", False),
        (b"$GPGGA,1*", False),
        (b"$GPGGA,1*5\n", True),  # of a J there is left a line feed, amid the sum
        (b"$GPGGA,1,\r", True),  # of an M a carriage return, which no sum precedes
        (b"$GPGGA,1,\x12", True),
        (b"$GPGGA,1,\x80", False),  # the line was high at its end
    ],
)
def test_what_no_text_ends_in(text: bytes, low: bool) -> None:
    ending = Ending()
    for first, last in pairwise((0, len(text) // 2, len(text))):
        if first < last:
            ending.add(Chunk(text[first:last], 0, 0))
    assert ending.cut_low is low


def test_a_line_whose_bytes_are_all_flawed_tells_nothing_by_the_last() -> None:
    ending = Ending()
    ending.add(Chunk(b"$GPGGA,1,2", 0, 0, tuple(range(10))))
    assert not ending.cut_low
