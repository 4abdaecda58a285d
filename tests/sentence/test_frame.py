"""The framer: a table of cases, each fed in every way a reader might cut it, and what holds for any bytes at all."""

from __future__ import annotations

import itertools
import random
import tracemalloc
from collections.abc import Iterable
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import FRAME_MOST_BYTES, Frame, Framer

STEP_NS = 260_417  # ten bits at 38,400 baud
START_NS = 5_000_000_000
GGA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
HDT = b"$GPHDT,74.20,T*34\r\n"
AIS = b"!AIVDM,1,1,,A,14eG;o@034o8sd<L9i:a;WF>062D,0*7D\r\n"
LONGEST = b"$" + b"x" * (FRAME_MOST_BYTES - 3) + b"\r\n"


@dataclass(frozen=True)
class Case:
    """What is fed, and the frames and the counters that must come of it (before flush)."""

    name: str
    fed: bytes
    frames: tuple[tuple[bytes, str], ...]
    junk: int = 0
    stray: int = 0
    pending: bytes = b""


CASES = (
    Case("nothing but line ends", b"\r\n\r\n", (), junk=4),
    Case("one", GGA, ((GGA, ""),)),
    Case("two", GGA + HDT, ((GGA, ""), (HDT, ""))),
    Case("begun with !", AIS + HDT, ((AIS, ""), (HDT, ""))),
    Case("LF alone", b"$A*41\n$B*42\n", ((b"$A*41\n", ""), (b"$B*42\n", ""))),
    Case("CR alone", b"$A*41\r$B*42\r\n", ((b"$A*41\r", ""), (b"$B*42\r\n", ""))),
    Case("CR CR LF", b"$A*41\r\r\n", ((b"$A*41\r\r\n", ""),)),
    Case("LF CR", b"$A*41\n\r$B*42\n\r", ((b"$A*41\n", ""), (b"$B*42\n", "")), junk=2),
    Case("joined in mid-sentence", b"38,N,01131*4F\r\n" + GGA, ((GGA, ""),), junk=15, stray=1),
    Case("end lost", GGA[:30] + HDT, ((GGA[:30], "cut-short"), (HDT, ""))),
    Case("start lost", GGA[1:] + HDT, ((HDT, ""),), junk=len(GGA) - 1, stray=1),
    Case("two starts", b"$" + HDT, ((b"$", "cut-short"), (HDT, ""))),
    Case("only starts", b"$$$", ((b"$", "cut-short"), (b"$", "cut-short")), pending=b"$"),
    Case("starts behind junk", b"ab$$" + HDT, ((b"$", "cut-short"), (b"$", "cut-short"), (HDT, "")), junk=2, stray=1),
    Case("! inside a frame", b"$A!B\r\n", ((b"$A!B\r\n", ""),)),
    Case("! cut by $", b"!A" + HDT, ((b"!A", "cut-short"), (HDT, ""))),
    Case("not ended", HDT + GGA[:20], ((HDT, ""),), pending=GGA[:20]),
    Case("junk within", HDT + b"\x80\x00\xff" + GGA, ((HDT, ""), (GGA, "")), junk=3, stray=1),
    Case("junk twice", b"ab" + HDT + b"cd\r\nef" + HDT, ((HDT, ""), (HDT, "")), junk=8, stray=2),
    Case("a TAG block", rb"\s:receiver,c:1*1A" + b"\\" + HDT, ((HDT, ""),), junk=19, stray=1),
    Case("bytes of 0x80 in a frame", b"$G\x80\xff\r\n", ((b"$G\x80\xff\r\n", ""),)),
    Case("NUL in a frame", b"$G\x00P\r\n", ((b"$G\x00P\r\n", ""),)),
    Case("as long as may be", LONGEST + HDT, ((LONGEST, ""), (HDT, ""))),
    Case(
        "one too long",
        b"$x" + LONGEST[1:] + HDT,
        ((b"$x" + LONGEST[1:-1], "overlong"), (HDT, "")),
        junk=1,
    ),
    Case(
        "much too long",
        b"$" + b"y" * 3000 + b"\r\n" + HDT,
        ((b"$" + b"y" * (FRAME_MOST_BYTES - 1), "overlong"), (HDT, "")),
        junk=3000 - FRAME_MOST_BYTES + 1 + 2,
        stray=1,
    ),
    Case(
        "too long, with ! in what is left over",
        b"$" + b"y" * 1100 + b"!AB\r\n",
        ((b"$" + b"y" * (FRAME_MOST_BYTES - 1), "overlong"), (b"!AB\r\n", "")),
        junk=1100 - FRAME_MOST_BYTES + 1,
        stray=1,
    ),
    Case(
        "the next starts at the cap",
        b"$" + b"z" * (FRAME_MOST_BYTES - 1) + HDT,
        ((b"$" + b"z" * (FRAME_MOST_BYTES - 1), "overlong"), (HDT, "")),
    ),
    Case(
        "the next starts one before the cap",
        b"$" + b"z" * (FRAME_MOST_BYTES - 2) + HDT,
        ((b"$" + b"z" * (FRAME_MOST_BYTES - 2), "cut-short"), (HDT, "")),
    ),
)


def chunks(fed: bytes, cuts: Iterable[int]) -> list[Chunk]:
    """The bytes as chunks of one even stream, cut at the places given."""
    places = sorted({0, len(fed), *cuts})
    return [Chunk(fed[begin:end], START_NS + begin * STEP_NS, STEP_NS) for begin, end in itertools.pairwise(places)]


def run(fed: bytes, cuts: Iterable[int] = ()) -> tuple[Framer, list[Frame]]:
    framer = Framer()
    return framer, [frame for chunk in chunks(fed, cuts) for frame in framer.feed(chunk)]


def timed(fed: bytes, frames: list[Frame]) -> list[tuple[bytes, str]]:
    """Raw and flaw of each, once it is sure that each lies where its times say."""
    for frame in frames:
        begin, rest = divmod(frame.start_ns - START_NS, STEP_NS)
        assert rest == 0
        assert fed[begin : begin + len(frame.raw)] == frame.raw
        assert frame.end_ns == frame.start_ns + (len(frame.raw) - 1) * STEP_NS
    return [(frame.raw, frame.flaw) for frame in frames]


def counters(framer: Framer) -> tuple[int, ...]:
    return framer.framed, framer.junk, framer.pending, framer.stray, framer.stray_ns


def stray_at(framer: Framer) -> int:
    return (framer.stray_ns - START_NS) // STEP_NS


def ways(fed: bytes) -> list[Iterable[int]]:
    dice = random.Random(len(fed))
    several = [sorted(dice.choices(range(len(fed) + 1), k=dice.randint(1, 9))) for _ in range(20)]
    return [(), range(len(fed)), *several]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_case_however_it_is_cut(case: Case) -> None:
    for cuts in ways(case.fed):
        framer, frames = run(case.fed, cuts)
        assert timed(case.fed, frames) == list(case.frames)
        assert (framer.junk, framer.stray, framer.pending) == (case.junk, case.stray, len(case.pending))
        assert framer.framed == sum(len(raw) for raw, _ in case.frames)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_case_with_a_tail(case: Case) -> None:
    """A sentence after it is found whole, and nothing before it changes but that a frame left open is cut short."""
    fed = case.fed + GGA
    cut = ((case.pending, "cut-short"),) if case.pending else ()
    for cuts in ways(fed):
        framer, frames = run(fed, cuts)
        assert timed(fed, frames) == [*case.frames, *cut, (GGA, "")]
        assert (framer.junk, framer.stray, framer.pending) == (case.junk, case.stray, 0)


@pytest.mark.parametrize(
    ("fed", "flaw"),
    [
        (HDT[:-2], ""),
        (HDT[:-1], ""),
        (b"$GPHDT,74.20,T*3a", ""),
        (HDT[:-3], "cut-short"),
        (HDT[:-4], "cut-short"),
        (b"$", "cut-short"),
        (b"$A*41\r\r", "cut-short"),
    ],
)
def test_flush_gives_what_is_left_open(fed: bytes, flaw: str) -> None:
    framer, frames = run(HDT + fed)
    assert len(frames) == 1
    assert timed(HDT + fed, framer.flush()) == [(fed, flaw)]
    assert framer.pending == 0
    assert framer.flush() == []


def test_stray_runs_are_dated_by_their_first_byte_that_is_no_line_end() -> None:
    fed = b"\r\n\r\nab" + HDT + b"\r\ncd"
    for cuts in ways(fed):
        framer, _ = run(fed, cuts)
        assert (framer.stray, stray_at(framer)) == (2, fed.index(b"cd"))


def test_chunks_keep_their_own_times() -> None:
    framer = Framer()
    assert framer.feed(Chunk(HDT[:5], 1_000, 10)) == []
    (frame,) = framer.feed(Chunk(HDT[5:], 9_000, 20))
    assert (frame.start_ns, frame.end_ns) == (1_000, 9_000 + 20 * (len(HDT) - 6))


# Bytes in which starts, ends and stars come often enough to meet.
RUBBISH = st.one_of(
    st.binary(max_size=200),
    st.lists(st.sampled_from([b"$", b"$$$", b"!", b"\r", b"\n", b"*", b"47", b",", b"\x80", GGA, HDT, AIS[:20]])).map(
        b"".join
    ),
    st.integers(FRAME_MOST_BYTES - 3, FRAME_MOST_BYTES + 3).map(lambda size: b"$" + b"q" * size),
)
FED = st.lists(RUBBISH, max_size=6).map(b"".join)


@given(fed=FED, data=st.data())
def test_any_bytes_in_each_byte_is_framed_or_junk_or_pending(fed: bytes, data: st.DataObject) -> None:
    cuts = data.draw(st.lists(st.integers(0, len(fed)), max_size=12))
    framer, frames, given_bytes = Framer(), [], 0
    for chunk in chunks(fed, cuts):
        frames += framer.feed(chunk)
        given_bytes += len(chunk.data)
        assert framer.framed + framer.junk + framer.pending == given_bytes
        assert framer.pending < FRAME_MOST_BYTES
    frames += framer.flush()
    assert framer.pending == 0
    assert framer.framed + framer.junk == len(fed)
    assert framer.framed == sum(len(frame.raw) for frame in frames)
    for (raw, flaw), frame in zip(timed(fed, frames), frames, strict=True):
        assert raw[:1] in (b"$", b"!")
        assert b"$" not in raw[1:]
        assert b"\n" not in raw[:-1]
        assert len(raw) <= FRAME_MOST_BYTES
        assert (flaw == "overlong") <= (len(raw) == FRAME_MOST_BYTES)
        assert frame.start_ns <= frame.end_ns


@given(fed=FED, data=st.data())
def test_where_a_stream_is_cut_changes_nothing(fed: bytes, data: st.DataObject) -> None:
    cuts = data.draw(st.lists(st.integers(0, len(fed)), max_size=12))
    one, frames = run(fed)
    other, cut_frames = run(fed, cuts)
    assert frames == cut_frames
    assert counters(one) == counters(other)


@given(rubbish=FED)
def test_after_any_rubbish_the_next_dollar_begins_a_whole_frame(rubbish: bytes) -> None:
    """No condition at all: `$` closes whatever is open, and no `$` of a good sentence but its first can be mistaken."""
    _, frames = run(rubbish + GGA)
    assert (frames[-1].raw, frames[-1].flaw) == (GGA, "")
    assert frames[-1].start_ns == START_NS + len(rubbish) * STEP_NS


@given(rubbish=FED)
def test_after_any_rubbish_and_a_line_end_an_exclamation_mark_begins_a_whole_frame(rubbish: bytes) -> None:
    """Its condition is the LF: `!` starts a frame only where none is open, and LF closes any."""
    _, frames = run(rubbish + b"\r\n" + AIS)
    assert (frames[-1].raw, frames[-1].flaw) == (AIS, "")


def test_an_exclamation_mark_without_the_line_end_before_it_is_lost_in_the_frame_left_open() -> None:
    _, frames = run(b"$GPGGA,12" + AIS)
    assert [frame.raw for frame in frames] == [b"$GPGGA,12" + AIS]


def test_memory_is_bounded_while_a_frame_never_ends() -> None:
    """A megabyte without an end, in chunks: what is kept between chunks stays at a few times the cap."""
    framer = Framer()
    block = b"$" + b"z" * 65_535
    framer.feed(Chunk(block, 0, 1))
    tracemalloc.start()
    try:
        for n in range(16):
            framer.feed(Chunk(block, n, 1))
            framer.feed(Chunk(b"$zzz", n, 1))
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert framer.pending == 4
    assert kept < 4 * FRAME_MOST_BYTES
