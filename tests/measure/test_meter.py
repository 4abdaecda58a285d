"""The meter of a line: what it counts does not depend on how the stream was cut, and is what was sent."""

from __future__ import annotations

from collections import Counter
from itertools import groupby, pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.measure.errors import NO_START
from appliance.measure.meter import MESSAGES_MOST, LineMeter, MeterSettings
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import FRAME_MOST_BYTES

FEWER = settings(max_examples=max(60, settings().max_examples // 10))
"""Of the long draws: a tenth of the examples that the profile asks for, which is a thousand in CI."""

SECOND = 1_000_000_000
BAUD = 38_400
STEP = 260_417
START = 9_000 * SECOND


def sealed(body: str) -> bytes:
    return b"$%b*%02X\r\n" % (body.encode(), checksum(body.encode()))


# As published; where is told in tests/outside.
GGA = b"$GPGGA,195959.00,1541.31258893,N,05130.51204125,W,2,06,1.5,9.2,M,-37.6,M,4.0,0138*7E\r\n"
RMC = b"$GPRMC,195959.00,A,1541.31258893,N,05130.51204125,W,0.26,147.44,140120,16.9,W,D*0B\r\n"
VTG = b"$GPVTG,147.44,T,164.31,M,0.26,N,0.49,K,D*2C\r\n"
ZDA = b"$GPZDA,195959.00,14,01,2020,00,00*6A\r\n"
GN_GGA = b"$GNGGA,,,,,,0,00,99.99,,,,,,*56\r\n"

PIECES = {
    "GPGGA": GGA,
    "GPRMC": RMC,
    "GPVTG": VTG,
    "GPZDA": ZDA,
    "GNGGA": GN_GGA,
    "PXYZ": sealed("PXYZ,1,2"),
    "checksum-bad": GGA.replace(b"*7E", b"*7F"),
    "checksum-missing": VTG.replace(b"*2C", b""),
    "alphabet-wrong": RMC.replace(b"W,D", b"W\xff,D"),
    "field-count-wrong": sealed("GPVTG,147.44,T"),
    NO_START: GGA[1:],
    "blank": b"\r\n",
}
GOOD = ("GPGGA", "GPRMC", "GPVTG", "GPZDA", "GNGGA", "PXYZ")
NEEDED = {"GGA": 600_000_000, "RMC": 1_200_000_000}
SETTINGS = MeterSettings(
    BAUD, talkers=frozenset({"GP"}), gap_most_ns=NEEDED, silence_most_ns=600_000_000, arrival_measured=True
)


def cut(data: bytes, places: list[int], start_ns: int = START, step_ns: int = STEP) -> list[Chunk]:
    """The same bytes at the same times, cut at the places."""
    edges = sorted({0, len(data), *(place % (len(data) + 1) for place in places)})
    return [Chunk(data[begin:end], start_ns + begin * step_ns, step_ns) for begin, end in pairwise(edges)]


def fed(chunks: list[Chunk], settings: MeterSettings = SETTINGS) -> LineMeter:
    meter = LineMeter(settings)
    for chunk in chunks:
        meter.feed(chunk)
    return meter


def told(meter: LineMeter, now_ns: int) -> dict[str, Any]:
    """All that can be read of a meter."""
    tally = meter.take_tally()
    return {
        "bytes": (meter.load.total, meter.framer.framed, meter.framer.junk, meter.framer.pending, meter.framer.stray),
        "sentences": meter.sentences,
        "damage": dict(meter.errors.reasons),
        "damage of late": {reason: meter.errors.recent((reason,), now_ns) for reason in meter.errors.reasons},
        "load": (meter.load.worst_ratio(), meter.load.mean_ratio(now_ns)),
        "silence": max(meter.load.longest_silence_ns, STEP),  # from one byte to the next is none
        "messages": {
            key: (m.rate.count, m.rate.first_ns, m.rate.last_ns, m.rate.whole_hz(), dict(m.bad), m.longest)
            for key, m in meter.messages.items()
        },
        "needed": {key: (rate.count, rate.first_ns, rate.last_ns) for key, rate in meter.needed.items()},
        "fix": (meter.fix.sample, dict(meter.fix.seconds_by_quality), meter.fix.date_ns),
        "utc": (meter.utc.offset_ns, meter.utc.uncertainty_s),
        "tally": (tally.bytes, tally.sentences, tally.damaged, tally.junk, dict(tally.messages)),
    }


STREAM = st.lists(st.sampled_from([*PIECES.values(), b"noise", b"\xff\n", b"$", b"$GPGGA,12", b"\r", b"!AI*00\r\n"]))
PLACES = st.lists(st.integers(0, 4000), max_size=30)


@FEWER
@given(STREAM.map(b"".join), PLACES)
def test_the_cut_of_the_chunks_changes_nothing(data: bytes, places: list[int]) -> None:
    now_ns = START + len(data) * STEP
    whole = told(fed(cut(data, [])), now_ns)
    assert told(fed(cut(data, places)), now_ns) == whole
    if len(data) < 200:
        assert told(fed(cut(data, list(range(len(data))))), now_ns) == whole


@given(st.binary(max_size=300), PLACES)
def test_any_bytes_are_counted_alike_however_they_are_cut(data: bytes, places: list[int]) -> None:
    now_ns = START + len(data) * STEP
    one, other = fed(cut(data, [])), fed(cut(data, places))
    assert one.framer.framed + one.framer.junk + one.framer.pending == len(data) == one.load.total
    assert told(one, now_ns) == told(other, now_ns)


@FEWER
@given(st.lists(st.sampled_from(list(PIECES))), PLACES)
def test_what_is_counted_is_what_was_sent(names: list[str], places: list[int]) -> None:
    """Against a count of the pieces put in. Sentences that lost their start run together; before the first good one
    they are a line joined in mid-stream, and no damage."""
    meter = fed(cut(b"".join(PIECES[name] for name in names), places))
    runs = [name for name, _ in groupby(name for name in names if name != "blank")]
    first_good = next((place for place, name in enumerate(runs) if name in GOOD), len(runs))
    good = Counter(name for name in names if name in GOOD)
    damage = Counter(name for name in names if name not in (*GOOD, "blank", NO_START))
    damage[NO_START] = sum(name == NO_START and place > first_good for place, name in enumerate(runs))
    assert {m.talker + m.type: m.rate.count for m in meter.messages.values()} == good
    assert meter.sentences == good.total()
    assert meter.errors.reasons == damage
    junk = sum(len(PIECES[name]) for name in names if name in ("blank", NO_START))
    assert meter.framer.junk == junk
    tally = meter.take_tally()
    assert (tally.bytes, tally.sentences, tally.junk) == (meter.load.total, good.total(), junk)
    assert tally.damaged == damage.total()
    assert tally.messages == good
    assert meter.take_tally() == type(tally)()  # taken once


def test_damage_is_counted_by_message_where_it_can_be_read() -> None:
    rows = [PIECES["checksum-bad"], GGA, PIECES["checksum-bad"], VTG, PIECES["field-count-wrong"], RMC, RMC[1:]]
    meter = fed(cut(b"".join(rows) + b"$G\xffRMC,1*00\r\n", []))
    assert {type_: dict(m.bad) for (_, type_), m in meter.messages.items()} == {
        "GGA": {"checksum-bad": 1},  # the first came before its message was known
        "VTG": {"field-count-wrong": 1},
        "RMC": {},
    }
    assert meter.errors.reasons == {"checksum-bad": 2, "field-count-wrong": 1, NO_START: 1, "alphabet-wrong": 1}


def test_damage_is_dated() -> None:
    data = GGA + GGA[1:] + PIECES["checksum-bad"]
    meter = fed(cut(data, [50, 100, 150]))
    assert meter.errors.recent((NO_START,), START + SECOND) == [START + len(GGA) * STEP]
    assert meter.errors.recent(("checksum-bad",), START + SECOND) == [START + (len(data) - 1) * STEP]


def test_each_stray_run_in_one_chunk_counts() -> None:
    assert fed(cut(GGA + GGA[1:] + GGA + VTG[1:] + RMC, [])).errors.reasons == {NO_START: 2}


def test_each_stray_run_counts_also_between_two_sentences_that_never_end() -> None:
    endless = b"$" + b"x" * (FRAME_MOST_BYTES - 1)
    data = GGA + endless + b"one" + endless + b"two\n" + RMC
    for places in ([], [1500], list(range(0, len(data), 16))):
        assert fed(cut(data, places)).errors.reasons == {"overlong": 2, NO_START: 2}


def test_a_line_joined_in_the_middle_is_no_damage() -> None:
    for places in ([], [10], [60], list(range(200))):
        meter = fed(cut(GGA[20:] + RMC, places))
        assert meter.errors.total == 0
        assert meter.take_tally().damaged == 0
        assert meter.framer.stray == 1


def test_a_missing_checksum_is_damage_only_where_one_is_asked_for() -> None:
    row = PIECES["checksum-missing"]
    assert fed(cut(row, [])).errors.reasons == {"checksum-missing": 1}
    lax = fed(cut(row, []), MeterSettings(BAUD, checksum_required=False))
    assert lax.errors.total == 0
    assert lax.messages["GP", "VTG"].rate.count == 1


def test_a_talker_that_is_not_accepted_is_heard_but_does_not_serve() -> None:
    meter = fed(cut(GGA + GN_GGA + GN_GGA, []))
    assert meter.needed["GGA"].count == 1
    assert meter.messages["GN", "GGA"].rate.count == 2
    anyone = fed(cut(GGA + GN_GGA + GN_GGA, []), MeterSettings(BAUD, gap_most_ns=NEEDED))
    assert anyone.needed["GGA"].count == 3
    assert set(anyone.needed) == set(NEEDED)


def test_the_last_sentence_is_kept_and_the_longest_of_late() -> None:
    meter = LineMeter(SETTINGS)
    for second in range(25):
        row = (
            RMC
            if second
            else sealed("GPRMC,195959.00,A,1541.312588930,N,05130.512041250,W,0.26,147.44,140120,16.9,W,D")
        )
        meter.feed(Chunk(row, START + second * SECOND, STEP))
        message = meter.messages["GP", "RMC"]
        assert message.longest == (len(RMC) + 2 if second <= 10 else len(RMC)), second
    assert message.last is not None
    assert message.last.frame.raw == RMC


def gsv_epoch(pages: dict[str, int], skip: frozenset[int] = frozenset()) -> bytes:
    rows = [
        sealed(f"{talker}GSV,{total},{page},{total * 4:02d}," + ",".join(f"{sat:02d},10,200,40" for sat in range(1, 5)))
        for talker, total in pages.items()
        for page in range(1, total + 1)
    ]
    return b"".join(row for place, row in enumerate(rows) if place not in skip)


@pytest.mark.parametrize("pages", [{"GP": 1}, {"GP": 3}, {"GP": 3, "GL": 2, "GA": 4}])
def test_satellites_in_view_are_counted_each_and_rated_by_the_group(pages: dict[str, int]) -> None:
    meter = LineMeter(MeterSettings(BAUD, gap_most_ns={"GSV": 1_500_000_000}))
    for second in range(60):
        meter.feed(Chunk(gsv_epoch(pages), START + second * SECOND, STEP))
    now_ns = START + 59 * SECOND + 900_000_000
    for talker, total in pages.items():
        rate = meter.messages[talker, "GSV"].rate
        assert rate.count == 60 * total
        for hz in (rate.short_hz(now_ns), rate.long_hz(now_ns), rate.whole_hz()):
            assert hz == pytest.approx(1.0)
        assert rate.longest_gap_ns == SECOND
        assert meter.messages[talker, "GSV"].schedule.residuals.rms() == pytest.approx(0, abs=1e-6)
    assert meter.needed["GSV"].count == 60 * len(pages)


@pytest.mark.parametrize("lost", [0, 1, 2])
def test_a_lost_one_of_a_group_leaves_the_rate(lost: int) -> None:
    meter = LineMeter(MeterSettings(BAUD))
    for second in range(30):
        skip = frozenset({lost}) if second % 3 == 1 else frozenset[int]()
        meter.feed(Chunk(gsv_epoch({"GP": 3}, skip), START + second * SECOND, STEP))
    rate = meter.messages["GP", "GSV"].rate
    assert rate.count == 80
    assert rate.whole_hz() == pytest.approx(1.0, rel=0.001)


def gsa_epoch(talker: str, systems: str) -> bytes:
    """systems: their numbers, or one letter for each where no number is sent."""
    numbers = [f",{one}" if one.isdigit() else "" for one in systems]
    return b"".join(sealed(f"{talker}GSA,A,3,01,02,03,04,,,,,,,,,1.2,0.7,1.0{number}") for number in numbers)


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
@pytest.mark.parametrize("systems", ["1", "123", "1234", "3142", "x", "xxx"])
def test_satellites_used_are_rated_by_the_burst_and_not_by_the_system(systems: str, rate_hz: int) -> None:
    step_ns = STEP * BAUD // 460_800
    meter = LineMeter(MeterSettings(460_800, gap_most_ns={"GSA": 1_500_000_000}))
    for epoch in range(30 * rate_hz):
        meter.feed(Chunk(gsa_epoch("GN", systems) + RMC, START + epoch * SECOND // rate_hz, step_ns))
    rate = meter.messages["GN", "GSA"].rate
    assert rate.count == 30 * rate_hz * len(systems)
    assert rate.whole_hz() == pytest.approx(rate_hz)
    assert rate.longest_gap_ns == SECOND // rate_hz
    assert meter.needed["GSA"].count == 30 * rate_hz


@pytest.mark.parametrize("systems", ["123", "xxx"])
@pytest.mark.parametrize("lost", [0, 1, 2])
def test_a_lost_system_leaves_the_rate(lost: int, systems: str) -> None:
    meter = LineMeter(MeterSettings(BAUD))
    for second in range(30):
        kept = systems[:lost] + systems[lost + 1 :] if second % 3 == 1 else systems
        meter.feed(Chunk(gsa_epoch("GN", kept), START + second * SECOND, STEP))
    assert meter.messages["GN", "GSA"].rate.whole_hz() == pytest.approx(1.0, rel=0.01)


def test_messages_are_bounded_under_a_flood_of_valid_addresses() -> None:
    meter = LineMeter(SETTINGS)
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    addresses = [f"{a}{b}{c}QQ" for a in letters[:10] for b in letters[:10] for c in letters[:10]]
    for number, address in enumerate(addresses):
        meter.feed(Chunk(sealed(f"{address},1"), START + number * 10_000_000, STEP))
    assert meter.sentences == 1000
    assert len(meter.messages) == MESSAGES_MOST
    tally = meter.take_tally()
    assert tally.sentences == 1000
    assert len(tally.messages) <= MESSAGES_MOST
    for number in range(5):  # what is needed is measured all the same
        meter.feed(Chunk(GGA, START + 20 * SECOND + number * SECOND // 5, STEP))
    assert ("GP", "GGA") not in meter.messages
    assert meter.needed["GGA"].short_hz(START + 21 * SECOND) == pytest.approx(5.0)
    assert meter.fix.sample is not None


def test_a_recording_without_byte_times_tells_neither_jitter_nor_silence() -> None:
    settings = MeterSettings(BAUD, arrival_measured=False, silence_most_ns=1, gap_most_ns={"GGA": 1_500_000_000})
    meter = LineMeter(settings)
    for second in range(100):
        meter.feed(Chunk(GGA, START + (second + 60 * (second > 50)) * SECOND, 0))
    message = meter.messages["GP", "GGA"]
    assert message.schedule.residuals.count == 0
    assert meter.load.take_silence() is None
    assert meter.load.resumed_ns == 0
    assert meter.needed["GGA"].take_gap() == (START + 50 * SECOND, START + 111 * SECOND)


def test_after_a_silence_the_gap_of_a_message_counts_from_when_the_line_spoke_again() -> None:
    meter = LineMeter(SETTINGS)
    for number in range(20):
        meter.feed(Chunk(GGA, START + number * SECOND // 5, STEP))
    resumed_ns = START + 30 * SECOND
    for number in range(5):
        meter.feed(Chunk(VTG, resumed_ns + number * SECOND // 5, STEP))
    meter.feed(Chunk(GGA, resumed_ns + SECOND, STEP))
    assert meter.load.take_silence() == (START + 19 * SECOND // 5 + (len(GGA) - 1) * STEP, resumed_ns)
    assert meter.needed["GGA"].take_gap() == (resumed_ns, resumed_ns + SECOND + (len(GGA) - 1) * STEP)


def test_the_end_of_the_stream_closes_what_is_open() -> None:
    meter = fed(cut(GGA + VTG.removesuffix(b"\r\n"), []))
    assert meter.sentences == 1
    meter.flush()
    assert meter.sentences == 2
    assert meter.errors.total == 0
    broken = fed(cut(GGA + VTG[:20], []))
    broken.flush()
    assert broken.errors.reasons == {"cut-short": 1}
    broken.flush()
    assert broken.errors.total == 1
