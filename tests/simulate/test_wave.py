"""The waveform: every character as the standard of asynchronous lines draws it, and in pieces the same as whole."""

from __future__ import annotations

from fractions import Fraction
from itertools import islice, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.wave import Waveform, encode, spans

FORMATS = ["8N1", "8N2", "8E1", "8O1", "7E1", "7O1", "7N2", "8E2"]
SETTINGS = st.builds(
    Setting.parse, st.sampled_from([1200, 4800, 9600, 38400, 115200, 460800]), st.sampled_from(FORMATS)
)
BURSTS = st.lists(st.tuples(st.floats(0, 0.5), st.binary(max_size=40)), max_size=8).map(
    lambda raw: [Burst(due_s, data) for due_s, data in sorted(raw)]
)

# Characters drawn by hand: start bit 0, data with the lowest bit first, parity, stop bits 1.
DRAWN = [
    ("8N1", 0x24, "0 00100100 1"),
    ("8N2", 0x24, "0 00100100 11"),
    ("8E1", 0x24, "0 00100100 0 1"),
    ("8O1", 0x24, "0 00100100 1 1"),
    ("7E1", 0x47, "0 1110001 0 1"),
    ("7O1", 0x47, "0 1110001 1 1"),
    ("7E1", 0xC7, "0 1110001 0 1"),
    ("7N2", 0x0D, "0 1011000 11"),
    ("8E1", 0x0D, "0 10110000 1 1"),
    ("8N1", 0x00, "0 00000000 1"),
    ("8N1", 0xFF, "0 11111111 1"),
]


@pytest.mark.parametrize(("name", "byte", "drawn"), DRAWN)
def test_characters_as_drawn(name: str, byte: int, drawn: str) -> None:
    wave = encode([Burst(0.001, bytes([byte]))], Setting.parse(10_000, name))
    levels = [int(level) for level in drawn if level != " "]
    middles = [1_050_000 + 100_000 * place for place in range(len(levels))]
    assert [wave.level_at(t_ns) for t_ns in middles] == levels
    assert wave.level_at(999_999) == 1
    assert wave.times_ns[0] == 1_000_000
    assert wave.level_at(wave.end_ns) == 1


@pytest.mark.parametrize("name", FORMATS)
def test_characters_go_back_to_back(name: str) -> None:
    setting = Setting.parse(38400, name)
    count = 1000
    wave = encode([Burst(0, b"\x7f" * count)], setting)
    length = setting.bits_per_character
    assert setting.character_s == length / 38400
    assert length == 1 + int(name[0]) + (name[1] != "N") + int(name[2])
    starts = [round(Fraction(k * length * 10**9, 38400)) for k in range(count)]
    assert set(starts) <= set(wave.times_ns)
    assert (wave.level, wave.level_at(0)) == (1, 0)  # it begins with a start bit


@given(BURSTS, SETTINGS, st.floats(-30_000, 30_000))
def test_what_a_waveform_promises(bursts: list[Burst], setting: Setting, ppm: float) -> None:
    wave = encode(bursts, setting, ppm)
    assert all(wave.start_ns <= t_ns < wave.end_ns for t_ns in wave.times_ns)
    assert all(before < after for before, after in pairwise(wave.times_ns))
    # Never faster than the baud: no level is shorter than a bit, but for the rounding of its two ends.
    bit_ns = 1e9 / setting.baud / (1 + ppm / 1e6)
    assert all(after - before > bit_ns - 1.01 for before, after in pairwise(wave.times_ns))


@given(BURSTS, SETTINGS, st.sampled_from([0.0, 150.0, -20_000.0]), st.floats(0.001, 0.3))
def test_in_pieces_as_whole(bursts: list[Burst], setting: Setting, ppm: float, span_s: float) -> None:
    whole = encode(bursts, setting, ppm)
    cut = list(spans(iter(bursts), setting, ppm, span_s=span_s))
    for before, after in pairwise(cut):
        assert before.end_ns == after.start_ns
    for piece in cut:
        if piece.end_ns <= whole.end_ns:
            assert piece == whole.within(piece.start_ns, piece.end_ns)
    assert [t_ns for piece in cut for t_ns in piece.times_ns] == whole.times_ns


def test_an_end_that_is_asked_for_is_kept() -> None:
    bursts = [Burst(0.0, b"abc"), Burst(3.0, b"def")]
    setting = Setting(9600)
    for to_s in (0.0005, 1.0, 2.25, 5.0):
        cut = list(spans(bursts, setting, span_s=0.5, to_s=to_s))
        assert (cut[0].start_ns, cut[-1].end_ns) == (0, round(to_s * 1e9))
        assert encode(bursts, setting, to_s=to_s).end_ns == cut[-1].end_ns
    assert cut[-1] == Waveform(1, [], 4_500_000_000, 5_000_000_000)


def test_a_receiver_that_talks_for_ever_is_heard_from_the_first_piece() -> None:
    said = Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, 10**7)
    first = list(islice(spans(said, Setting(38400), span_s=0.25), 3))
    assert [piece.end_ns for piece in first] == [250_000_000, 500_000_000, 750_000_000]
    assert sum(len(piece.times_ns) for piece in first) > 1000


def test_an_overloaded_line_of_minutes_is_exact_at_its_end() -> None:
    """A burst each 0.1 s that takes 0.25 s: nothing adds up, though the bit is no whole number of nanoseconds."""
    length, count = 240, 600
    bursts = (Burst(number / 10, b"U" * length) for number in range(count))
    *_, last = (piece for piece in spans(bursts, Setting(9600), 137.0, span_s=60) if piece.times_ns)
    exact = Fraction((count * length * 10 - 1) * 10**9, 9600) / (1 + Fraction(137, 10**6))
    assert abs(last.times_ns[-1] - exact) <= Fraction(1, 2)


def test_ppm_is_of_the_senders_clock() -> None:
    """A clock 2 % fast sends 100 characters in 1000 / 1.02 bit times."""
    ends = [encode([Burst(0, b"U" * 100)], Setting(1000), ppm).times_ns[-1] for ppm in (0, 20_000, -20_000)]
    assert ends == [999_000_000, round(999_000_000 / 1.02), round(999_000_000 / 0.98)]


@pytest.mark.parametrize("name", ["", "8N", "8n1", "9N1", "6N1", "8M1", "8N3", "8N1 ", "80N1"])
def test_formats_that_cannot_be(name: str) -> None:
    with pytest.raises(ValueError, match="8N1"):
        Setting.parse(9600, name)


def test_settings_that_cannot_be() -> None:
    with pytest.raises(ValueError, match="baud is 0"):
        Setting(0)
    with pytest.raises(ValueError, match="9N1"):
        Setting(9600, bits=9)
    with pytest.raises(ValueError, match="span_s"):
        next(spans([], Setting(9600), span_s=0))
    with pytest.raises(ValueError, match="does not lie within"):
        encode([Burst(0, b"x")], Setting(9600)).within(-1, 5)
    assert Setting.parse(9600, "7E1") == Setting(9600, 7, "E", 1)
    assert Setting(9600, 7, "E", 1).name == "7E1"
