"""The wire: no byte before its time, never more than the baud allows, and the load that the trade's tables give."""

from __future__ import annotations

import itertools
from bisect import bisect_left

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.wire import chunks, pieces

ALL = ("GGA", "VTG", "RMC", "ZDA")
# Bytes a second and load at 38,400 with 8 decimals of a minute, worked out from GGA 92, VTG 47, RMC 87 and ZDA 38
# characters at 10 bits each.
LOADS = [
    ({"GGA": 5, "VTG": 5, "RMC": 1, "ZDA": 1}, 820, 0.21),
    (dict.fromkeys(ALL, 5), 1320, 0.34),
    ({"GGA": 10, "VTG": 10, "RMC": 1, "ZDA": 1}, 1515, 0.39),
    (dict.fromkeys(ALL, 10), 2640, 0.69),
]


@pytest.mark.parametrize(("rates_hz", "bytes_per_s", "load_ratio"), LOADS)
def test_load_of_the_usual_sets(rates_hz: dict[str, float], bytes_per_s: float, load_ratio: float) -> None:
    said = Receiver(ReceiverSettings(rates_hz=rates_hz), Drive(1), 1)
    sent = sum(len(piece.data) for piece in pieces(said.epochs(60, 160), 38400)) / 100
    assert sent == pytest.approx(bytes_per_s, rel=0.03)
    assert sent * 10 / 38400 == pytest.approx(load_ratio, abs=0.01)


def test_a_full_second_takes_69_ms_at_38400_and_275_ms_at_9600() -> None:
    """All four sentences of one epoch, 264 characters: the burst must be judged, not only the mean load."""
    said = Receiver(ReceiverSettings(delay_s=0), Drive(1), 1)
    for baud, expected_s in ((38400, 0.069), (9600, 0.275)):
        burst = list(pieces(said.epochs(60, 60.1), baud))
        assert burst[-1].due_s - 60 == pytest.approx(expected_s, rel=0.03)


BURSTS = st.lists(st.tuples(st.floats(0, 2), st.binary(min_size=1, max_size=120)), min_size=1, max_size=20).map(
    lambda raw: [Burst(due_s, data) for due_s, data in sorted(raw)]
)
BAUDS = st.sampled_from([4800, 9600, 19200, 38400, 115200])


@given(BURSTS, BAUDS, st.integers(1, 40))
def test_never_more_than_the_baud_allows(bursts: list[Burst], baud: int, most_bytes: int) -> None:
    cut = list(pieces(bursts, baud, most_bytes=most_bytes))
    assert b"".join(piece.data for piece in cut) == b"".join(burst.data for burst in bursts)
    byte_s = 10 / baud
    ended_s = 0.0
    for due_s, data in cut:
        assert 1 <= len(data) <= most_bytes
        assert len(data) == 1 or len(data) * byte_s <= 0.004 + 1e-9
        # Its first bit begins after the last byte of the piece before has ended.
        assert due_s - len(data) * byte_s >= ended_s - 1e-9
        ended_s = due_s


@given(BURSTS, BAUDS)
def test_no_byte_before_it_is_due_and_none_late_on_a_free_wire(bursts: list[Burst], baud: int) -> None:
    ends, count = [], 0
    for piece in pieces(bursts, baud):
        count += len(piece.data)
        ends.append((count, piece.due_s))
    free_s, total = 0.0, 0
    for burst in bursts:
        free_s = max(free_s, burst.due_s) + len(burst.data) * 10 / baud
        total += len(burst.data)
        assert ends[bisect_left(ends, (total, 0.0))][1] == pytest.approx(free_s, abs=1e-6)


@given(BURSTS, BAUDS, st.integers(0, 10**15))
def test_chunks_are_the_pieces_with_byte_times(bursts: list[Burst], baud: int, origin_ns: int) -> None:
    cut, timed = list(pieces(bursts, baud)), list(chunks(bursts, baud, origin_ns=origin_ns))
    assert [chunk.data for chunk in timed] == [piece.data for piece in cut]
    for chunk, piece in zip(timed, cut, strict=True):
        assert chunk.step_ns == pytest.approx(10e9 / baud, abs=0.5)
        assert abs(chunk.end_ns - origin_ns - piece.due_s * 1e9) < 20
    for before, after in itertools.pairwise(timed):
        assert after.start_ns - before.end_ns >= before.step_ns - 20


def test_an_overloaded_line_falls_behind() -> None:
    said = Receiver(ReceiverSettings(rates_hz=dict.fromkeys(ALL, 5)), Drive(1), 1)
    last = list(pieces(said.epochs(0, 30), 9600))[-1]
    assert last.due_s == pytest.approx(30 * 1.38, rel=0.05)  # 138 % of 9600


@pytest.mark.parametrize("wrong", [{"baud": 0}, {"baud": 9600, "most_bytes": 0}])
def test_settings_that_cannot_be(wrong: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="positive"):
        list(pieces([Burst(0, b"x")], **wrong))
