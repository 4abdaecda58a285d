"""Byte times: properties over any reads, and a simulated wire that knows the truth.

The wire's figures (FIFO trigger at a fixed fill, a part-filled last lot after 32 bit times) are those of the common
UARTs' data sheets as given in kernel driver sources; from memory.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.line.clock import LATE_MOST_S, WAKE_S, ByteClock
from appliance.sentence.chunk import Chunk

BAUD = 38400
CHARACTER_NS = 10e9 / BAUD
MS = 1_000_000

reads = st.lists(st.tuples(st.binary(min_size=1, max_size=200), st.integers(0, 300 * MS)), min_size=1, max_size=40)


@given(
    reads, st.sampled_from((4800, 9600, 38400, 115200, 4_000_000)), st.integers(9, 12), st.none() | st.integers(0, MS)
)
def test_times_are_in_order_and_end_with_the_read(
    runs: list[tuple[bytes, int]], baud: int, bits: int, opened_ns: int | None
) -> None:
    clock = ByteClock(baud, bits)
    now_ns = 0
    if opened_ns is not None:
        clock.restart(opened_ns)
        now_ns = opened_ns
    before: Chunk | None = None
    for data, wait_ns in runs:
        now_ns += wait_ns
        chunk = clock.chunk(data, now_ns)
        assert chunk.data == data
        assert chunk.end_ns == now_ns
        assert 0 <= chunk.step_ns <= clock.character_ns
        floor_ns = before.end_ns if before is not None else opened_ns
        if floor_ns is not None:
            assert chunk.start_ns >= floor_ns + chunk.step_ns
            room_ns = now_ns - floor_ns
            assert chunk.step_ns == min(clock.character_ns, room_ns // len(data))  # as wide as the room allows
        before = chunk


def test_a_character_time_at_the_bauds_of_the_trade() -> None:
    """10 bits each: 1 / 480 s and 1 / 3840 s."""
    assert ByteClock(4800).character_ns == 2_083_333
    assert ByteClock(38400).character_ns == 260_417
    assert ByteClock(9600, 11).character_ns == 1_145_833


def test_spaced_reads_are_dated_back_by_the_character() -> None:
    clock = ByteClock(BAUD)
    assert clock.chunk(b"abcd", 10 * MS) == Chunk(b"abcd", 10 * MS - 3 * 260_417, 260_417)
    assert clock.chunk(b"ef", 20 * MS) == Chunk(b"ef", 20 * MS - 260_417, 260_417)


def test_bytes_that_have_no_room_are_spread_between_the_reads() -> None:
    clock = ByteClock(BAUD)
    clock.chunk(b"a", 10 * MS)
    assert clock.chunk(b"bcde", 10 * MS + 400) == Chunk(b"bcde", 10 * MS + 100, 100)


def test_nothing_ended_before_the_port_was_opened_nor_before_what_was_heard() -> None:
    clock = ByteClock(BAUD)
    clock.restart(10 * MS)
    assert clock.chunk(b"abcd", 10 * MS + 4000).start_ns == 10 * MS + 1000
    clock.restart(9 * MS)
    assert clock.chunk(b"ef", 10 * MS + 6000).start_ns == 10 * MS + 5000


def test_what_makes_no_sense_is_refused() -> None:
    clock = ByteClock(BAUD)
    with pytest.raises(ValueError, match="without bytes"):
        clock.chunk(b"", 5)
    clock.chunk(b"a", 5)
    with pytest.raises(ValueError, match="ran backwards by 1 ns"):
        clock.chunk(b"a", 4)
    with pytest.raises(ValueError, match="needs a baud"):
        ByteClock(0)


# The simulated wire: what a 5 Hz set sends, back to back from the start of each fifth of a second.

FAST_SET = (82, 48)  # GGA and VTG, bytes
FULL_SET = (*FAST_SET, 78, 38)  # and once a second RMC and ZDA


def sent(seconds: int, baud: float = BAUD) -> tuple[list[float], list[int]]:
    """(true end of each byte in ns, index of the last byte of each sentence)."""
    ends_ns: list[float] = []
    lasts: list[int] = []
    for epoch in range(5 * seconds):
        at_ns = 1e9 + epoch * 2e8
        for length in FULL_SET if epoch % 5 == 0 else FAST_SET:
            for _ in range(length):
                at_ns += 10e9 / baud
                ends_ns.append(at_ns)
            lasts.append(len(ends_ns) - 1)
    return ends_ns, lasts


def fifo(ends_ns: list[float], trigger: int) -> Iterator[tuple[float, int]]:
    """(time, bytes up to now) at which a FIFO gives up its bytes: full to the trigger, or 32 bit times of quiet."""
    kept = 0
    for index, end_ns in enumerate(ends_ns):
        kept += 1
        quiet_ns = end_ns + 3.2 * CHARACTER_NS
        if kept == trigger:
            yield end_ns, index + 1
            kept = 0
        elif index + 1 == len(ends_ns) or ends_ns[index + 1] > quiet_ns:
            yield quiet_ns, index + 1
            kept = 0


def adapter(ends_ns: list[float], every_ns: int) -> Iterator[tuple[float, int]]:
    """The same for an adapter that hands over what it has at each poll."""
    polls = [int(end_ns // every_ns) + 1 for end_ns in ends_ns]
    for index, (poll, later) in enumerate(zip(polls, [*polls[1:], -1], strict=True)):
        if poll != later:
            yield float(poll * every_ns), index + 1


CUTS: dict[str, tuple[Callable[[list[float]], Iterator[tuple[float, int]]], float]] = {  # how, holding in ns
    "byte by byte": (lambda ends_ns: fifo(ends_ns, 1), 0.0),
    "FIFO at 8": (lambda ends_ns: fifo(ends_ns, 8), 3.2 * CHARACTER_NS),
    "FIFO at 16": (lambda ends_ns: fifo(ends_ns, 16), 3.2 * CHARACTER_NS),
    "FIFO at 32": (lambda ends_ns: fifo(ends_ns, 32), 3.2 * CHARACTER_NS),
    "adapter each 1 ms": (lambda ends_ns: adapter(ends_ns, MS), 1.0 * MS),
    "adapter each 16 ms": (lambda ends_ns: adapter(ends_ns, 16 * MS), 16.0 * MS),
}


def heard(ready: Iterator[tuple[float, int]], delay_most_ns: float, dice: random.Random) -> list[tuple[int, int]]:
    """(time of the read, bytes up to now) by a reader that wakes late and then takes all there is."""
    lots = list(ready)
    found: list[tuple[int, int]] = []
    at = 0
    while at < len(lots):
        woken_ns = max(lots[at][0] + dice.uniform(0, delay_most_ns), found[-1][0] if found else 0)
        while at < len(lots) and lots[at][0] <= woken_ns:
            at += 1
        found.append((int(woken_ns) + 1, lots[at - 1][1]))
    return found


def dated(found: list[tuple[int, int]], clock: ByteClock | None = None) -> list[int]:
    """The byte times that come of such reads."""
    clock = clock or ByteClock(BAUD)
    times: list[int] = []
    for read_ns, up_to in found:
        chunk = clock.chunk(bytes(up_to - len(times)), read_ns)
        times += range(chunk.start_ns, chunk.end_ns + 1, chunk.step_ns) if up_to - len(times) > 1 else [chunk.end_ns]
    return times


@pytest.mark.parametrize("delay_most_ns", [0.0, 0.2 * MS, 1.0 * MS, 5.0 * MS, 60.0 * MS])
@pytest.mark.parametrize("cut", CUTS)
def test_an_arrival_is_late_by_no_more_than_bytes_were_kept(cut: str, delay_most_ns: float) -> None:
    """Over 12 s at 38,400: never early, late by at most holding plus delay, whatever the reads were.

    Without delay that is 0.83 ms for a FIFO at any trigger and 1 ms for an adapter in low-latency mode; two ways of
    cutting can differ by no more than the larger of these.
    """
    ready, holding_ns = CUTS[cut]
    ends_ns, lasts = sent(12)
    times = dated(heard(ready(ends_ns), delay_most_ns, random.Random(7)))
    assert len(times) == len(ends_ns)
    assert all(before <= after for before, after in pairwise(times))
    late_ns = [times[last] - ends_ns[last] for last in lasts]
    assert min(late_ns) >= -100  # rounding: half a ns for each byte of a read
    assert max(late_ns) <= holding_ns + delay_most_ns + 100


def test_an_arrival_does_not_depend_on_how_the_reads_were_cut() -> None:
    """Each sentence's arrival over four ways of cutting, read up to 1 ms late: all within 2 ms."""
    ends_ns, lasts = sent(12)
    cuts = ("FIFO at 8", "FIFO at 16", "FIFO at 32", "adapter each 1 ms")
    ways = [dated(heard(CUTS[cut][0](ends_ns), MS, random.Random(cut))) for cut in cuts]
    spreads_ns = [max(times[last] for times in ways) - min(times[last] for times in ways) for last in lasts]
    assert 0 < max(spreads_ns) <= 2 * MS + 100


def test_the_time_of_the_read_would_not_do() -> None:
    """The same sentences dated by the read that brought their last byte: out by up to 8 ms at a trigger of 32."""
    ready, holding_ns = CUTS["FIFO at 32"]
    ends_ns, lasts = sent(12)
    found = heard(ready(ends_ns), 0.0, random.Random(7))
    by_read_ns = [next(read_ns for read_ns, up_to in found if up_to > last) - ends_ns[last] for last in lasts]
    assert max(by_read_ns) > 6 * MS > 6 * holding_ns


@pytest.mark.parametrize("share", [-0.01, 0.01])
def test_a_sender_whose_baud_is_off_costs_its_share_of_the_read(share: float) -> None:
    """One per cent over a read of 32 bytes is 0.08 ms."""
    ends_ns, lasts = sent(12, BAUD * (1 + share))
    times = dated(heard(fifo(ends_ns, 32), 0.0, random.Random(7)))
    late_ns = [times[last] - ends_ns[last] for last in lasts]
    off_ns = 32 * CHARACTER_NS * abs(share)
    assert off_ns == pytest.approx(0.083 * MS, rel=0.01)
    assert min(late_ns) >= -off_ns - 100
    assert max(late_ns) <= 3.2 * CHARACTER_NS + off_ns + 100


# A port that holds bytes back: what would follow on back to back, and was only held, is taken to.

HELD = {"hold_s": 0.001, "lot_bytes": 16}


def test_a_last_lot_that_was_held_back_follows_the_one_before() -> None:
    clock = ByteClock(BAUD, **HELD)  # type: ignore[arg-type]
    clock.chunk(bytes(16), 100 * MS)
    true_ns = 100 * MS + 4 * 260_417
    assert clock.chunk(b"abcd", true_ns + 1 * MS).end_ns == true_ns
    assert clock.chunk(b"e", true_ns + 260_417 + 1_500_001).end_ns == true_ns + 260_417 + 1_500_001  # a rest


def test_a_read_of_more_than_a_lot_was_late_and_follows_on_as_well() -> None:
    clock = ByteClock(BAUD, **HELD)  # type: ignore[arg-type]
    clock.chunk(bytes(16), 100 * MS)
    assert clock.chunk(bytes(16), 120 * MS).end_ns == 120 * MS  # a lot may have come after a rest
    clock = ByteClock(BAUD, **HELD)  # type: ignore[arg-type]
    clock.chunk(bytes(16), 100 * MS)
    assert clock.chunk(bytes(17), 120 * MS) == Chunk(bytes(17), 100 * MS + 260_417, 260_417)
    assert clock.chunk(bytes(17), 300 * MS).end_ns == 300 * MS


@pytest.mark.parametrize("how", ["restart", "retune", "pty"])
def test_nothing_follows_on_what_was_heard_before_an_opening_or_a_tune_nor_where_nothing_is_held(how: str) -> None:
    clock = ByteClock(BAUD, **({} if how == "pty" else HELD))  # type: ignore[arg-type]
    clock.chunk(bytes(16), 100 * MS)
    if how == "restart":
        clock.restart(100 * MS)
    elif how == "retune":
        clock.retune(BAUD, 10, **HELD)  # type: ignore[arg-type]
    assert clock.chunk(b"a", 101 * MS).end_ns == 101 * MS


def test_a_retuned_clock_goes_by_the_new_character() -> None:
    clock = ByteClock(BAUD)
    clock.chunk(b"ab", 10 * MS)
    clock.retune(9600, 11)
    assert clock.chunk(b"ab", 20 * MS) == Chunk(b"ab", 20 * MS - 1_145_833, 1_145_833)


@given(
    reads, st.sampled_from((4800, 38400, 460800)), st.sampled_from((0.0008, 0.001, 0.016)), st.sampled_from((0, 5, 16))
)
def test_with_holding_times_are_in_order_and_within_what_can_have_been_held(
    runs: list[tuple[bytes, int]], baud: int, hold_s: float, lot_bytes: int
) -> None:
    clock = ByteClock(baud, hold_s=hold_s, lot_bytes=lot_bytes)
    now_ns, last_ns = 0, None
    for data, wait_ns in runs:
        now_ns += wait_ns
        chunk = clock.chunk(data, now_ns)
        late_s = LATE_MOST_S if 0 < lot_bytes < len(data) else WAKE_S
        assert now_ns - (hold_s + late_s) * 1e9 - 1 <= chunk.end_ns <= now_ns
        assert 0 <= chunk.step_ns <= clock.character_ns
        if last_ns is not None:
            assert chunk.start_ns >= last_ns + chunk.step_ns
        last_ns = chunk.end_ns


@pytest.mark.parametrize("delay_most_ns", [0.0, 0.2 * MS, 5.0 * MS, 50.0 * MS])
@pytest.mark.parametrize("cut", ["FIFO at 8", "FIFO at 16", "adapter each 1 ms", "adapter each 16 ms"])
def test_knowing_what_the_port_holds_is_never_worse_for_a_sender_without_rests(cut: str, delay_most_ns: float) -> None:
    """Byte by byte over 12 s: not earlier than the truth, and not later than by a clock that knows nothing of it."""
    ready, holding_ns = CUTS[cut]
    ends_ns, _ = sent(12)
    found = heard(ready(ends_ns), delay_most_ns, random.Random(7))
    lot_bytes = int(holding_ns // CHARACTER_NS) + 1 if cut.startswith("adapter") else 16
    knowing = dated(found, ByteClock(BAUD, hold_s=holding_ns / 1e9, lot_bytes=lot_bytes))
    # A burst of 120 bytes adds up the 0.33 ns by which a character of whole nanoseconds is short, or long.
    assert min(at - true for at, true in zip(knowing, ends_ns, strict=True)) >= -200
    assert all(at <= by_read + 200 for at, by_read in zip(knowing, dated(found), strict=True))
    assert sum(knowing) < sum(dated(found))
