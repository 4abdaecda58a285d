"""What leaves the box: the same sentences and bytes that came, dated, and in tables that a desk can trust."""

from __future__ import annotations

import csv
import io
import itertools
import os
import re
import tempfile
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.history.reader import History
from appliance.history.rows import FaultRow, LossRow, SecondRow, Watch, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.take import faults, losses, raw, seconds, text
from appliance.take.forms import FORMS
from appliance.take.name import file_name, slug

RECEIVER, CONTROLLER = "from-receiver", "from-controller"
S = 1_000_000_000
STEP_NS = 260_417  # ten bits at 38,400 baud
STARTED_NS = 50 * S  # the watch of the fixture `writer`
STARTED_UTC_NS = 1_777_886_000 * S
ROW = re.compile(rb"\\s:(receiver|controller),c:(\d{13})\*([0-9A-F]{2})\\")
# gpsinformation.org/dale/nmea.htm
PUBLISHED = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
Reading = Callable[[], History]


def whole(pieces: Iterator[bytes]) -> bytes:
    return b"".join(pieces)


def table(pieces: Iterator[bytes]) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(whole(pieces).decode(), newline="")))


def frames_of(data: bytes, *, unfinished: bool = True) -> list[bytes]:
    framer = Framer()
    ended, left = framer.feed(Chunk(data, 0, 0)), framer.flush()
    return [frame.raw for frame in ended + [frame for frame in left if unfinished or not frame.flaw]]


def test_the_tag_block_is_that_of_the_open_standard() -> None:
    # A TAG block widely printed in descriptions of the standard, here from memory; that its sum comes out right
    # confirms it: \g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\ . It fixes what the checksum runs over.
    assert checksum(b"g:1-2-73874,n:157036,s:r003669945,c:1241544035") == 0x4A
    block = text.tag_block("receiver", 1_777_886_053_412)
    match = ROW.fullmatch(block)
    assert match
    assert match.group(1, 2) == (b"receiver", b"1777886053412")
    summed = 0
    for character in block.split(b"\\")[1].split(b"*")[0]:
        summed ^= character
    assert int(match[3], 16) == summed


def test_each_sentence_is_dated_by_its_own_first_character(writer: HistoryWriter, reading: Reading) -> None:
    at_ns = 53_412_000_000
    second_ns = at_ns + len(PUBLISHED) * STEP_NS
    for n, byte in enumerate(PUBLISHED * 2):
        writer.add_chunk(RECEIVER, Chunk(bytes([byte]), at_ns + n * STEP_NS, STEP_NS))
    writer.add_chunk(CONTROLLER, Chunk(PUBLISHED, at_ns, STEP_NS))
    history = reading()
    watch = history.watch(1)
    rows = whole(text.lines(history, watch, RECEIVER)).splitlines(keepends=True)
    assert [row[row.index(b"$") :] for row in rows] == [PUBLISHED, PUBLISHED]
    told = [int(match[2]) for match in map(ROW.match, rows) if match]
    assert told == [1_777_886_003_412, round((STARTED_UTC_NS + second_ns - STARTED_NS) / 1e6)]
    assert b"\\s:controller,c:1777886003412*" in whole(text.lines(history, watch, CONTROLLER))


def test_what_was_recorded_before_the_line_told_the_time_is_dated_too(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(STARTED_NS, 1_000_000_000 * S, "anything", "", "Tractor 3", "0.1.0"))
        writer.add_chunk(RECEIVER, Chunk(PUBLISHED, STARTED_NS, STEP_NS))
        writer.commit()
        with History(path) as history:
            assert b"c:1000000000000*" in whole(text.lines(history, history.watch(1), RECEIVER))
        writer.date_watch(STARTED_UTC_NS - STARTED_NS, 0.01)
        writer.commit()
        with History(path) as history:
            assert b"c:1777886000000*" in whole(text.lines(history, history.watch(1), RECEIVER))


def test_a_damaged_frame_keeps_its_bytes_and_its_row(writer: HistoryWriter, reading: Reading) -> None:
    cut = b"$GPGGA,123519,4807"
    writer.add_chunk(
        RECEIVER, Chunk(b"\x00junk" + cut + PUBLISHED + b"$GP\xff*00\r\n" + PUBLISHED[:-2], 60 * S, STEP_NS)
    )
    history = reading()
    rows = whole(text.lines(history, history.watch(1), RECEIVER)).splitlines(keepends=True)
    assert [ROW.sub(b"", row) for row in rows] == [cut + b"\r\n", PUBLISHED, b"$GP\xff*00\r\n", PUBLISHED]


@st.composite
def streams(draw: st.DrawFn) -> bytes:
    piece = st.just(PUBLISHED) | st.just(b"$GPVTG,,T,,M,0.00,N,0.00,K*4E\r\n") | st.binary(max_size=30)
    return b"".join(draw(st.lists(piece | st.sampled_from([b"$", b"!", b"\r\n", b"\\", b"*"]), max_size=20)))


@given(streams(), st.lists(st.integers(1, 90), max_size=40), st.lists(st.integers(0, 500), max_size=4))
def test_any_stream_taken_in_any_spans_is_the_stream(data: bytes, sizes: list[int], edges: list[int]) -> None:
    """Bytes and sentences of spans side by side, put together, are those that came, each once and in order."""
    with tempfile.TemporaryDirectory() as folder, HistoryWriter(Path(folder) / "history.db") as writer:
        writer.begin_watch(WatchStart(STARTED_NS, STARTED_UTC_NS, "anything", "", "Tractor 3", "0.1.0"))
        at, step_ns = 0, 10_000_000
        for size in [*sizes, 10_000]:
            if at < len(data):
                writer.add_chunk(RECEIVER, Chunk(data[at : at + size], STARTED_NS + at * step_ns, step_ns))
                writer.commit()
            at += size
        spans = [None, *(STARTED_NS + edge * step_ns for edge in sorted(edges)), None]
        with History(writer.path) as history:
            watch = history.watch(1)
            bytes_out, text_out = b"", b""
            for from_ns, to_ns in itertools.pairwise(spans):
                bytes_out += whole(raw.lines(history, watch, RECEIVER, from_ns, to_ns))
                text_out += whole(text.lines(history, watch, RECEIVER, from_ns, to_ns))
    assert bytes_out == data
    whole_frames = frames_of(data, unfinished=False)  # that the watch ended within a sentence is no damage of the line
    came = [frame if frame.endswith(b"\n") else frame.removesuffix(b"\r") + b"\r\n" for frame in whole_frames]
    assert frames_of(text_out) == came


def test_seconds_as_a_table(writer: HistoryWriter, reading: Reading) -> None:
    writer.add_second(
        SecondRow(RECEIVER, 53 * S, 820, 12, 1, 7, 0.2137, "no-go", 4, 18, 0.7, 1.2, 52.1234567, -0.0000012, 2.417,
                  {"GNVTG": 5, "GNGGA": 4})
    )  # fmt: skip
    writer.add_second(SecondRow(CONTROLLER, 53 * S, 0, 0, 0, 0, 0.0, "no-go"))
    history = reading()
    full, bare = table(seconds.lines(history, history.watch(1), None))
    assert list(full) == list(seconds.HEADER)
    assert full == {
        "start_utc": "2026-05-04T09:13:23.000Z",
        "line": "from-receiver",
        "verdict": "no-go",
        "bytes": "820",
        "sentences": "12",
        "damaged": "1",
        "junk_bytes": "7",
        "load_ratio": "0.214",
        "quality": "4",
        "satellites": "18",
        "hdop": "0.7",
        "age_s": "1.2",
        "latitude_deg": "52.1234567",
        "longitude_deg": "-1.2e-06",
        "speed_mps": "2.417",
        "messages": "GNGGA:4 GNVTG:5",
    }
    assert (bare["line"], bare["quality"], bare["latitude_deg"]) == ("from-controller", "", "")
    assert table(seconds.lines(history, history.watch(1), CONTROLLER)) == [bare]
    assert table(seconds.lines(history, history.watch(1), None, 54 * S)) == []


def test_faults_as_a_table_and_no_formula_from_the_line(writer: HistoryWriter, reading: Reading) -> None:
    evil = '=HYPERLINK("http://x","y")'
    writer.close_fault(
        "a", FaultRow("gap", RECEIVER, "GGA", 53 * S, 56_100 * 10**6, "3.1 s, not 0.6 s", -3.1, 0.6, "s")
    )
    writer.open_fault("b", FaultRow("unknown", RECEIVER, "@X", 60 * S, None, evil, None, None, "+"))
    history = reading()
    first, second = table(faults.lines(history, history.watch(1), RECEIVER))
    assert first == {
        "start_utc": "2026-05-04T09:13:23.000Z",
        "end_utc": "2026-05-04T09:13:26.100Z",
        "duration_s": "3.1",
        "kind": "gap",
        "line": "from-receiver",
        "message": "GGA",
        "measured": "-3.1",  # a number stays one
        "needed": "0.6",
        "unit": "s",
        "says": "3.1 s, not 0.6 s",
    }
    assert (second["end_utc"], second["duration_s"], second["measured"]) == ("", "", "")
    assert (second["says"], second["message"], second["unit"]) == (f"'{evil}", "'@X", "'+")


def test_losses_as_a_table(writer: HistoryWriter, reading: Reading) -> None:
    writer.close_loss("a", LossRow("position", 53 * S, 56_100 * 10**6))
    writer.open_loss("b", LossRow("speed", 60 * S, None))
    history = reading()
    rows = table(losses.lines(history, history.watch(1), RECEIVER))
    assert rows == [
        {
            "start_utc": "2026-05-04T09:13:23.000Z",
            "end_utc": "2026-05-04T09:13:26.100Z",
            "duration_s": "3.1",
            "what": "position",
        },
        {"start_utc": "2026-05-04T09:13:30.000Z", "end_utc": "", "duration_s": "", "what": "speed"},
    ]
    assert table(losses.lines(history, history.watch(1), RECEIVER, 54 * S, 55 * S)) == rows[:1]
    assert table(losses.lines(history, history.watch(1), RECEIVER, 57 * S, 60 * S)) == []


@pytest.fixture
def watch() -> Watch:
    """From 2026-05-04 09:12 to 17:40 UTC, by the line's time."""
    offset_ns = 1_777_885_920 * S
    return Watch(3, 0, None, 30_480 * S, offset_ns, True, 0.01, "anything", "", "Tractor 3", "0.1.0", "")


def test_file_names(watch: Watch) -> None:
    names = {key: file_name(watch, form, RECEIVER) for key, form in FORMS.items()}
    assert names == {
        "text": "linelamp-2026-05-04-tractor-3-0912-1740.nmea",
        "raw": "linelamp-2026-05-04-tractor-3-0912-1740.raw",
        "seconds": "linelamp-2026-05-04-tractor-3-0912-1740-seconds.csv",
        "faults": "linelamp-2026-05-04-tractor-3-0912-1740-faults.csv",
        "losses": "linelamp-2026-05-04-tractor-3-0912-1740-losses.csv",
        "gpx": "linelamp-2026-05-04-tractor-3-0912-1740.gpx",
        "geojson": "linelamp-2026-05-04-tractor-3-0912-1740.geojson",
    }
    form = FORMS["text"]
    assert file_name(watch, form, CONTROLLER) == "linelamp-2026-05-04-tractor-3-0912-1740-from-controller.nmea"
    assert file_name(watch, form, RECEIVER, 3600 * S, 7200 * S) == "linelamp-2026-05-04-tractor-3-1012-1112.nmea"
    overnight = file_name(watch, form, RECEIVER, None, 86_400 * S)
    assert overnight == "linelamp-2026-05-04-tractor-3-0912-2026-05-05-0912.nmea"
    undated = file_name(replace(watch, dated=False), form, RECEIVER)
    assert undated == "linelamp-2026-05-04-tractor-3-0912-1740-box-clock.nmea"


@pytest.mark.parametrize(
    ("words", "expected"),
    [("Tractor 3", "tractor-3"), ("  Förder/../Wägen  ", "forder-wagen"), ("трактор", "machine"), ("", "machine")],
)
def test_slugs(words: str, expected: str) -> None:
    assert slug(words) == expected


@given(st.text())
def test_any_machine_makes_a_safe_name(words: str) -> None:
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", slug(words))
    assert len(slug(words)) <= 40


@pytest.mark.slow
def test_taking_away_keeps_little_in_memory(writer: HistoryWriter, reading: Reading) -> None:
    size = 0
    for n in range(1500):
        writer.add_chunk(RECEIVER, Chunk(PUBLISHED * 60, (60 + n) * S, 10_000))
        writer.add_second(SecondRow(RECEIVER, (60 + n) * S, 4000, 60, 0, 0, 0.9, "go"))
        size += len(PUBLISHED) * 60
        if n % 20 == 0:
            writer.commit()
    history = reading()
    watch = history.watch(1)
    tracemalloc.start()
    try:
        for form in FORMS.values():
            for piece in form.lines(history, watch, RECEIVER, None, None):
                assert len(piece) < 512 * 1024
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert size > 6_000_000
    assert peak < 3_000_000


@pytest.mark.parametrize("name", ["rtk-class-1hz.nmea", "road-vehicle-2s.nmea"])
def test_a_recording_goes_through_whole(name: str, writer: HistoryWriter, reading: Reading) -> None:
    folder = os.environ.get("LINELAMP_RECORDINGS")
    if not folder:
        pytest.skip("LINELAMP_RECORDINGS is not set: no recordings to take through history")
    data = (Path(folder) / name).read_bytes()
    for n, at in enumerate(range(0, len(data), 700)):
        piece = data[at : at + 700]
        writer.add_chunk(RECEIVER, Chunk(piece, STARTED_NS + at * STEP_NS, STEP_NS))
        if n % 50 == 49:
            writer.commit()
    history = reading()
    watch = history.watch(1)
    assert whole(raw.lines(history, watch, RECEIVER)) == data
    rows = whole(text.lines(history, watch, RECEIVER)).splitlines()
    assert all(map(ROW.match, rows))
    sentences = [ROW.sub(b"", row) for row in rows]
    assert sentences == data.splitlines()
    for sentence in sentences[:500]:
        pynmea2.parse(sentence.decode(), check=True)  # an outside reader takes them, checksums and all
