"""What the line carries, against a count of each byte by its own time."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.measure.load import Load
from appliance.sentence.chunk import Chunk

FEWER = settings(max_examples=max(60, settings().max_examples // 10))
"""Of the long draws: a tenth of the examples that the profile asks for, which is a thousand in CI."""

SECOND = 1_000_000_000
TENTH = 100_000_000
BAUD = 38_400
STEP = 260_417  # ns a byte at 38,400 baud 8N1

# (silence before it, bytes, step) of each chunk
PIECES = st.lists(
    st.tuples(
        st.one_of(st.integers(0, 5_000_000), st.integers(0, 3 * SECOND)),
        st.integers(1, 150),
        st.sampled_from([0, 1, 86_806, STEP, 2_083_333, 30_000_001]),
    ),
    min_size=1,
    max_size=7,
)


def chunks_of(pieces: list[tuple[int, int, int]], start_ns: int = 5_432_198_765) -> list[Chunk]:
    chunks, at_ns = [], start_ns
    for silence_ns, size, step_ns in pieces:
        chunks.append(Chunk(b"x" * size, at_ns + silence_ns, step_ns))
        at_ns = chunks[-1].end_ns
    return chunks


def byte_times(chunks: list[Chunk]) -> list[int]:
    return [chunk.start_ns + place * chunk.step_ns for chunk in chunks for place in range(len(chunk.data))]


def fullest_second(times: list[int], from_tenth: int, to_tenth: int) -> int:
    """Most bytes in ten tenths running, of the tenths from from_tenth to to_tenth."""
    tenths = Counter(at_ns // TENTH for at_ns in times)
    last = max(from_tenth, to_tenth - 9)
    return max(sum(tenths[first + n] for n in range(10)) for first in range(from_tenth, last + 1))


def fed(chunks: list[Chunk], baud: int = BAUD, silence_most_ns: int | None = None) -> Load:
    load = Load(baud, silence_most_ns)
    for chunk in chunks:
        load.add(chunk)
    return load


@FEWER
@given(PIECES, st.integers(0, 12 * SECOND))
def test_bytes_are_counted_by_their_times(pieces: list[tuple[int, int, int]], later_ns: int) -> None:
    chunks = chunks_of(pieces)
    times, load = byte_times(chunks), fed(chunks)
    now_ns = times[-1] + later_ns
    now_tenth = now_ns // TENTH
    recent = [at_ns for at_ns in times if at_ns // TENTH > now_tenth - 100]
    covered_s = min(now_ns - times[0], now_ns - (now_tenth - 99) * TENTH) / SECOND
    assert load.total == len(times)
    assert (load.first_ns, load.last_ns) == (times[0], times[-1])
    assert load.worst_second_bytes == fullest_second(times, times[0] // TENTH - 9, times[-1] // TENTH)
    assert load.worst_ratio() == pytest.approx(load.worst_second_bytes * 10 / BAUD)
    assert load.recent_bytes_hz(now_ns) == pytest.approx(len(recent) / max(0.1, covered_s))
    assert load.recent_worst_ratio(now_ns) == pytest.approx(
        fullest_second(recent, now_tenth - 99, now_tenth) * 10 / BAUD
    )
    assert load.longest_silence_ns == max((b.start_ns - a.end_ns for a, b in pairwise(chunks)), default=0)


@FEWER
@given(PIECES, st.data())
def test_neither_the_cut_of_the_chunks_nor_a_look_matters(
    pieces: list[tuple[int, int, int]], data: st.DataObject
) -> None:
    chunks = chunks_of(pieces)
    whole, cut = fed(chunks), Load(BAUD)
    for chunk in chunks:
        at = data.draw(st.integers(0, len(chunk.data)))
        for begin, end in ((0, at), (at, len(chunk.data))):
            if begin < end:
                cut.add(Chunk(chunk.data[begin:end], chunk.start_ns + begin * chunk.step_ns, chunk.step_ns))
                ahead_ns = cut.last_ns + data.draw(st.integers(0, SECOND)) if cut.last_ns else 0
                cut.recent_bytes_hz(ahead_ns)  # a look may come before bytes that were stamped before it
                cut.recent_worst_ratio(ahead_ns)
    now_ns = chunks[-1].end_ns
    assert cut.total == whole.total
    assert cut.worst_second_bytes == whole.worst_second_bytes
    assert cut.recent_bytes_hz(now_ns) == whole.recent_bytes_hz(now_ns)
    assert cut.recent_worst_ratio(now_ns) == whole.recent_worst_ratio(now_ns)
    assert cut.mean_ratio(now_ns) == whole.mean_ratio(now_ns)


GGA, VTG, RMC, ZDA = 92, 47, 87, 38
"""Characters of each sentence with 8 decimals of a minute."""
BAUDS = (4800, 9600, 19_200, 38_400, 115_200)

# Characters times rate times ten bits over the baud, worked out beforehand.
TABLE = {
    "GGA 5, VTG 5, RMC 1, ZDA 1": ((5, 5, 1, 1), 820, (171, 85, 43, 21, 7)),
    "all four at 5 Hz": ((5, 5, 5, 5), 1320, (275, 138, 69, 34, 11)),
    "GGA, VTG 10, RMC, ZDA 1": ((10, 10, 1, 1), 1515, (316, 158, 79, 39, 13)),
    "all four at 10 Hz": ((10, 10, 10, 10), 2640, (550, 275, 138, 69, 23)),
}


@pytest.mark.parametrize("words", TABLE)
@pytest.mark.parametrize("baud", BAUDS)
def test_the_table_of_loads(words: str, baud: int) -> None:
    """What the receiver has to send, over what the line can carry; above 100 % as well."""
    rates, bytes_hz, percents = TABLE[words]
    load, most = Load(baud), max(rates)
    for epoch in range(60 * most):
        due = [size for size, rate in zip((GGA, VTG, RMC, ZDA), rates, strict=True) if epoch * rate % most == 0]
        load.add(Chunk(b"x" * sum(due), 1000 * SECOND + epoch * SECOND // most, 0))
    now_ns = 1060 * SECOND - 1
    assert load.total == 60 * bytes_hz
    percent = percents[BAUDS.index(baud)]
    mean, worst = load.mean_ratio(now_ns), load.recent_worst_ratio(now_ns)
    assert mean is not None
    assert round(mean * 100) == percent
    assert worst == pytest.approx(mean, rel=1e-6)  # every second is like the next
    assert load.worst_ratio() == pytest.approx(mean, rel=1e-6)
    assert load.recent_bytes_hz(now_ns) == pytest.approx(bytes_hz)


def test_a_full_line_reads_as_full_and_never_as_more() -> None:
    load = Load(BAUD)
    exact_step = 10 * SECOND / BAUD
    for number in range(0, 20 * BAUD // 10, 16):
        load.add(Chunk(b"x" * 16, 77 * SECOND + round(number * exact_step), STEP))
        if load.last_ns is not None:
            assert load.recent_worst_ratio(load.last_ns) < 1.001
    assert load.worst_ratio() == pytest.approx(1.0, abs=0.001)
    assert load.mean_ratio(97 * SECOND) == pytest.approx(1.0, abs=0.001)
    assert load.recent_bytes_hz(97 * SECOND - 1) == pytest.approx(BAUD / 10, rel=0.001)


def test_the_fullest_second_slides() -> None:
    """2400 bytes that lie across the turn of a second are not halved."""
    load = fed([Chunk(b"x" * 2400, 10 * SECOND + 700_000_000, STEP)])
    assert load.worst_second_bytes == 2400
    load.add(Chunk(b"x" * 100, 13 * SECOND, STEP))
    assert load.worst_second_bytes == 2400


def test_the_fullest_second_of_late_goes_after_ten_seconds() -> None:
    load = fed([Chunk(b"x" * 1920, 100 * SECOND, 0)])
    assert load.recent_worst_ratio(100 * SECOND) == pytest.approx(0.5)
    assert load.recent_worst_ratio(110 * SECOND - 1) == pytest.approx(0.5)
    assert load.recent_worst_ratio(110 * SECOND) == 0.0
    assert load.recent_worst_ratio(100 * SECOND) == pytest.approx(0.5)  # asking moved nothing on
    assert load.worst_ratio() == pytest.approx(0.5)


def test_before_the_first_byte_nothing_is_known() -> None:
    load = Load(BAUD)
    assert load.recent_bytes_hz(SECOND) == 0.0
    assert load.recent_worst_ratio(SECOND) == 0.0
    assert load.mean_ratio(SECOND) is None
    assert load.worst_ratio() == 0.0
    assert load.take_silence() is None
    load.add(Chunk(b"x", SECOND, 0))
    assert load.mean_ratio(SECOND) is None
    assert load.recent_bytes_hz(SECOND) == pytest.approx(10)  # one byte in the shortest time that is told, a tenth


@FEWER
@given(PIECES, st.integers(0, SECOND))
def test_silences_are_those_between_the_bytes(pieces: list[tuple[int, int, int]], most_ns: int) -> None:
    chunks, load = chunks_of(pieces), Load(BAUD, most_ns)
    longest: tuple[int, int] | None = None
    resumed_ns = 0
    for number, chunk in enumerate(chunks):
        load.add(chunk)
        before = chunks[number - 1].end_ns if number else chunk.start_ns
        if chunk.start_ns - before > most_ns:
            resumed_ns = chunk.start_ns
            if longest is None or chunk.start_ns - before > longest[1] - longest[0]:
                longest = before, chunk.start_ns
        assert load.resumed_ns == resumed_ns
    assert load.take_silence() == longest
    assert load.take_silence() is None


def test_a_silence_is_longer_than_the_limit_by_one_nanosecond() -> None:
    pieces = [(0, 10, STEP), (SECOND, 10, STEP)]
    assert fed(chunks_of(pieces), silence_most_ns=SECOND).take_silence() is None
    assert fed(chunks_of(pieces), silence_most_ns=SECOND - 1).take_silence() is not None


def test_silence_is_noted_only_where_a_limit_is_asked() -> None:
    pieces = [(0, 10, STEP), (5 * SECOND, 10, STEP)]
    assert fed(chunks_of(pieces)).take_silence() is None
    assert fed(chunks_of(pieces)).resumed_ns == 0
    assert fed(chunks_of(pieces)).longest_silence_ns == 5 * SECOND


def test_memory_is_bounded() -> None:
    load = Load(BAUD, 1)
    for number in range(5000):
        load.add(Chunk(b"x", number * SECOND, 0))
    assert len(load._tenths) == 100
    assert load.take_silence() == (0, SECOND)
