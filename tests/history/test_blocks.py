"""Blocks: identical bytes, times within half a millisecond, and a spoilt block is always noticed."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.history import blocks
from appliance.history.rows import HistoryError
from appliance.sentence.chunk import Chunk

WITHIN_NS = 500_000
STEP_38400_NS = 260_417  # ten bits at 38,400 baud: 1e10 / 38,400


def byte_times(chunks: list[Chunk]) -> list[int]:
    return [chunk.start_ns + n * chunk.step_ns for chunk in chunks for n in range(len(chunk.data))]


def any_chunk(most: int = 60) -> st.SearchStrategy[Chunk]:
    return st.builds(
        Chunk,
        st.binary(min_size=1, max_size=most),
        st.integers(0, 10**15),
        st.sampled_from([0, STEP_38400_NS, 1_041_667]) | st.integers(0, 10**7),
    )


@st.composite
def burst(draw: st.DrawFn) -> list[Chunk]:
    """Chunks as a UART makes them: one after the other, with the arrival of each a little off, and pauses."""
    at = draw(st.integers(0, 10**14))
    chunks = []
    for data in draw(st.lists(st.binary(min_size=1, max_size=40), min_size=1, max_size=30)):
        chunks.append(Chunk(data, at + draw(st.integers(0, 900_000)), STEP_38400_NS))
        at += len(data) * STEP_38400_NS + draw(st.sampled_from([0, 0, 0, 10**6, 10**8]))
    return chunks


@given(st.lists(any_chunk(), min_size=1, max_size=30) | burst())
def test_bytes_come_back_identical_and_times_within_half_a_millisecond(chunks: list[Chunk]) -> None:
    block = blocks.encode(chunks)
    back = blocks.decode(block.packed)
    assert b"".join(c.data for c in back) == b"".join(c.data for c in chunks)
    assert block.size == sum(len(c.data) for c in chunks)
    for before, after in zip(byte_times(chunks), byte_times(back), strict=True):
        assert abs(before - after) < WITHIN_NS
    assert block.end_ns == max(byte_times(back))


def test_an_even_burst_in_small_reads_is_one_run() -> None:
    text = b"$GNVTG,81.43,T,82.23,M,4.715,N,8.733,K,D*35\r\n"
    chunks = [Chunk(text[n : n + 8], 10**12 + n * STEP_38400_NS, STEP_38400_NS) for n in range(0, len(text), 8)]
    assert blocks.decode(blocks.encode(chunks).packed) == [Chunk(text, 10**12, STEP_38400_NS)]


def test_a_drift_of_many_small_steps_does_not_add_up() -> None:
    # Each chunk is 0.1 ms late after the one before: joined for ever, the last would be 10 ms off.
    chunks = [Chunk(b"12345678", 10**12 + n * (8 * STEP_38400_NS + 100_000), STEP_38400_NS) for n in range(100)]
    back = blocks.decode(blocks.encode(chunks).packed)
    assert 1 < len(back) < len(chunks)
    assert all(abs(a - b) < WITHIN_NS for a, b in zip(byte_times(chunks), byte_times(back), strict=True))


@given(burst(), st.data())
def test_a_spoilt_block_is_noticed(chunks: list[Chunk], data: st.DataObject) -> None:
    packed = bytearray(blocks.encode(chunks).packed)
    at = data.draw(st.integers(0, len(packed) - 1))
    packed[at] ^= data.draw(st.integers(1, 255))
    try:
        back = blocks.decode(bytes(packed))
    except HistoryError:
        return
    # A flip may fall on bits that deflate does not use (the padding of its last byte): then nothing is lost.
    assert back == blocks.decode(blocks.encode(chunks).packed)


@given(burst(), st.data())
def test_a_block_cut_short_is_refused(chunks: list[Chunk], data: st.DataObject) -> None:
    packed = blocks.encode(chunks).packed
    with pytest.raises(HistoryError):
        blocks.decode(packed[: data.draw(st.integers(0, len(packed) - 1))])


@given(st.binary(max_size=200))
def test_any_bytes_are_a_block_or_a_history_error(data: bytes) -> None:
    try:
        blocks.decode(data)
    except HistoryError:
        return
    assert blocks.encode(blocks.decode(data)).size >= 0


def test_a_block_of_a_later_version_is_refused_by_its_number() -> None:
    packed = blocks.encode([Chunk(b"x", 0, 0)]).packed
    with pytest.raises(HistoryError, match="version 63 "):
        blocks.decode(b"\x63" + packed[1:])


def test_a_block_that_would_fill_the_memory_is_refused() -> None:
    packed = blocks.encode([Chunk(bytes(blocks.INFLATED_MOST + 1), 0, 0)]).packed
    assert len(packed) < 10_000
    with pytest.raises(HistoryError, match="does not end"):
        blocks.decode(packed)


@given(st.lists(any_chunk(), max_size=10), st.integers(0, 3))
def test_batches_keep_every_byte_and_its_time(chunks: list[Chunk], blown_up: int) -> None:
    chunks = [Chunk(c.data * 3000 if n == blown_up else c.data, c.start_ns, c.step_ns) for n, c in enumerate(chunks)]
    batches = list(blocks.batches(chunks))
    flat = list(itertools.chain.from_iterable(batches))
    assert b"".join(c.data for c in flat) == b"".join(c.data for c in chunks)
    assert byte_times(flat) == byte_times(chunks)
    assert all(0 < sum(len(c.data) for c in batch) <= blocks.BLOCK_BYTES_MOST for batch in batches)


@given(any_chunk(), st.none() | st.integers(-10, 10**15), st.none() | st.integers(-10, 10**15), st.data())
def test_cut_keeps_exactly_the_bytes_of_the_span(
    chunk: Chunk, from_ns: int | None, to_ns: int | None, data: st.DataObject
) -> None:
    if data.draw(st.booleans()):  # bring the edges near the chunk, where it matters
        from_ns = chunk.start_ns + data.draw(st.integers(-2, 60 * chunk.step_ns + 2))
        to_ns = from_ns + data.draw(st.integers(-2, 60 * chunk.step_ns + 2))
    kept = blocks.cut(chunk, from_ns, to_ns)
    wanted = [
        (t, b)
        for t, b in zip(byte_times([chunk]), chunk.data, strict=True)
        if (from_ns is None or t >= from_ns) and (to_ns is None or t < to_ns)
    ]
    got = [] if kept is None else list(zip(byte_times([kept]), kept.data, strict=True))
    assert got == wanted
