"""What a loom does to a waveform: where, how often, and to nothing else."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.spoil import (
    bit_errors,
    contact_loss,
    error_bursts,
    held_low,
    inverted,
    joined,
    joined_in,
    losses,
)
from appliance.simulate.uart import Uart, receive
from appliance.simulate.wave import Waveform, encode, spans

BAUD = 38400
SETTING = Setting(BAUD)
SPAN_NS = 3_000_000_000
LINES = st.builds(
    lambda level, times: Waveform(level, sorted(times), 0, SPAN_NS),
    st.sampled_from([0, 1]),
    st.sets(st.integers(0, SPAN_NS - 1) | st.sampled_from([0, 1, 10**9, 2 * 10**9]), max_size=60),
)
SECONDS = st.floats(-0.5, 3.5) | st.sampled_from([0.0, 1.0, 2.0, 3.0])
SPELLS = st.lists(st.tuples(SECONDS, st.floats(0, 1)), max_size=5)

Spoil = Callable[[Waveform], Waveform]
SPOILS: dict[str, Spoil] = {
    "inverted": lambda wave: inverted(wave, 0.7, 2.2),
    "inverted for good": inverted,
    "bit errors": lambda wave: bit_errors(wave, BAUD, 0.001, 5, start_s=0.4, end_s=2.6),
    "slow bit errors": lambda wave: bit_errors(wave, 2, 0.3, 5),
    "error bursts": lambda wave: error_bursts(wave, BAUD, 3, 0.05, 5),
    "contact loss": lambda wave: contact_loss(wave, losses([0.3, 0.01, 1.2, 0.4], 5, 0, 3)),
    "held low": lambda wave: held_low(wave, [(0.9, 0.2), (1.9999, 0.3)]),
}


def sentences(seconds: float = 3.0) -> tuple[list[Burst], bytes]:
    bursts = list(Receiver(ReceiverSettings(), Drive(1), 1).epochs(60, 60 + seconds))
    moved = [burst._replace(due_s=burst.due_s - 60) for burst in bursts]
    return moved, b"".join(data for _, data in moved)


def is_well_made(wave: Waveform) -> bool:
    inside = all(wave.start_ns <= t_ns < wave.end_ns for t_ns in wave.times_ns)
    return inside and all(before < after for before, after in pairwise(wave.times_ns))


@given(LINES, st.sampled_from(sorted(SPOILS)), st.lists(st.integers(1, SPAN_NS - 1), max_size=5))
def test_in_pieces_as_whole(wave: Waveform, name: str, cuts: list[int]) -> None:
    spoil = SPOILS[name]
    whole = spoil(wave)
    assert is_well_made(whole)
    for begin, end in pairwise([0, *sorted(cuts), SPAN_NS]):
        if begin < end:
            assert spoil(wave.within(begin, end)) == whole.within(begin, end)


@given(LINES, SECONDS, SECONDS, st.lists(st.integers(0, SPAN_NS - 1), max_size=40))
def test_inverted(wave: Waveform, start_s: float, end_s: float, probes: list[int]) -> None:
    spoilt = inverted(wave, start_s, end_s)
    for t_ns in probes:
        struck = round(start_s * 1e9) <= t_ns < round(end_s * 1e9)
        assert spoilt.level_at(t_ns) == wave.level_at(t_ns) ^ struck
    assert inverted(inverted(wave)) == wave


@given(LINES, SPELLS, st.sampled_from([0, 1]), st.lists(st.integers(0, SPAN_NS - 1), max_size=40))
def test_held(wave: Waveform, spells: list[tuple[float, float]], held: int, probes: list[int]) -> None:
    spoilt = (contact_loss if held else held_low)(wave, spells)
    assert is_well_made(spoilt)
    edges = [round((at_s + length_s * k) * 1e9) for at_s, length_s in spells for k in (0, 1)]
    for t_ns in probes + [t for edge in edges for t in (edge - 1, edge) if 0 <= t < SPAN_NS]:
        struck = any(round(at_s * 1e9) <= t_ns < round((at_s + length_s) * 1e9) for at_s, length_s in spells)
        assert spoilt.level_at(t_ns) == (held if struck else wave.level_at(t_ns))


@given(LINES, LINES, st.sampled_from([0, 1]), st.lists(st.integers(0, SPAN_NS - 1), max_size=40))
def test_joined(one: Waveform, other: Waveform, winner: int, probes: list[int]) -> None:
    both = joined(one, other, winner=winner)
    assert is_well_made(both)
    probes += [t for wave in (one, other) for t in wave.times_ns]
    for t_ns in probes:
        pair = (one.level_at(t_ns), other.level_at(t_ns))
        assert both.level_at(t_ns) == (min(pair) if winner == 0 else max(pair))
    assert joined(one, Waveform(winner ^ 1, [], 0, SPAN_NS), winner=winner) == one


def test_bit_errors_strike_as_often_as_told_and_one_bit_each() -> None:
    """A listener set right reads one bit wrong for each; 3 s of a line that never idles."""
    count, share = 11_520, 0.005
    wave = encode([Burst(0, b"U" * count)], SETTING)
    spoilt = bit_errors(wave, BAUD, share, 11, end_s=3.0)
    struck = len(set(spoilt.times_ns) ^ set(wave.times_ns)) / 2
    assert struck == pytest.approx(BAUD * 3 * share, rel=0.15)  # 576, standard deviation 24
    heard = list(receive(spoilt, SETTING))
    wrong = sum(1 for one in heard if one.byte != ord("U") or one.framing)
    # A start bit or a stop bit that is struck costs some characters after it, here in a line without rests.
    assert struck * 0.8 < wrong < struck * 8
    assert bit_errors(wave, BAUD, 0, 11) == wave
    assert bit_errors(wave, BAUD, share, 12) != bit_errors(wave, BAUD, share, 11)
    assert bit_errors(wave, BAUD, share, 11, end_s=3.0) == spoilt
    for impossible in (-0.1, 1.1):
        with pytest.raises(ValueError, match="share"):
            bit_errors(wave, BAUD, impossible, 1)


def test_noise_on_an_idle_line_is_heard_as_characters() -> None:
    idle = Waveform(1, [], 0, 10 * 10**9)
    heard = list(receive(bit_errors(idle, BAUD, 1e-4, 3), SETTING))
    assert 20 < len(heard) < 60  # 38 are struck
    assert {one.byte for one in heard} <= {0xFF, 0xFE, 0xFD, 0xFB, 0xF7, 0xEF, 0xDF, 0xBF, 0x7F}


def test_error_bursts_leave_the_rest_alone() -> None:
    bursts, sent = sentences()
    wave = encode(bursts, SETTING)
    spoilt = error_bursts(wave, BAUD, 2, 0.01, 4)
    touched = sorted(set(wave.times_ns) ^ set(spoilt.times_ns))
    runs = 1 + sum(1 for before, after in pairwise(touched) if after - before > 10_000_000)
    assert 2 <= runs <= 12
    assert touched[-1] - touched[0] > 0
    heard = bytes(one.byte for one in receive(spoilt, SETTING))
    assert heard != sent
    assert sum(line in heard for line in sent.splitlines(True)) > 0.5 * len(sent.splitlines())


def test_a_contact_loss_costs_the_characters_of_its_time_and_mars_those_at_its_edges() -> None:
    wave = encode([Burst(0, b"U" * 2000)], SETTING)
    heard = list(receive(contact_loss(wave, [(0.2, 0.05)]), SETTING))
    lost = 0.05 * BAUD / 10
    assert 2000 - len(heard) == pytest.approx(lost, abs=2)
    assert not [one for one in heard if 0.201 < one.end_s < 0.2499]
    assert sum(one.byte != ord("U") for one in heard) <= 6


def test_a_line_held_low_is_one_break() -> None:
    bursts, sent = sentences()
    heard = list(receive(held_low(encode(bursts, SETTING), [(0.15, 0.3)]), SETTING))
    assert sum(one.brk for one in heard) == 1
    assert [one.byte for one in heard if one.end_s < 0.14] == list(sent[: sum(o.end_s < 0.14 for o in heard)])


def test_losses_lie_within_their_span() -> None:
    drawn = losses([0.1, 0.2, 0.3], 3, 5.0, 6.0)
    assert sorted(length_s for _, length_s in drawn) == [0.1, 0.2, 0.3]
    assert all(at_s >= 5.0 and at_s + length_s <= 6.0 for at_s, length_s in drawn)
    assert drawn == losses([0.1, 0.2, 0.3], 3, 5.0, 6.0) != losses([0.1, 0.2, 0.3], 4, 5.0, 6.0)


def test_two_talkers_that_take_turns_are_both_heard_and_that_collide_are_not() -> None:
    one = encode([Burst(0, b"one "), Burst(0.2, b"one ")], SETTING, to_s=1)
    other = encode([Burst(0.1, b"other "), Burst(0.3, b"other ")], SETTING, to_s=1)
    assert bytes(c.byte for c in receive(joined(one, other), SETTING)) == b"one other one other "
    late = encode([Burst(0.0001, b"other ")], SETTING, to_s=1)
    assert b"other" not in bytes(c.byte for c in receive(joined(one, late), SETTING))
    with pytest.raises(ValueError, match="overlap"):
        joined(one, one.within(0, 0))


def test_joining_in_mid_stream() -> None:
    bursts, sent = sentences(1.0)
    wave = encode(bursts, SETTING)
    uart = Uart(SETTING)
    heard = bytes(one.byte for one in uart.feed(joined_in(wave, 0.0501)))
    assert len(heard) < len(sent)
    assert heard.endswith(bursts[-1].data)
    assert joined_in(wave, -5) == wave
    with pytest.raises(ValueError, match="lie within"):
        joined_in(wave, 1000)


def test_a_long_line_is_spoilt_piece_by_piece() -> None:
    bursts, sent = sentences()
    uart = Uart(SETTING)
    pieces = (inverted(piece, 1.0, 2.0) for piece in spans(bursts, SETTING, span_s=0.1))
    heard = [one for piece in pieces for one in uart.feed(piece)]
    assert bytes(one.byte for one in heard if one.end_s < 0.9) == sent[: sum(one.end_s < 0.9 for one in heard)]
    assert sum(one.byte >= 0x80 for one in heard if 1.01 < one.end_s < 2) > 500
    assert sum(one.byte >= 0x80 for one in heard if one.end_s > 2.1) == 0
