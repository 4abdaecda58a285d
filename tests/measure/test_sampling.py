"""The UART in brief hears what the full model of the wire hears."""

from __future__ import annotations

from collections import Counter

import pytest

from appliance.measure.sampling import FLAWED, drawn, heard, turned
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.spoil import inverted
from appliance.simulate.uart import Uart
from appliance.simulate.wave import encode

BURSTS = tuple(Receiver(ReceiverSettings(), Drive(5), 5).epochs(0, 3))
REST_BITS = 400


def brief(setting: Setting, listening: Setting, *, upside_down: bool = False) -> list[int]:
    found = []
    for burst in BURSTS:
        levels = drawn(burst.data, setting, REST_BITS)
        levels = turned(levels) if upside_down else levels
        found += heard(levels, setting.baud / listening.baud, listening)
    return found


def full(setting: Setting, listening: Setting, *, upside_down: bool = False) -> list[int]:
    """At several phases of the listener's samples, which lie by chance."""
    line = encode(BURSTS, setting)
    line = inverted(line) if upside_down else line
    received = [one for phase in range(4) for one in Uart(listening, phase).feed(line)]
    return [one.byte + FLAWED * (one.framing or one.parity) for one in received]


def difference(some: list[int], others: list[int]) -> float:
    """Half the sum of the differences of all shares: 0 alike, 1 nothing in common."""
    one, other = Counter(some), Counter(others)
    return sum(abs(one[word] / one.total() - other[word] / other.total()) for word in one | other) / 2


@pytest.mark.parametrize("name", ["8N1", "7E1", "7O1", "8E1", "8O1", "8N2"])
def test_at_the_same_setting_every_byte_comes_through(name: str) -> None:
    setting = Setting.parse(38_400, name)
    assert bytes(brief(setting, setting)) == b"".join(burst.data for burst in BURSTS)


@pytest.mark.parametrize(
    ("sending", "listening"),
    [
        (Setting(9600), Setting(38_400)),
        (Setting(19_200), Setting(38_400)),
        (Setting(57_600), Setting(38_400)),
        (Setting(115_200), Setting(38_400)),
        (Setting.parse(38_400, "7E1"), Setting(38_400)),
        (Setting.parse(38_400, "8O1"), Setting(38_400)),
        (Setting.parse(38_400, "8E1"), Setting.parse(38_400, "8O1")),
        (Setting.parse(4800, "7O1"), Setting.parse(9600, "7E1")),
    ],
    ids=str,
)
def test_the_shares_are_those_of_the_full_model(sending: Setting, listening: Setting) -> None:
    assert difference(brief(sending, listening), full(sending, listening)) < 0.15


def test_upside_down_text_is_heard_as_by_the_full_model() -> None:
    setting = Setting(38_400)
    assert difference(brief(setting, setting, upside_down=True), full(setting, setting, upside_down=True)) < 0.15


def test_what_is_shorter_than_a_sample_may_go_unseen() -> None:
    """A listener at 1,200 samples a line of 460,800 every 24 bits."""
    sending, listening = Setting(460_800), Setting(1200)
    assert len(brief(sending, listening)) * 4 == pytest.approx(len(full(sending, listening)), rel=0.5)


def test_of_a_resting_line_nothing_is_heard() -> None:
    assert heard(drawn(b"", Setting(9600), 500), 1.0, Setting(9600)) == []
    assert heard(b"", 1.0, Setting(9600)) == []
