"""The listener's UART: against one that steps from sample to sample, and against the bytes that were sent."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import accumulate, pairwise
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.sentence.setting import Setting
from appliance.simulate.receiver import Burst
from appliance.simulate.uart import Received, Resync, Uart, receive, to_chunks
from appliance.simulate.wave import Waveform, encode

FORMATS = ["8N1", "8N2", "8E1", "8O1", "7E1", "7O1", "7N1", "8E2"]
BAUDS = [1200, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800]
SETTINGS = st.builds(Setting.parse, st.sampled_from(BAUDS), st.sampled_from(FORMATS))
BURSTS = st.lists(st.tuples(st.floats(0, 0.2), st.binary(max_size=60)), max_size=6).map(
    lambda raw: [Burst(due_s, data) for due_s, data in sorted(raw)]
)
SPAN_NS = 20_000_000
# Any line at all: levels of any length, some shorter than a sample.
LINES = st.builds(
    lambda level, times: Waveform(level, sorted(times), 0, SPAN_NS),
    st.sampled_from([0, 1]),
    st.sets(st.integers(1, SPAN_NS - 1), max_size=400)
    | st.lists(st.integers(1, 90_000), min_size=1, max_size=200).map(
        lambda steps: {t for t in (sum(steps[:n]) for n in range(1, len(steps) + 1)) if t < SPAN_NS}
    ),
)
RESYNCS: st.SearchStrategy[Resync] = st.sampled_from(["mark", "start"])


def stepping(wave: Waveform, setting: Setting, phase_seed: int, resync: Resync) -> Iterator[tuple[int, bool, bool]]:
    """A UART as a circuit: one sample after the other. Gives byte, framing, break."""
    rate_hz = 16 * setting.baud
    phase = Random(f"uart {phase_seed}").randrange(10**9)
    first = -((phase - wave.start_ns * rate_hz) // 10**9)
    last = -((phase - wave.end_ns * rate_hz) // 10**9)
    samples = [wave.level_at((n * 10**9 + phase) // rate_hz) for n in range(first, last)]
    length = setting.bits + (setting.parity != "N") + 2
    place, was, begin = 0, wave.level, None
    while place < len(samples):
        if begin is None:
            if was == 1 and samples[place] == 0:
                begin = place
            else:
                was = samples[place]
                place += 1
                continue
        if begin + 16 * (length - 1) + 9 >= len(samples):
            return
        bits = [sum(samples[begin + 16 * k + m] for m in (7, 8, 9)) >= 2 for k in range(length)]
        if bits[0]:
            place, was, begin = begin + 9, samples[begin + 8], None
            continue
        stop = begin + 16 * (length - 1) + 8
        is_break = not any(bits)
        yield sum(bit << k for k, bit in enumerate(bits[1 : 1 + setting.bits])), not bits[-1], is_break
        place, was, begin = stop + 1, samples[stop], None
        if resync == "start" and not bits[-1] and not is_break:
            begin = stop - 8


# Any line at the grain of a sample at 38,400: levels of a third of a sample up to several characters.
FINE_NS = 6_000_000
FINE_LINES = st.builds(
    lambda level, steps: Waveform(
        level, [t for t in accumulate(round(step * 1e9 / 38400 / 48) for step in steps) if t < FINE_NS], 0, FINE_NS
    ),
    st.sampled_from([0, 1]),
    st.lists(st.integers(1, 10) | st.integers(1, 100) | st.integers(1, 1000), max_size=250),
)


@settings(max_examples=300)
@given(FINE_LINES, st.sampled_from(FORMATS), st.integers(0, 50), RESYNCS)
def test_leaps_as_a_circuit_steps(wave: Waveform, name: str, seed: int, resync: Resync) -> None:
    setting = Setting.parse(38400, name)
    heard = list(receive(wave, setting, seed, resync=resync))
    assert [(one.byte, one.framing, one.brk) for one in heard] == list(stepping(wave, setting, seed, resync))


@given(LINES, SETTINGS, st.integers(0, 50), RESYNCS)
def test_any_line_at_all(wave: Waveform, setting: Setting, seed: int, resync: Resync) -> None:
    heard = list(receive(wave, setting, seed, resync=resync))
    assert all(before.end_s < after.end_s for before, after in pairwise(heard))
    # A start edge may come as soon as the stop bit is decided: 7 samples before the character's end.
    shortest_s = (setting.bits + (setting.parity != "N") + 2 - 7 / 16) / setting.baud
    assert len(heard) <= SPAN_NS / 1e9 / shortest_s + 1
    for one in heard:
        assert 0 <= one.byte < 1 << setting.bits
        assert 0 < one.end_s <= SPAN_NS / 1e9 + 0.5 / setting.baud
        assert not one.brk or (one.byte == 0 and one.framing and not one.parity)
        assert not one.parity or setting.parity != "N"


@given(LINES, SETTINGS, st.lists(st.integers(0, SPAN_NS), max_size=6), RESYNCS)
def test_in_pieces_as_whole(wave: Waveform, setting: Setting, cuts: list[int], resync: Resync) -> None:
    uart = Uart(setting, 3, resync=resync)
    heard = [one for begin, end in pairwise([0, *sorted(cuts), SPAN_NS]) for one in uart.feed(wave.within(begin, end))]
    assert heard == list(receive(wave, setting, 3, resync=resync))


def true_ends_s(bursts: list[Burst], setting: Setting, ppm: float) -> list[float]:
    """When the first stop bit of each character ends on the wire."""
    bit_s = 1 / (setting.baud * (1 + ppm / 1e6))
    checked_bits = 2 + setting.bits + (setting.parity != "N")
    free_s, ends = 0.0, []
    for due_s, data in bursts:
        free_s = max(free_s, due_s)
        for _ in data:
            ends.append(free_s + checked_bits * bit_s)
            free_s += setting.bits_per_character * bit_s
    return ends


@given(BURSTS, SETTINGS, st.integers(0, 1000), st.floats(-20_000, 20_000), RESYNCS)
def test_what_was_sent_is_heard(bursts: list[Burst], setting: Setting, seed: int, ppm: float, resync: Resync) -> None:
    """Total mismatch under 2 % is what chip makers ask for."""
    heard = list(receive(encode(bursts, setting, ppm), setting, seed, resync=resync))
    sent = b"".join(data for _, data in bursts)
    assert bytes(one.byte for one in heard) == bytes(byte & (1 << setting.bits) - 1 for byte in sent)
    assert not any(one.framing or one.parity or one.brk for one in heard)
    bit_s = 1 / setting.baud
    most_error_s = (1 / 32 + 12 * abs(ppm) / 1e6 * 1.03) * bit_s + 3e-9
    for one, true_s in zip(heard, true_ends_s(bursts, setting, ppm), strict=True):
        assert abs(one.end_s - true_s) <= most_error_s


def wave_of(levels: str, baud: int = 9600, begin_bits: int = 5) -> Waveform:
    """A line by hand: one level a bit, idle before and after. Blanks are for the eye."""
    bits = [1] * begin_bits + [int(level) for level in levels if level != " "] + [1] * 15
    edge = [round(k * 1e9 / baud) for k in range(len(bits) + 1)]
    times = [edge[k] for k in range(1, len(bits)) if bits[k] != bits[k - 1]]
    return Waveform(bits[0], times, 0, edge[-1])


def marks(wave: Waveform, setting: Setting, resync: Resync = "mark") -> list[tuple[int, str]]:
    return [
        (one.byte, "F" * one.framing + "P" * one.parity + "B" * one.brk)
        for one in receive(wave, setting, 7, resync=resync)
    ]


A = "0 10000010 1"  # 0x41


@pytest.mark.parametrize("resync", ["mark", "start"])
def test_a_break_is_one_zero_and_then_the_line_must_go_high(resync: Resync) -> None:
    setting = Setting(9600)
    assert marks(wave_of("0" * 10), setting, resync) == [(0, "FB")]
    assert marks(wave_of("0" * 57 + "1" + A), setting, resync) == [(0, "FB"), (0x41, "")]
    assert marks(wave_of("0" * 9 + "1" + A), setting, resync) == [(0, ""), (0x41, "")]


def test_a_low_stop_bit_and_what_follows() -> None:
    setting = Setting(9600)
    assert marks(wave_of("0 10000010 0 1 0 11000010 1"), setting) == [(0x41, "F"), (0x43, "")]
    # At once into the next character: this listener waits for the line to go high, and finds a start bit within it.
    late = wave_of("0 10000010 0 1111 0 00001111 1 11")
    assert marks(late, setting) == [(0x41, "F"), (0xF0, "")]
    # That one takes the low stop bit for the next start bit.
    assert marks(wave_of("0 10000010 0 10000010 1"), setting, "start") == [(0x41, "F"), (0x41, "")]


def test_parity() -> None:
    even, odd = Setting(9600, 8, "E"), Setting(9600, 8, "O")
    right, wrong = wave_of("0 10000010 0 1"), wave_of("0 10000010 1 1")
    assert (marks(right, even), marks(right, odd)) == ([(0x41, "")], [(0x41, "P")])
    assert (marks(wrong, even), marks(wrong, odd)) == ([(0x41, "P")], [(0x41, "")])
    assert marks(wave_of("0 1000001 1 1"), Setting(9600, 7, "E")) == [(0x41, "P")]
    assert marks(wave_of("0 1000001 0 1"), Setting(9600, 7, "E")) == [(0x41, "")]
    assert marks(wave_of("0" * 11), odd) == [(0, "FB")]  # a break has no parity to be wrong


def test_the_second_stop_bit_is_not_looked_at() -> None:
    assert marks(wave_of(A + A), Setting(9600, stops=2)) == [(0x41, ""), (0x41, "")]


def with_pulse(wave: Waveform, from_bits: float, length_bits: float, baud: int = 9600) -> Waveform:
    pulse = {round(from_bits * 1e9 / baud), round((from_bits + length_bits) * 1e9 / baud)}
    return Waveform(wave.level, sorted(set(wave.times_ns) ^ pulse), wave.start_ns, wave.end_ns)


def test_pulses() -> None:
    """A pulse of one sample is outvoted wherever it falls; one of three samples at mid-bit turns the bit over."""
    setting, sent = Setting(9600), wave_of(A)
    for place in range(16 * 10):
        assert marks(with_pulse(sent, 5 + (place + 0.3) / 16, 1 / 16), setting) == [(0x41, "")], place
    assert marks(with_pulse(sent, 5 + 3 + 0.35, 0.3), setting) == [(0x45, "")]
    # In an idle line a low pulse of a quarter bit is a false start, and hides nothing.
    assert marks(with_pulse(sent, 1.0, 0.25), setting) == [(0x41, "")]
    assert marks(with_pulse(sent, 4.2, 0.25), setting) == [(0x41, "")]
    # One of three quarters is a start bit: data and stop bit are the idle line.
    assert marks(with_pulse(wave_of("1" * 12), 2.0, 0.75), setting) == [(0xFF, "")]


def test_a_listener_that_comes_in_mid_stream_waits_for_a_start_edge() -> None:
    setting = Setting(9600)
    wave = encode([Burst(0, b"UUUU"), Burst(0.1, b"good")], setting)
    heard = list(receive(wave, setting, from_s=0.00125))
    assert bytes(one.byte for one in heard[-4:]) == b"good"
    assert len(heard) < 8
    low = Waveform(0, [500_000_000], 0, 10**9)
    assert list(receive(low, setting)) == []
    assert list(receive(wave, setting, from_s=0.05, to_s=0.09)) == []
    assert list(receive(wave, setting, from_s=7, to_s=8)) == []


def test_pieces_must_adjoin() -> None:
    uart = Uart(Setting(9600))
    uart.feed(Waveform(1, [], 0, 1000))
    with pytest.raises(ValueError, match="up to 1000 ns"):
        uart.feed(Waveform(1, [], 1001, 2000))


@given(BURSTS, SETTINGS, st.floats(-20_000, 20_000), st.integers(1, 40))
def test_chunks_tell_the_true_times(bursts: list[Burst], setting: Setting, ppm: float, most_bytes: int) -> None:
    heard = list(receive(encode(bursts, setting, ppm), setting))
    cut = list(to_chunks(iter(heard), setting, origin_ns=10**15, most_bytes=most_bytes))
    assert b"".join(chunk.data for chunk in cut) == bytes(one.byte for one in heard)
    said = [chunk.start_ns + k * chunk.step_ns for chunk in cut for k in range(len(chunk.data))]
    for t_ns, one in zip(said, heard, strict=True):
        assert abs(t_ns - 10**15 - one.end_s * 1e9) <= 0.25e9 / setting.baud + 1
    assert all(before < after for before, after in pairwise(said))
    assert all(1 <= len(chunk.data) <= most_bytes for chunk in cut)


def test_chunks_are_honest_about_gaps() -> None:
    setting = Setting(38400)
    byte_s = setting.character_s
    at_s = [0.0, 1, 2, 3, 4.3, 5.3, 50, 51, 52.2]
    heard = [Received(65 + k, t * byte_s, False, False, False) for k, t in enumerate(at_s)]
    assert [chunk.data for chunk in to_chunks(heard, setting)] == [b"ABCD", b"EF", b"GH", b"I"]
    assert list(to_chunks([], setting)) == []
    run = encode([Burst(0, bytes(100))], setting)
    assert [len(chunk.data) for chunk in to_chunks(receive(run, setting), setting)] == [16] * 6 + [4]
