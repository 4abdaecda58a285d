"""Two real recordings, straight through framer and parser: what is known of them must come out.

The recordings are sample data of the public repository dotMorten/NmeaParser (Apache License 2.0), cut down to
standard sentences with a checksum. They are not part of the project; without them these tests are skipped.
"""

from __future__ import annotations

import itertools
import random
from collections import Counter
from pathlib import Path

import pynmea2
import pytest

from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Damaged, Sentence, parse
from appliance.sentence.types import GGA, RMC, ZDA

DAY_S = 86_400


def heard(path: Path, seed: int) -> list[Sentence]:
    """All of it, cut at random as reads of a port would cut it. Every byte must be in a frame, and every frame good."""
    data, dice, framer = path.read_bytes(), random.Random(seed), Framer()
    judged: list[Sentence | Damaged] = []
    begin = 0
    while begin < len(data):
        size = dice.choice((1, 2, 7, 64, 255, 4096))
        judged += [parse(frame) for frame in framer.feed(Chunk(data[begin : begin + size], begin, 1))]
        begin += size
    judged += [parse(frame) for frame in framer.flush()]
    good = [one for one in judged if isinstance(one, Sentence)]
    assert [one for one in judged if isinstance(one, Damaged)] == []
    assert b"".join(one.frame.raw for one in good) == data
    assert (framer.framed, framer.junk, framer.pending) == (len(data), 0, 0)
    assert all(data[one.frame.start_ns : one.frame.end_ns + 1] == one.frame.raw for one in good)
    return good


def positions(sentences: list[Sentence]) -> list[GGA]:
    return [one.content for one in sentences if isinstance(one.content, GGA)]


@pytest.fixture(scope="module", params=[1, 2])
def road(request: pytest.FixtureRequest, recordings: Path) -> list[Sentence]:
    return heard(recordings / "road-vehicle-2s.nmea", request.param)


@pytest.fixture(scope="module", params=[1, 2, 3])
def rtk(request: pytest.FixtureRequest, recordings: Path) -> list[Sentence]:
    return heard(recordings / "rtk-class-1hz.nmea", request.param)


def test_road_counts(road: list[Sentence]) -> None:
    counts = Counter(one.type for one in road)
    assert len(road) == 44_690
    assert [counts[type_] for type_ in ("GGA", "RMC", "GLL", "GSA")] == [4469] * 4
    assert counts["GSV"] == 13_407
    assert {one.talker for one in road} == {"GP"}
    assert all(one.marks == () for one in road)


def test_road_quality(road: list[Sentence]) -> None:
    qualities = [one.quality for one in positions(road)]
    assert set(qualities) == {1, 2}
    assert sum(before != after for before, after in itertools.pairwise(qualities)) == 47


def test_road_gaps_and_its_midnight(road: list[Sentence]) -> None:
    times = [one.time_s for one in positions(road) if one.time_s is not None]
    assert len(times) == 4469
    steps = [after - before for before, after in itertools.pairwise(times)]
    assert sum(step < 0 for step in steps) == 1
    assert sorted(step % DAY_S for step in steps if step % DAY_S != 2) == [60, 798, 1250]


def test_road_dates_step_with_the_midnight(road: list[Sentence]) -> None:
    dates = [one.content.date for one in road if isinstance(one.content, RMC)]
    assert [date for date, _ in itertools.groupby(dates)] == [(2005, 9, 25), (2005, 9, 26)]


def test_road_positions_against_pynmea2(road: list[Sentence]) -> None:
    ours = positions(road)
    theirs = [pynmea2.parse(one.frame.raw.decode("ascii"), check=True) for one in road if one.type == "GGA"]
    assert [one.latitude_deg for one in ours] == pytest.approx([one.latitude for one in theirs], abs=1e-12)
    assert [one.longitude_deg for one in ours] == pytest.approx([one.longitude for one in theirs], abs=1e-12)
    assert {one.decimals for one in ours} == {4}


def test_rtk_counts(rtk: list[Sentence]) -> None:
    assert len(rtk) == 510
    long = [one for one in rtk if len(one.frame.raw) > 82]
    assert len(long) == 102
    assert [one for one in rtk if one.marks] == long
    assert {one.marks for one in long} == {("long",)}


def test_rtk_quality_and_decimals(rtk: list[Sentence]) -> None:
    assert {one.quality for one in positions(rtk)} == {5, 2}
    assert {one.decimals for one in positions(rtk)} == {8}
    assert len({one.talker for one in rtk}) > 3


def test_rtk_date_comes_a_twentieth_of_a_second_after_the_position(rtk: list[Sentence]) -> None:
    """This receiver stamps its ZDA 0.04 or 0.05 s after its GGA."""
    instants = {round((one.time_s or 0.0) * 100) for one in positions(rtk)}
    dates = [one.content for one in rtk if isinstance(one.content, ZDA)]
    assert len(dates) == len(instants) == 34
    lags = [round((one.time_s or 0.0) * 100) % 100 for one in dates]
    assert Counter(lags) == {4: 23, 5: 11}
    for one, lag in zip(dates, lags, strict=True):
        assert one.date == (2017, 12, 20)
        assert round((one.time_s or 0.0) * 100) - lag in instants
