"""What a controller would have lost: against spans worked out by hand, and against a slow model of a controller."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.judge import needs
from appliance.judge.checks import SETTLE_NS
from appliance.judge.controller import CHANGED_MOST, SPANS_MOST, Controller, position_types, speed_types
from appliance.judge.needs import Needs
from appliance.sentence.checksum import checksum
from appliance.sentence.frame import Frame
from appliance.sentence.parse import Sentence, parse

SECOND = 1_000_000_000
START = 5_000 * SECOND
LINE = "[line]\nbaud = 38400\nsilence_most_s = 3\nsentence_length_most = 100\n"
GGA = "GGA,101112.20,5206.00000123,N,00112.00000457,W,4,18,0.7,112.0,M,47.2,M,1.0,0131"
RMC = "RMC,101112.20,A,5206.00000123,N,00112.00000457,W,4.6,81.0,040526,,,R,V"
GLL = "GLL,5206.00000123,N,00112.00000457,W,101112.20,A,R"
VTG = "VTG,81.0,T,,M,4.6,N,8.5,K,R"


def say(body: str, at_s: float, talker: str = "GN") -> Sentence:
    raw = (talker + body).encode()
    at_ns = START + round(at_s * SECOND)
    heard = parse(Frame(b"$" + raw + b"*%02X\r\n" % checksum(raw), at_ns, at_ns))
    assert isinstance(heard, Sentence)
    return heard


def sheet(words: str) -> Needs:
    return needs.from_toml('title = "t"\n' + LINE + words, "x")


@pytest.fixture
def usual() -> Needs:
    return needs.load("rate-section")


def spans(controller: Controller) -> list[tuple[Any, ...]]:
    return [
        (one.what, (one.start_ns - START) / 1e9, None if one.end_ns is None else (one.end_ns - START) / 1e9)
        for one in controller.spans
    ]


def fed(sheet: Needs, said: list[tuple[float, str]], to_s: float, talker: str = "GN") -> Controller:
    """Sentences and, five times a second, looks."""
    controller, look = Controller(sheet, START), 0.0
    for at_s, body in sorted(said):
        while look < at_s:
            controller.look(START + round(look * SECOND))
            look += 0.2
        controller.take(say(body, at_s, talker))
    controller.look(START + round(to_s * SECOND))
    return controller


def every(step_s: float, to_s: float, *bodies: str, from_s: float = 0.0) -> list[tuple[float, str]]:
    return [(from_s + n * step_s, body) for n in range(round((to_s - from_s) / step_s)) for body in bodies]


def test_a_steady_feed_loses_nothing(usual: Needs) -> None:
    controller = fed(usual, every(0.2, 60, GGA, VTG), 60)
    assert controller.asked == ("position", "speed")
    assert controller.spans == []
    assert controller.take_changed() == []
    assert controller.lost_s("position", START + 60 * SECOND) == 0


def test_a_gap_loses_from_the_time_out_on(usual: Needs) -> None:
    """GGA away from 9.8 s to 13 s; the last one serves for 0.6 s."""
    said = every(0.2, 20, VTG) + every(0.2, 10, GGA) + every(0.2, 20, GGA, from_s=13)
    controller = fed(usual, said, 20)
    assert spans(controller) == [("position", pytest.approx(10.4), pytest.approx(13.0))]
    assert controller.lost_s("position", START + 20 * SECOND) == pytest.approx(2.6)
    assert controller.lost_s("speed", START + 20 * SECOND) == 0


def test_without_looks_the_spans_are_the_same(usual: Needs) -> None:
    controller = Controller(usual, START)
    for at_s, body in sorted(every(0.2, 10, GGA, VTG) + every(0.2, 20, GGA, VTG, from_s=13)):
        controller.take(say(body, at_s))
    assert spans(controller) == [
        ("position", pytest.approx(10.4), pytest.approx(13.0)),
        ("speed", pytest.approx(10.4), pytest.approx(13.0)),
    ]


def test_before_anything_came_it_is_lost_once_the_line_had_time_to_settle(usual: Needs) -> None:
    controller = fed(usual, every(0.2, 10, VTG, from_s=1.0), 10)
    assert spans(controller) == [("position", SETTLE_NS / SECOND, None)]
    assert controller.lost_s("position", START + 10 * SECOND) == pytest.approx(8.0)
    slow = sheet("[message.GGA]\nrate_hz = 0.2\ngap_most_s = 12\n")
    assert spans(fed(slow, [], 11)) == []
    assert spans(fed(slow, [], 13)) == [("position", 12.0, None)]


BAD = [
    ("no fix", GGA.replace(",4,18", ",0,18"), "GN"),
    ("null position", "GGA,101112.20,,,,,4,18,0.7,112.0,M,47.2,M,1.0,0131", "GN"),
    ("four decimals", GGA.replace("0000123", "000").replace("0000457", "000"), "GN"),
    ("long", GGA.replace("112.0,", "112.0000000000000000000000,"), "GN"),
    ("talker", GGA, "QZ"),
    ("other type", RMC, "GN"),
]


@pytest.mark.parametrize(("why", "body", "talker"), BAD, ids=[one[0] for one in BAD])
def test_what_it_cannot_use_does_not_count(usual: Needs, why: str, body: str, talker: str) -> None:
    controller = Controller(usual, START)
    for n in range(50):
        controller.take(say(GGA if n == 0 else body, n * 0.2, "GN" if n == 0 else talker))
        controller.take(say(VTG, n * 0.2))
    controller.look(START + 10 * SECOND)
    assert spans(controller) == [("position", pytest.approx(0.6), None)], why


def test_qualities(usual: Needs) -> None:
    """Some controllers need quality 2, others 4."""
    strict = replace(usual, qualities=frozenset({4}))
    said = every(0.2, 10, GGA, VTG) + every(0.2, 20, GGA.replace(",4,18", ",2,18"), VTG, from_s=10)
    assert spans(fed(strict, said, 20)) == [("position", pytest.approx(10.4), None)]
    assert spans(fed(usual, said, 20)) == []
    no_fix_asked = sheet("[message.GGA]\nrate_hz = 5\n")
    assert spans(fed(no_fix_asked, every(0.2, 10, GGA.replace(",4,18", ",0,18")), 10)) == []


def test_speed_but_no_position_after_raising_precision() -> None:
    """The symptom that users tell: 8 decimals make GGA longer than the 82 characters that the controller takes."""
    words = "[message.GGA]\nrate_hz = 5\n[message.VTG]\nrate_hz = 5\n[fix]\nrequired = true\n"
    strict = replace(sheet(words), sentence_length_most=82)
    long = "GGA,101112.20,5206.00000123,N,00112.00000457,W,4,18,0.75,112.000,M,47.200,M,1.0,0131"
    short = long.replace("0000123", "00").replace("0000457", "00")
    assert len(say(long, 0).frame.raw) > 82 >= len(say(short, 0).frame.raw)
    said = every(0.2, 10, short, VTG) + every(0.2, 20, long, VTG, from_s=10)
    assert spans(fed(strict, said, 20)) == [("position", pytest.approx(10.4), None)]


@pytest.mark.parametrize("body", ["VTG,,T,,M,,N,,K,R", "VTG,,,,,,,,,N", "VTG,,T,,M,0.0,N,0.0,K,N"])
def test_a_speed_that_is_not_there(usual: Needs, body: str) -> None:
    said = every(0.2, 20, GGA) + every(0.2, 10, VTG) + every(0.2, 20, body, from_s=10)
    assert spans(fed(usual, said, 20)) == [("speed", pytest.approx(10.4), None)]


FROM = [
    ("[message.GGA]\nrate_hz = 5\n[message.RMC]\nrate_hz = 1\n[message.VTG]\nrate_hz = 5\n", {"GGA"}, {"VTG"}),
    ("[message.GGA]\nrate_hz = 5\n[message.RMC]\nrate_hz = 1\n", {"GGA"}, {"RMC"}),
    ("[message.RMC]\nrate_hz = 5\n", {"RMC"}, {"RMC"}),
    ("[message.RMC]\nrate_hz = 5\n[message.GLL]\nrate_hz = 1\n", {"RMC", "GLL"}, {"RMC"}),
    ("[message.VTG]\nrate_hz = 5\n", set(), {"VTG"}),
    ("[message.VTG]\nrate_hz = 5\n[fix]\nrequired = true\n", {"GGA", "RMC", "GLL"}, {"VTG"}),
    ("[fix]\nrequired = true\n", {"GGA", "RMC", "GLL"}, set()),
    ("[message.ZDA]\nrate_hz = 1\n", set(), set()),
]  # fmt: skip


@pytest.mark.parametrize(("words", "position", "speed"), FROM)
def test_which_sentences_serve(words: str, position: set[str], speed: set[str]) -> None:
    assert position_types(sheet(words)) == frozenset(position)
    assert speed_types(sheet(words)) == frozenset(speed)


@pytest.mark.parametrize(
    ("name", "asked"),
    [
        ("rate-section", ("position", "speed")),
        ("position-1hz", ("position",)),
        ("speed-only", ("speed",)),
        ("alive", ()),
    ],
)
def test_what_the_shipped_sheets_can_lose(name: str, asked: tuple[str, ...]) -> None:
    controller = fed(needs.load(name), [], 60)
    assert controller.asked == asked
    assert [what for what, _, _ in spans(controller)] == list(asked)


def test_rmc_tells_both_and_only_while_it_is_active() -> None:
    words = "[message.RMC]\nrate_hz = 5\ngap_most_s = 0.6\n[fix]\nrequired = true\n"
    said = every(0.2, 10, RMC) + every(0.2, 20, RMC.replace(",A,", ",V,"), from_s=10)
    assert [span[0] for span in spans(fed(sheet(words), said, 20))] == ["position", "speed"]


@pytest.mark.parametrize("body", [GGA, RMC, GLL])
def test_where_no_message_is_named_any_position_serves(body: str) -> None:
    """Its time-out is then that of the line."""
    words = "[fix]\nrequired = true\n"
    said = every(1, 10, body) + every(1, 20, body, from_s=15)
    assert spans(fed(sheet(words), said, 20)) == [("position", 12.0, 15.0)]


def test_while_the_port_is_gone_nothing_is_known(usual: Needs) -> None:
    controller = fed(usual, every(0.2, 10, GGA, VTG), 10)
    controller.port("unplugged", START + 12 * SECOND)
    controller.look(START + 100 * SECOND)
    assert spans(controller) == [
        ("position", pytest.approx(10.4), 12.0),
        ("speed", pytest.approx(10.4), 12.0),
    ]
    controller.port("", START + 100 * SECOND)
    controller.take(say(VTG, 101))
    controller.look(START + 101 * SECOND + 1)
    assert len(controller.spans) == 2
    controller.look(START + 110 * SECOND)
    assert spans(controller)[2:] == [("speed", pytest.approx(101.6), None), ("position", 102.0, None)]


def test_what_changed_is_told_once(usual: Needs) -> None:
    controller = fed(usual, every(0.2, 10, GGA, VTG) + every(0.2, 20, VTG, from_s=10), 20)
    (begun,) = controller.take_changed()
    assert (begun.what, begun.end_ns) == ("position", None)
    assert controller.take_changed() == []
    controller.take(say(GGA, 21))
    (ended,) = [span for span in controller.take_changed() if span.what == "position"]
    assert ended is begun
    assert ended.end_ns == START + 21 * SECOND


@pytest.mark.parametrize(("late_s", "lost"), [(-0.002, False), (0.002, False), (0.019, False), (0.021, True)])
def test_a_time_out_of_whole_intervals_is_not_run_out_by_jitter(late_s: float, lost: bool) -> None:
    """Two sentences of three lost at 5 Hz: the next comes as the time-out of three intervals runs out."""
    steady = sheet("[message.VTG]\nrate_hz = 5\ngap_most_s = 0.6\n")
    controller = fed(steady, [(0.0, VTG), (0.6 + late_s, VTG)], 1.0)
    assert spans(controller) == ([("speed", pytest.approx(0.6), pytest.approx(0.6 + late_s))] if lost else [])


def test_memory_is_bounded_and_the_sum_is_not_cut() -> None:
    controller = Controller(sheet("[message.VTG]\nrate_hz = 1\ngap_most_s = 1\n"), START)
    count = SPANS_MOST + 500
    for n in range(count + 1):
        controller.take(say(VTG, n * 2.0))
    assert len(controller.spans) == SPANS_MOST
    assert len(controller.take_changed()) == CHANGED_MOST
    assert controller.lost_s("speed", START + count * 2 * SECOND) == pytest.approx(count)


def model(times: list[float], timeout_s: float, to_s: float) -> list[tuple[float, float]]:
    """A controller sampled by thought: lost wherever the last usable sentence is older than the time-out."""
    found = []
    for last_s, next_s in pairwise([*times, to_s]):
        if next_s - last_s > timeout_s + 1e-9:
            found.append((last_s + timeout_s, next_s))
    return found


@settings(max_examples=60)
@given(steps=st.lists(st.integers(1, 30), min_size=1, max_size=60), looks=st.integers(1, 50))
def test_spans_are_those_of_a_slow_model(steps: list[int], looks: int) -> None:
    at, times = 0, [0.0]
    for step in steps:
        at += step
        times.append(at / 10)
    controller = Controller(sheet("[message.VTG]\nrate_hz = 1\ngap_most_s = 1\n"), START)
    for number, at_s in enumerate(times):
        controller.take(say(VTG, at_s))
        if number % looks == 0:
            controller.look(START + round(at_s * SECOND))
    to_s = times[-1] + 5
    controller.look(START + round(to_s * SECOND))
    expected = model(times, 1.0, to_s)
    ours = [(start_s, to_s if end_s is None else end_s) for _, start_s, end_s in spans(controller)]
    assert ours == [pytest.approx(one) for one in expected]
    total_s = sum(end_s - start_s for start_s, end_s in expected)
    assert controller.lost_s("speed", START + round(to_s * SECOND)) == pytest.approx(total_s)
