"""Motion over recordings of real receivers, and the figures of decimals and speed told of them.

LINELAMP_RECORDINGS names their folder; without it these tests are skipped.

road-vehicle-2s.nmea: a consumer receiver on the road, up to 30 m/s, one epoch every 2 s, 4 decimals, quality 1 and 2.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from statistics import median

import pytest

from appliance.measure.epoch import Epoch
from appliance.measure.geodesy import way
from appliance.measure.motion import Motion
from appliance.measure.trouble import Trouble, Troubles
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Sentence, parse

ROAD = "road-vehicle-2s.nmea"
SURVEY = "rtk-class-1hz.nmea"


def epochs(path: Path) -> Iterator[Epoch]:
    """Sentences of one UTC, and what follows them without one. The byte time is UTC, midnight counted on."""
    sentences: list[Sentence] = []
    at_s, days = None, 0
    for frame in Framer().feed(Chunk(path.read_bytes(), 0, 0)):
        sentence = parse(frame)
        if not isinstance(sentence, Sentence):
            continue
        time_s = getattr(sentence.content, "time_s", None)
        if time_s is not None and at_s is not None and time_s != at_s:
            yield closed(at_s, days, sentences)
            sentences = []
            days += time_s < at_s - 43_200
        at_s = time_s if time_s is not None else at_s
        sentences.append(sentence)
    if at_s is not None:
        yield closed(at_s, days, sentences)


def closed(time_s: float, days: int, sentences: list[Sentence]) -> Epoch:
    start_ns = round((time_s + 86_400 * days) * 1e9)
    contents = {said.type: said.content for said in sentences if said.content is not None}
    return Epoch(time_s, start_ns, start_ns, sentences, contents)


def watch(path: Path) -> tuple[Motion, Troubles, list[Trouble]]:
    troubles = Troubles()
    motion, told = Motion(troubles), []
    for epoch in epochs(path):
        motion.take(epoch)
        told += troubles.take_ended()
    return motion, troubles, told + list(troubles.lasting.values())


@pytest.mark.slow
def test_position_speed_and_told_speed_differ_on_the_road_as_was_measured(recordings: Path) -> None:
    """Measured independently before this was written: median 0.09, 95th percentile 0.60, 99th 1.13 m/s.

    Here the speed between two positions of RMC 2 s apart against the mean of the two speeds told, above 1 m/s. How
    "moving" was drawn then is not known, so the figures need not be the same to the last digit: here they come out as
    0.104, 0.650 and 1.173.
    """
    differences, last = [], None
    for epoch in epochs(recordings / ROAD):
        rmc = epoch.rmc
        if rmc is None or rmc.latitude_deg is None or rmc.longitude_deg is None or rmc.speed_mps is None:
            last = None
            continue
        if last is not None and epoch.start_ns - last[0] == 2_000_000_000 and rmc.speed_mps > 1:
            gone_m = way(last[1], last[2], rmc.latitude_deg, rmc.longitude_deg).distance_m
            differences.append(abs(gone_m / 2 - (rmc.speed_mps + last[3]) / 2))
        last = epoch.start_ns, rmc.latitude_deg, rmc.longitude_deg, rmc.speed_mps
    differences.sort()
    assert len(differences) > 3000
    assert median(differences) == pytest.approx(0.09, abs=0.02)
    assert differences[int(0.95 * len(differences))] == pytest.approx(0.60, abs=0.06)
    assert differences[int(0.99 * len(differences))] == pytest.approx(1.13, abs=0.1)


@pytest.mark.slow
def test_what_is_told_of_the_road_vehicle(recordings: Path) -> None:
    """Seven jumps in 2.5 hours and nothing else; each was looked at in the recording.

    At 52:32 and 52:34 past midnight the receiver, at 22 m/s, tells 55 knots between 42 and 43 and a course 16 degrees
    off, and its positions swing some 25 m off the road and back: a real jump, and its return. The other five are of
    2.5 to 4.6 m while it sets off after a stop (speed 0 to 3 knots, HDOP 1.3 to 2.4): the position was held
    while the speed was zero, and then leaps to where the receiver really has it, one of them backwards. None lies at a
    change of quality. So all are steps that the position really made and the speed did not.
    """
    motion, troubles, told = watch(recordings / ROAD)
    assert [trouble.kind for trouble in told] == ["position-jump"] * len(told)
    assert {trouble.note for trouble in told} == {"fix-same"}
    assert [round(trouble.since_ns / 1e9) - 86_400 for trouble in told] == [1038, 1956, 3156, 3158, 3730, 4372, 6838]
    assert motion.largest_jump_m == pytest.approx(25.0, abs=0.5)
    for kind in ("speed-disagrees", "course-disagrees", "position-frozen", "gga-rmc-disagree", "scatter-high"):
        assert kind in troubles.fine_ns, kind
    assert motion.speed_ratio == pytest.approx(1.0, abs=0.005)
    assert motion.speed_difference_p95_mps is not None
    assert motion.speed_difference_p95_mps < 0.66, "over 4 s at least no worse than over 2"


def test_nothing_is_told_of_the_survey_class_receiver(recordings: Path) -> None:
    _, _, told = watch(recordings / SURVEY)
    assert told == []


def test_what_4_decimals_do_to_a_speed_between_two_points_at_5_hz() -> None:
    """Off by up to 3.3 km/h: one unit of the last place in 0.2 s. Computed, and so known before this was written."""
    worst = way(52.0, 0.0, 52.0 + 1e-4 / 60, 0.0).distance_m / 0.2 * 3.6
    assert worst == pytest.approx(3.3, abs=0.05)
    over_5_s = worst * 0.2 / 5
    assert over_5_s < 0.15


def test_over_windows_that_fit_4_decimals_the_speed_is_known_well_enough() -> None:
    """Positions of an even drive cut to 4 decimals: over 5 s the speed is off by at most 0.04 m/s north and east."""
    speed_mps, worst = 3.0, 0.0
    for start in range(500):
        course = math.radians(start * 7.3)
        places = []
        for seconds in (start * 0.2, start * 0.2 + 5):
            north, east = (speed_mps * seconds * part for part in (math.cos(course), math.sin(course)))
            degrees = 52.0 + north / 111_262, 1.0 + east / (111_262 * math.cos(math.radians(52)))
            places.append([math.floor(value * 60 * 1e4) / 60e4 for value in degrees])
        gone_m = way(*places[0], *places[1]).distance_m
        worst = max(worst, abs(gone_m / 5 - speed_mps))
    assert 0.01 < worst < 2 * 0.185 / 5
