"""Recorded logs as chunks: whose time each row takes, and what is no log at all."""

from __future__ import annotations

import bz2
import gzip
import lzma
import zipfile
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance import recording
from appliance.recording import RecordingError
from appliance.sentence.checksum import checksum

SECOND = 1_000_000_000
NEW_YEAR_NS = int(datetime(2027, 1, 1, tzinfo=UTC).timestamp()) * SECOND
# Published with these sums; the sources stand with the published sentences of the outside tests.
GGA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
RMC = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"  # 1994-03-23 12:35:19
VTG = b"$GPVTG,147.44,T,164.31,M,0.26,N,0.49,K,D*2C\r\n"
RMC_NS = int(datetime(1994, 3, 23, 12, 35, 19, tzinfo=UTC).timestamp()) * SECOND
MIDNIGHT_1994_NS = int(datetime(1994, 3, 23, tzinfo=UTC).timestamp()) * SECOND


def sealed(body: str) -> bytes:
    return b"$%s*%02X\r\n" % (body.encode(), checksum(body.encode()))


def gga(time: str) -> bytes:
    return sealed(f"GPGGA,{time},4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,")


def zda(time: str, date: str) -> bytes:
    return sealed(f"GPZDA,{time},{date},00,00")


def tag(parameters: bytes, row: bytes) -> bytes:
    return b"\\%s*%02X\\%s" % (parameters, checksum(parameters), row)


@pytest.fixture
def log(tmp_path: Path) -> Callable[[bytes], Path]:
    def write(data: bytes) -> Path:
        path = tmp_path / "a log.nmea"
        path.write_bytes(data)
        return path

    return write


Log = Callable[[bytes], Path]


def times(path: Path) -> list[int]:
    return [piece.chunk.start_ns for piece in recording.plain(path)]


# Plain logs


def test_each_row_takes_its_own_time_or_the_last_one(log: Log) -> None:
    path = log(RMC + VTG + GGA + gga("123520") + VTG)
    assert times(path) == [RMC_NS, RMC_NS, RMC_NS, RMC_NS + SECOND, RMC_NS + SECOND]
    assert recording.dated(path)
    assert {piece.line for piece in recording.plain(path)} == {"from-receiver"}
    assert {piece.chunk.step_ns for piece in recording.plain(path)} == {0}


def test_rows_before_the_first_time_take_that(log: Log) -> None:
    assert times(log(VTG + b"$GPTXT,hello\r\n" + RMC)) == [RMC_NS] * 3


def test_a_date_that_comes_late_dates_what_came_before(log: Log) -> None:
    assert times(log(GGA + gga("123521") + RMC.replace(b"\r", b"x\r") + zda("123522", "23,03,1994"))) == [
        RMC_NS, RMC_NS + 2 * SECOND, RMC_NS + 2 * SECOND, RMC_NS + 3 * SECOND,
    ]  # fmt: skip


def test_midnight_before_and_after_the_date(log: Log) -> None:
    path = log(gga("235958") + gga("000001") + zda("000002", "01,01,2027") + gga("235959") + gga("000003"))
    seconds = [(at - NEW_YEAR_NS) // SECOND for at in times(path)]
    assert seconds == [-2, 1, 2, 86399, 86403]


def test_without_a_date_times_are_those_of_some_day(log: Log) -> None:
    path = log(VTG + gga("235958.50") + gga("000001"))
    assert not recording.dated(path)
    assert recording.timed(path)
    assert times(path) == [86398_500_000_000, 86398_500_000_000, 86401 * SECOND]


def test_without_any_time_nothing_is_told(log: Log) -> None:
    path = log(VTG * 3)
    assert not recording.timed(path)
    assert times(path) == [0, 0, 0]


def test_time_never_runs_backwards(log: Log) -> None:
    found = times(log(gga("100000") + gga("095959") + gga("100001")))
    assert found == [36000 * SECOND, 36000 * SECOND, 36001 * SECOND]


def test_a_day_later_is_believed_when_it_is_said_twice(log: Log) -> None:
    once = log(zda("100000", "01,01,2027") + zda("100001", "05,01,2027") + zda("100002", "01,01,2027"))
    assert (times(once)[-1] - NEW_YEAR_NS) // SECOND == 36002
    twice = log(zda("100000", "01,01,2027") + zda("100001", "05,01,2027") + zda("100002", "05,01,2027"))
    assert (times(twice)[-1] - NEW_YEAR_NS) // SECOND == 4 * 86400 + 36002


def test_a_date_that_is_no_day_is_not_taken(log: Log) -> None:
    path = log(zda("100000", "30,02,2027"))
    assert not recording.dated(path)


def test_a_damaged_sentence_dates_nothing(log: Log) -> None:
    assert times(log(RMC + gga("235959").replace(b"*", b"0*"))) == [RMC_NS, RMC_NS]


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n", b"\r\r\n"])
def test_any_end_of_a_row_will_do(end: bytes, log: Log) -> None:
    rows = [RMC, VTG, GGA, gga("123520"), gga("123521")] * 30
    data = b"".join(row.replace(b"\r\n", end) for row in rows)
    path = log(data)
    pieces = list(recording.plain(path))
    assert b"".join(piece.chunk.data for piece in pieces) == data
    assert [piece.chunk.data for piece in pieces] == [row.replace(b"\r\n", end) for row in rows]
    assert pieces[4].chunk.start_ns == RMC_NS + 2 * SECOND


def test_a_last_row_without_an_end_counts(log: Log) -> None:
    path = log(RMC + gga("123520").rstrip())
    assert times(path) == [RMC_NS, RMC_NS + SECOND]


@given(data=st.lists(st.sampled_from([RMC, VTG, b"$" + b"x" * 3000 + b"\r\n", b"\r", b"\n", b"\r\n", b"\xff", b"$G"])))
def test_no_byte_is_lost_and_no_row_is_endless(data: list[bytes], tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.getbasetemp() / "any.nmea"
    path.write_bytes(b"".join(data))
    pieces = [piece.chunk.data for piece in recording.plain(path)]
    assert b"".join(pieces) == b"".join(data)
    assert all(0 < len(piece) <= 1024 for piece in pieces)


# TAG blocks


T_MS = 1_777_886_053_412
T_NS = T_MS * 1_000_000


def stamped(path: Path, undated: Counter[str] | None = None) -> list[tuple[str, int, bytes]]:
    return [(p.line, p.chunk.start_ns - T_NS, p.chunk.data) for p in recording.tagged(path, 38400, undated)]


def test_milliseconds_are_the_time_of_the_first_byte_and_the_rest_follows_at_the_baud(log: Log) -> None:
    path = log(tag(b"c:%d" % T_MS, GGA) + tag(b"c:%d" % (T_MS + 1500), VTG))
    assert stamped(path) == [("from-receiver", 0, GGA), ("from-receiver", 1_500_000_000, VTG)]
    (first, _) = recording.tagged(path, 38400)
    assert first.chunk.step_ns == 260_416  # ten bits at 38,400 baud
    assert not recording.coarse(path)
    assert recording.form_of(path) == "tagged"


@pytest.mark.parametrize(
    "parameters",
    [b"c:%d", b"s:receiver,c:%d", b"c:%d,s:receiver", b"g:1-2-1234,n:7,s:GPS01,d:SI,c:%d,t:some text,x:1"],
)
def test_other_parameters_may_stand_beside_the_time(parameters: bytes, log: Log) -> None:
    path = log(tag(parameters % T_MS, GGA))
    assert recording.form_of(path) == "tagged"
    assert stamped(path) == [("from-receiver", 0, GGA)]


def test_the_source_tells_the_line(log: Log) -> None:
    rows = tag(b"s:controller,c:%d" % T_MS, GGA) + tag(b"s:receiver,c:%d" % T_MS, GGA) + tag(b"s:?,c:%d" % T_MS, GGA)
    assert [line for line, _, _ in stamped(log(rows))] == ["from-controller", "from-receiver", "from-receiver"]


def test_time_in_blocks_never_runs_backwards(log: Log) -> None:
    assert [at for _, at, _ in stamped(log(tag(b"c:%d" % T_MS, GGA) + tag(b"c:%d" % (T_MS - 9), GGA)))] == [0, 0]


def test_rows_without_a_right_block_keep_the_time_before_and_are_counted(log: Log) -> None:
    bad_sum = tag(b"c:%d" % (T_MS + 5000), GGA).replace(b"c:1", b"c:9", 1)
    rows = [
        b"# a heading\r\n", tag(b"c:%d" % T_MS, GGA), bad_sum, VTG, tag(b"s:controller", VTG), tag(b"c:now", VTG),
        tag(b"c:%d" % 10**14, VTG), tag(b"c:" + b"9" * 400, VTG), tag(b"c:%d" % (T_MS + 1), GGA),
    ]  # fmt: skip
    undated: Counter[str] = Counter()
    found = stamped(log(b"".join(rows)), undated)
    assert [at for _, at, _ in found] == [0] * 8 + [1_000_000]
    assert undated == {"from-receiver": 6, "from-controller": 1}
    assert [data for _, _, data in found] == [b"# a heading\r\n", GGA, GGA, VTG, VTG, VTG, VTG, VTG, GGA]
    assert len(stamped(log(b"".join(rows)))) == len(rows)  # and without a count


@pytest.mark.parametrize(
    ("count", "right"),
    [
        (9_214_646_399_999, 1), (9_214_646_400_000, 0), (9_214_646_399, 1), (9_214_646_400, 0), (90_000_000_000, 0),
        (90_000_000_000_000, 0),
    ],
)  # fmt: skip
def test_a_time_that_64_bits_of_ns_cannot_hold_is_none(count: int, right: int, log: Log) -> None:
    """9214646400 is `date -u -d 2262-01-01 +%s`; the 64 bits end on April 11 of that year."""
    undated: Counter[str] = Counter()
    stamped(log(tag(b"c:%d" % T_MS, GGA) + tag(b"c:%d" % count, GGA)), undated)
    assert undated.total() == 1 - right


def test_whole_seconds_are_spread_over_their_second(log: Log) -> None:
    """The first, cut off, at its end; the last, cut off, at its start; as one who began and ended within a second."""
    t_s = T_MS // 1000
    rows = [tag(b"c:%d" % (t_s + at), GGA) for at in [0] + [1] * 4 + [2] * 5 + [4] * 2]
    path = log(b"".join(rows))
    assert recording.coarse(path)
    at_s = [(piece.chunk.start_ns - t_s * SECOND) / 1e9 for piece in recording.tagged(path, 38400)]
    assert at_s == pytest.approx([0.75, 1, 1.25, 1.5, 1.75, 2, 2.2, 2.4, 2.6, 2.8, 4, 4.2], abs=1e-6)


def test_one_row_alone_in_whole_seconds(log: Log) -> None:
    (piece,) = recording.tagged(log(tag(b"c:1777886053", GGA)), 38400)
    assert piece.chunk.start_ns == 1777886053 * SECOND


def test_blocks_of_which_none_tells_a_time_are_refused(log: Log) -> None:
    path = log(tag(b"c:%d" % (T_MS * 1000), GGA) * 3)  # microseconds, which the standard does not know
    assert recording.form_of(path) == "tagged"
    with pytest.raises(RecordingError, match=r"a log\.nmea has TAG blocks, but no `c`.*Take the blocks off"):
        list(recording.tagged(path, 38400))


# What is no log


def packed_zip(data: bytes, tmp_path: Path) -> bytes:
    with zipfile.ZipFile(tmp_path / "z", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("log.nmea", data)
    return (tmp_path / "z").read_bytes()


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is empty.*Give a log"),
        (b"hello\n" * 100, "does not look like a log.*no `.`.*Give the text"),
        (bytes(5000), "is no text.*Give the text"),
        (bytes(range(256)) * 20, "is no text.*baud or polarity"),
        (b"\x80\xf8$\x00" * 500, "is no text.*baud or polarity"),
        (gzip.compress(GGA * 500), "is packed with gzip. Unpack it"),
        (bz2.compress(GGA * 500), "is packed with bzip2. Unpack it"),
        (lzma.compress(GGA * 500), "is packed with xz. Unpack it"),
    ],
)
def test_what_is_no_log_is_told_by_name_and_with_what_to_do(data: bytes, says: str, log: Log) -> None:
    with pytest.raises(RecordingError, match=rf"a log\.nmea {says}"):
        recording.form_of(log(data))


def test_a_zip_is_told(log: Log, tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="packed with zip"):
        recording.form_of(log(packed_zip(GGA * 500, tmp_path)))


@pytest.mark.parametrize(
    "data", [GGA, b"\xff\xfe" + GGA * 3, b"\\not a tag\r\n" + GGA, "Gerät läuft\r\n".encode() + GGA]
)
def test_a_little_strangeness_is_still_a_plain_log(data: bytes, log: Log) -> None:
    assert recording.form_of(log(data)) == "plain"
