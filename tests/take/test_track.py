"""The track as GPX 1.1 and as GeoJSON, held against their own rules and read by readers that are not ours."""

from __future__ import annotations

import itertools
import json
import re
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import geojson as outside_geojson  # type: ignore[import-untyped]
import gpxpy
import pytest

from appliance.history.reader import History
from appliance.history.rows import SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.take import geojson, gpx, positions
from appliance.take.forms import FORMS

RECEIVER = "from-receiver"
S = 1_000_000_000
BYTE_NS = 260_417
STARTED_NS = 50 * S  # the watch of the fixture `writer`, at 2026-05-04T09:13:20Z
Reading = Callable[[], History]


def said(body: str) -> bytes:
    return f"${body}*{checksum(body.encode()):02X}\r\n".encode()


def gga(
    east: float = 1.0,
    north: float = 52.0,
    quality: int = 4,
    *,
    height: str = "80.1234",
    geoid: str = "46.9",
    age: str = "1",
) -> bytes:
    """A GGA at so many degrees."""

    def minutes(degrees: float, digits: int) -> str:
        whole = int(abs(degrees))
        return f"{whole:0{digits}d}{(abs(degrees) - whole) * 60:011.8f}"

    ns, ew = "NS"[north < 0], "EW"[east < 0]
    where = f"{minutes(north, 2)},{ns},{minutes(east, 3)},{ew}"
    return said(f"GNGGA,091320.00,{where},{quality},18,0.7,{height},M,{geoid},M,{age},0001")


def feed(writer: HistoryWriter, *sentences: tuple[float, bytes]) -> None:
    """Each at so many seconds of the watch."""
    for at_s, raw in sentences:
        writer.add_chunk(RECEIVER, Chunk(raw, STARTED_NS + round(at_s * S), BYTE_NS))


def whole(pieces: Iterator[bytes]) -> bytes:
    return b"".join(pieces)


# The rules of the GPX 1.1 schema, http://www.topografix.com/GPX/1/1/gpx.xsd, as far as a track uses them:
# wptType, "elements must appear in this order"; latitudeType, longitudeType, fixType, dgpsStationType; xsd:decimal and
# xsd:nonNegativeInteger of XML Schema part 2.
POINT_ORDER = [
    "ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type", "fix", "sat", "hdop",
    "vdop", "pdop", "ageofdgpsdata", "dgpsid", "extensions",
]  # fmt: skip
DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)")
TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")
RULES: dict[str, Callable[[str], bool]] = {
    "ele": lambda text: bool(DECIMAL.fullmatch(text)),
    "time": lambda text: bool(TIME.fullmatch(text)),
    "geoidheight": lambda text: bool(DECIMAL.fullmatch(text)),
    "fix": lambda text: text in ("none", "2d", "3d", "dgps", "pps"),
    "sat": str.isdecimal,
    "hdop": lambda text: bool(DECIMAL.fullmatch(text)),
    "ageofdgpsdata": lambda text: bool(DECIMAL.fullmatch(text)),
    "dgpsid": lambda text: text.isdecimal() and int(text) <= 1023,
}


def by_the_schema(data: bytes) -> list[list[ElementTree.Element]]:
    """Checks a document by the rules above; gives the points of each segment."""
    space = "{http://www.topografix.com/GPX/1/1}"
    root = ElementTree.fromstring(data)
    assert (root.tag, root.get("version"), bool(root.get("creator"))) == (f"{space}gpx", "1.1", True)
    assert set(root.attrib) == {"version", "creator"}
    assert [child.tag for child in root] == [f"{space}metadata", f"{space}trk"]
    told = [child.tag.removeprefix(space) for child in root[0]]
    assert told == [name for name in ("name", "desc") if name in told]
    assert [child.tag for child in root[1]][:1] == [f"{space}name"]
    segments = list(root[1])[1:]
    assert all(segment.tag == f"{space}trkseg" and not segment.attrib for segment in segments)
    for point in (point for segment in segments for point in segment):
        assert point.tag == f"{space}trkpt"
        assert set(point.attrib) == {"lat", "lon"}
        assert all(DECIMAL.fullmatch(value) for value in point.attrib.values())
        assert -90 <= Decimal(point.attrib["lat"]) <= 90
        assert -180 <= Decimal(point.attrib["lon"]) < 180
        names = [child.tag.removeprefix(space) for child in point]
        assert names == [name for name in POINT_ORDER if name in names]
        for child in point:
            assert RULES[child.tag.removeprefix(space)](child.text or ""), (child.tag, child.text)
    return [list(segment) for segment in segments]


def by_the_rfc(data: bytes) -> list[dict[str, Any]]:
    """Checks a document by the sections of RFC 7946 named beside each rule; gives its features."""
    told = json.loads(data, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
    assert outside_geojson.loads(data.decode()).is_valid
    assert told["type"] == "FeatureCollection"  # 3.3
    assert not {"crs", "geometry", "properties", "coordinates"} & told.keys()  # 4 and 7.1
    for feature in told["features"]:
        assert feature.keys() == {"type", "geometry", "properties"}  # 3.2
        assert feature["type"] == "Feature"
        kind, places = feature["geometry"]["type"], feature["geometry"]["coordinates"]
        for line in {"Point": [[places]], "LineString": [places], "MultiLineString": places}[kind]:
            assert kind == "Point" or len(line) >= 2  # 3.1.4
            for place in line:
                assert len(place) in (2, 3)  # 3.1.1: no more than three
                assert -180 <= place[0] <= 180  # 4: longitude comes first
                assert -90 <= place[1] <= 90
            turns = [abs(here[0] - there[0]) for here, there in itertools.pairwise(line)]
            assert all(turn <= 180 for turn in turns)  # 3.1.9
    return list(told["features"])


def test_a_track_is_told_with_all_that_its_sentences_say(writer: HistoryWriter, reading: Reading) -> None:
    feed(writer, (1.0, gga(east=-1.204411312)), (2.0, gga(east=-1.204411412, north=52.068724276)))
    history = reading()
    data = whole(gpx.lines(history, history.watch(1), RECEIVER))
    ((_, second),) = by_the_schema(data)
    assert second.attrib == {"lat": "52.068724276", "lon": "-1.204411412"}
    assert [(child.tag.rpartition("}")[2], child.text) for child in second] == [
        ("ele", "80.1234"), ("time", "2026-05-04T09:13:22.000Z"), ("geoidheight", "46.9"), ("fix", "dgps"),
        ("sat", "18"), ("hdop", "0.7"), ("ageofdgpsdata", "1"), ("dgpsid", "1"),
    ]  # fmt: skip
    read = gpxpy.parse(data.decode(), version="1.1")
    assert (read.creator, read.tracks[0].name) == ("linelamp", "Tractor 3")
    point = read.tracks[0].segments[0].points[0]
    assert (point.latitude, point.longitude, point.elevation, point.satellites) == (52.0, -1.204411312, 80.1234, 18)
    assert point.time == datetime(2026, 5, 4, 9, 13, 21, tzinfo=UTC)
    (feature,) = by_the_rfc(whole(geojson.lines(history, history.watch(1), RECEIVER)))
    # the third number is the height above the ellipsoid, which is 80.1234 + 46.9
    assert feature["geometry"]["coordinates"] == [
        [-1.204411312, 52.0, 127.0234],
        [-1.204411412, 52.068724276, 127.0234],
    ]
    assert feature["properties"] == {
        "start_utc": "2026-05-04T09:13:21.000Z", "end_utc": "2026-05-04T09:13:22.000Z", "quality": 4,
        "fix": "RTK fixed", "machine": "Tractor 3", "dated_by": "line",
    }  # fmt: skip


def test_one_position_a_second_and_a_break_where_none_came(writer: HistoryWriter, reading: Reading) -> None:
    fast = [(n / 5, gga(east=1 + n / 1e6)) for n in range(50)]  # 10 s at 5 Hz
    late = [(15.5 + n / 5, gga(east=1.1)) for n in range(6)]
    feed(writer, *fast, (10.0, gga(quality=0)), *late)
    history = reading()
    first, second = by_the_schema(whole(gpx.lines(history, history.watch(1), RECEIVER)))
    assert [point.get("lon") for point in first] == [
        f"{1 + n / 1e6:.6f}".rstrip("0").rstrip(".") for n in range(0, 50, 5)
    ]
    assert len(second) == 2
    features = by_the_rfc(whole(geojson.lines(history, history.watch(1), RECEIVER)))
    assert [len(feature["geometry"]["coordinates"]) for feature in features] == [10, 2]


def test_quality_parts_the_features_and_not_the_line(writer: HistoryWriter, reading: Reading) -> None:
    qualities = [4, 4, 4, 5, 5, 1, 4]
    feed(writer, *((n, gga(east=1 + n / 1000, quality=quality)) for n, quality in enumerate(qualities)))
    history = reading()
    features = by_the_rfc(whole(geojson.lines(history, history.watch(1), RECEIVER)))
    assert [feature["properties"]["quality"] for feature in features] == [4, 5, 1, 4]
    ends = [(f["geometry"]["coordinates"][0][0], f["geometry"]["coordinates"][-1][0]) for f in features]
    assert ends == [(1.0, 1.002), (1.002, 1.004), (1.004, 1.005), (1.005, 1.006)]


def test_what_the_antimeridian_cuts_keeps_its_height(writer: HistoryWriter, reading: Reading) -> None:
    feed(writer, (0, gga(east=179.9, height="100", geoid="0")), (1, gga(east=-179.7, height="104", geoid="0")))
    history = reading()
    (feature,) = by_the_rfc(whole(geojson.lines(history, history.watch(1), RECEIVER)))
    (_, end), (start, _) = feature["geometry"]["coordinates"]
    assert (end, start) == ([180, 52, 101], [-180, 52, 101])  # a quarter of the way


def test_a_line_over_the_antimeridian_is_cut_there(writer: HistoryWriter, reading: Reading) -> None:
    easts = [179.5, -179.5, -180.0, 179.75]
    feed(writer, *((n, gga(east=east, north=-(10 + n), height="", geoid="")) for n, east in enumerate(easts)))
    history = reading()
    (feature,) = by_the_rfc(whole(geojson.lines(history, history.watch(1), RECEIVER)))
    assert feature["geometry"] == {
        "type": "MultiLineString",
        "coordinates": [
            [[179.5, -10], [180, -10.5]],
            [[-180, -10.5], [-179.5, -11], [-180, -12], [-180, -12]],
            [[180, -12], [179.75, -13]],
        ],
    }
    (points,) = by_the_schema(whole(gpx.lines(history, history.watch(1), RECEIVER)))
    assert [point.get("lon") for point in points] == ["179.5", "-179.5", "-180", "179.75"]


@pytest.mark.parametrize("quality", range(10))
def test_every_quality_is_told_in_words_that_the_schema_knows(
    writer: HistoryWriter, reading: Reading, quality: int
) -> None:
    feed(writer, (0, gga(quality=quality, age="", height="", geoid="")))
    history = reading()
    segments = by_the_schema(whole(gpx.lines(history, history.watch(1), RECEIVER)))
    features = by_the_rfc(whole(geojson.lines(history, history.watch(1), RECEIVER)))
    assert [len(segment) for segment in segments] == [1] * (quality > 0)
    assert len(features) == len(segments)
    assert [feature["geometry"]["type"] for feature in features] == ["Point"] * len(features)


def test_a_line_without_gga_has_a_track_too(writer: HistoryWriter, reading: Reading) -> None:
    rmc = "GPRMC,091320.00,{},5204.12345,N,00112.26468,W,4.7,81.0,040526,,,A"
    feed(
        writer,
        (0, said(rmc.format("A"))),
        (1, said(rmc.format("V"))),
        (2, said("GPGLL,5204.2,N,00112.3,W,091322.00,A,A")),
    )
    feed(writer, (10, gga()), (11, said(rmc.format("A"))), (12.0, b"$GPGGA,091332.00,52"), (13, gga(north=53)))
    history = reading()
    first, second = by_the_schema(whole(gpx.lines(history, history.watch(1), RECEIVER)))
    assert [point.get("lat") for point in first] == ["52.068724167", "52.07"]
    assert [point.get("lat") for point in second] == ["52", "53"]


def test_an_empty_span_is_a_whole_document(writer: HistoryWriter, reading: Reading) -> None:
    history = reading()
    assert by_the_schema(whole(gpx.lines(history, history.watch(1), RECEIVER))) == []
    assert by_the_rfc(whole(geojson.lines(history, history.watch(1), RECEIVER))) == []


def test_any_machine_makes_a_sound_document_and_a_wrong_clock_is_told(tmp_path: Path) -> None:
    name = "a & b <i>\x00\x0b]]> \ufffe ü 😀 \ud800"
    with HistoryWriter(tmp_path / "history.db") as writer:
        writer.begin_watch(WatchStart(STARTED_NS, 0, "anything", "", name.encode("utf-8", "ignore").decode(), "0.1.0"))
        feed(writer, (0, gga()))
        writer.commit()
        with History(writer.path) as history:
            watch = history.watch(1)
            data = whole(gpx.lines(history, watch, RECEIVER))
            features = by_the_rfc(whole(geojson.lines(history, watch, RECEIVER)))
    assert len(by_the_schema(data)) == 1
    assert ElementTree.fromstring(data)[1][0].text == "a & b <i>]]>  ü 😀 "
    assert gpx.BOX_CLOCK.encode() in data
    assert features[0]["properties"]["dated_by"] == "box"


def test_seconds_stand_in_where_the_raw_bytes_are_gone(writer: HistoryWriter, reading: Reading) -> None:
    feed(writer, *((float(n), gga(east=2.0)) for n in range(4, 8)))
    for n in range(8):
        writer.add_second(
            SecondRow(RECEIVER, STARTED_NS + n * S, 80, 1, 0, 0, 0.1, "go", 1, 9, 1.1, None, 52.0, 1.0, 2.0)
        )
    history = reading()
    watch = replace(history.watch(1), raw_gone_ns=STARTED_NS + 4 * S)
    found = [(one.longitude_deg, anew) for one, anew in positions.positions(history, watch, RECEIVER)]
    assert found == [(1.0, True), (1.0, False), (1.0, False), (1.0, False), *[(2.0, False)] * 4]
    span = positions.positions(history, watch, RECEIVER, STARTED_NS + 2 * S, STARTED_NS + 6 * S)
    assert [one.longitude_deg for one, _ in span] == [1.0, 1.0, 2.0, 2.0]
    early = positions.positions(history, watch, RECEIVER, None, STARTED_NS + 2 * S)
    assert [one.longitude_deg for one, _ in early] == [1.0, 1.0]


@pytest.mark.slow
def test_a_long_track_keeps_little_in_memory(writer: HistoryWriter, reading: Reading) -> None:
    """An hour of a position a second that flaps between two qualities once a minute."""
    for n in range(3600):
        feed(writer, (float(n), gga(east=1 + n / 1e5, quality=4 if n // 60 % 2 else 5)))
        if n % 60 == 0:
            writer.commit()
    history = reading()
    watch = history.watch(1)
    for form in ("gpx", "geojson"):
        tracemalloc.start()
        try:
            size = sum(len(piece) for piece in FORMS[form].lines(history, watch, RECEIVER, None, None))
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert size > 80_000
        assert peak < 2_000_000, form
    assert sum(map(len, by_the_schema(whole(gpx.lines(history, watch, RECEIVER))))) == 3600
    assert len(by_the_rfc(whole(geojson.lines(history, watch, RECEIVER)))) == 60
