"""The judge over simulated feeds: what each fault of receiver or wire opens, from when to when, and no more.

The simulator knows when a fault begins and ends; the byte times that the judge should name are read from the feed by
counting line ends, not by the framer.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import pytest

from appliance.judge import needs
from appliance.judge.needs import Needs
from appliance.judge.truth import TRUTH_IDS
from appliance.judge.wire import WIRE_IDS
from appliance.judge.words import SAYS
from appliance.simulate.faults import Spell

START_S, END_S = 25.0, 40.0
Where = tuple[str, str, float] | float
Expected = dict[tuple[str, str], tuple[Where, Where | None, float]]
LIVE = Callable[..., Any]


def before(types: str, at_s: float) -> Where:
    """The end of the last sentence of these types before an instant."""
    return ("before", types, at_s)


def after(types: str, at_s: float) -> Where:
    """The end of the first sentence of these types from an instant on."""
    return ("after", types, at_s)


@dataclass
class Case:
    """A spell from 25 to 40 s, the faults it must open and no others, and when the trouble can be known.

    expected: (kind, message) -> (start, end, tolerance in s), of the first and the last such fault; end None: still on.
    """

    name: str
    spells: list[Spell]
    expected: Expected
    known_s: float
    settings: dict[str, Any] = field(default_factory=dict)
    sheet: Callable[[Needs], Needs] = lambda usual: usual
    extra: set[tuple[str, str]] = field(default_factory=set)


def spell(fault: str, intensity: float | None = None, what: str = "") -> list[Spell]:
    return [Spell(fault, START_S, END_S, intensity, what)]


def stopped(type_: str, limit_s: float) -> Case:
    expected: Expected = {("gap", type_): (before(type_, START_S), after(type_, END_S), 0.0)}
    return Case(f"{type_} stops", spell("message-off", what=type_), expected, START_S - 0.1 + limit_s)


ALL = ("GGA", "VTG", "RMC", "ZDA")
AWAY = {type_: (before(type_, START_S), after(type_, END_S), 0.0) for type_ in ALL}
EXACT = 0.0
"""The clock of the feed is the clock of the judge."""

PADDED = {("decimals-changed", ""), ("decimals-padded", "")}
"""The sentences are made longer by zeros behind the position's last decimal: that is to be looked at too."""

CASES = [
    # A rate is that of ten seconds: at half of 5 Hz it is below 4.5 Hz after two of them, and above again eight
    # after the end; at twice, above 5.5 Hz after one. Of RMC two must be lost.
    # 38,400 baud: a byte takes 0.26 ms, so the last byte before a silence is the last sentence's.
    Case("cable out", spell("silence"), {("silent", ""): (before("", START_S), 40.03, 0.001)}, START_S + 0.5),
    stopped("GGA", 0.6),
    stopped("VTG", 0.6),
    stopped("RMC", 1.6),
    stopped("ZDA", 1.6),
    Case("GGA at half its rate", spell("slow", 2, "GGA"), {("rate-low", "GGA"): (27.1, 48.0, 0.3)}, 27.0),
    Case("VTG at half its rate", spell("slow", 2, "VTG"), {("rate-low", "VTG"): (27.1, 48.0, 0.3)}, 27.0),
    Case("RMC at half its rate", spell("slow", 2, "RMC"), {("rate-low", "RMC"): (29.2, 45.2, 0.3)}, 29.0),
    Case(
        "GGA at a fifth", spell("slow", 5, "GGA"), {("rate-low", "GGA"): (28.0, 48.2, 0.3)}, 25.6,
        extra={("gap", "GGA")},
    ),
    Case(
        "GGA at twice its rate", [Spell("slow", 0, START_S, 2, "GGA"), Spell("slow", END_S, 60, 2, "GGA")],
        {("rate-high", "GGA"): (26.1, 49.0, 0.3)}, 26.0,
        settings={"rates_hz": {"GGA": 10, "VTG": 5, "RMC": 1, "ZDA": 1}},
    ),
    Case(
        "no fix", spell("no-fix"),
        {
            ("no-fix", ""): (after("GGA", START_S), after("GGA", END_S), EXACT),
            ("date-missing", ""): (before("RMC ZDA", START_S), after("RMC ZDA", END_S), 0.02),
        },
        START_S,
    ),
    Case(
        "quality 9", spell("quality", 9),
        {("quality-not-accepted", ""): (after("GGA", START_S), after("GGA", END_S), EXACT)}, START_S,
    ),
    Case(  # 1 s + 10 s a second from 25 s on: over 60 s from 30.9 s on
        "old corrections", spell("age-grows", 10),
        {("age-high", ""): (after("GGA", 30.9), after("GGA", END_S), EXACT)}, 30.9,
    ),
    Case(
        "three satellites", spell("satellites", 3),
        {("satellites-few", ""): (after("GGA", START_S), after("GGA", END_S), EXACT)}, START_S,
    ),
    Case(
        "satellites stand badly", spell("hdop", 6),
        {("hdop-high", ""): (after("GGA", START_S), after("GGA", END_S), EXACT)}, START_S,
    ),
    Case(
        "four decimals", spell("decimals", 4),
        {("decimals-few", ""): (after("GGA", START_S), after("GGA", END_S), EXACT)}, START_S,
    ),
    Case(
        "long sentences", spell("long", 120),
        {("sentence-long", ""): (after("GGA RMC", START_S), before("GGA RMC", END_S), EXACT)}, START_S,
        extra=PADDED,
    ),
    Case(
        "another talker", spell("talker", what="II"),
        {("talker-not-accepted", type_): span for type_, span in AWAY.items()}, START_S + 0.5,
    ),
    Case(
        "no checksums", spell("no-checksum"),
        {("checksum-missing", ""): (after("", START_S), before("", END_S), EXACT)}, START_S,
        extra={*(("gap", type_) for type_ in ALL), ("date-missing", "")},
    ),
    Case(  # RMC and ZDA both carry it, one close behind the other
        "no date", spell("date-missing"),
        {("date-missing", ""): (before("RMC ZDA", START_S), after("RMC ZDA", END_S), 0.02)}, 34.1,
    ),
    Case(  # the last burst in the span is due at 39.83 s
        "stray bytes", spell("binary", 24), {("sentence-damaged", ""): (25.03, 39.83, 0.01)}, START_S,
        extra={("noise", "")},
    ),
    Case(
        "a line too full", spell("long", 180), {("load-high", ""): (25.6, 49.9, 0.8)}, 25.0,
        sheet=lambda usual: replace(usual, baud=19200, load_most=0.5, sentence_length_most=1024),
        extra=PADDED,
    ),
    Case(
        "ZDA comes late", [Spell("message-off", 0, 30, what="ZDA")],
        {("message-missing", "ZDA"): (0.03, after("ZDA", 30), 0.01)}, 2.5,
    ),
    Case("nothing at first", [Spell("silence", 0, 10)], {("silent", ""): (0.0, 10.03, 0.001)}, 2.0),
    Case(  # and then it takes half a second until RMC has its turn
        "nothing at first, nor in time", [Spell("silence", 0, 10.5)], {("silent", ""): (0.0, 10.63, 0.001)}, 2.0
    ),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_a_fault_opens_what_it_is_and_nothing_else(case: Case, live: LIVE, usual: Needs) -> None:
    lived = live(case.spells, sheet=case.sheet(usual), **case.settings)

    def when(where: Where) -> float:
        return getattr(lived, where[0])(*where[1:]) if isinstance(where, tuple) else where

    assert lived.kinds - case.extra == set(case.expected)
    for key, (start, end, tolerance_s) in case.expected.items():
        found = [fault for fault in lived.faults if (fault.kind, fault.message) == key]
        assert len(found) == 1
        assert (found[0].start_ns - 10**12) / 1e9 == pytest.approx(when(start), abs=tolerance_s + 1e-6)
        if end is not None:
            assert found[0].end_ns is not None
            assert (found[0].end_ns - 10**12) / 1e9 == pytest.approx(when(end), abs=tolerance_s + 1e-6)
    no_go_s = next(at_s for at_s, state in lived.turns if state == "no-go")
    assert case.known_s <= no_go_s <= case.known_s + 1.0
    assert lived.turns[-1][1] == "go"


def test_the_cases_hold_every_check_that_a_feed_can_fail() -> None:
    """Box, port and wire are not in the feed; wrong sums and lost sentences are below, with a byte that is known.
    What is not true is told by the detectors, whose tests feed it."""
    failed = {kind for case in CASES for kind, _ in [*case.expected, *case.extra]}
    elsewhere = WIRE_IDS | TRUTH_IDS | {"settings-faulty", "port-lost", "checksum-bad"}
    assert failed - elsewhere == set(SAYS) - elsewhere


SPOILT = {
    "checksum-bad": lambda raw: raw.replace(b"A", b"B", 1) if b",A," in raw else raw[:20] + b"x" + raw[21:],
    "sentence-damaged": lambda raw: raw[:20] + b"\x80" + raw[21:],
    "checksum-missing": lambda raw: raw[:-5] + b"\r\n",
}


@pytest.mark.parametrize("type_", ["GGA", "RMC"])
@pytest.mark.parametrize("kind", SPOILT)
def test_one_spoilt_sentence_is_one_fault_of_one_instant(kind: str, type_: str, live: LIVE) -> None:
    """Nor is it a low rate or a gap: the gap that the needs allow allows one lost sentence."""
    clean = live(length_s=45.0, piece_bytes=1000)
    lived = replace_sentence(clean, type_, 25.0, SPOILT[kind])
    (fault,) = lived.faults
    assert (fault.kind, fault.message) == (kind, "")
    assert fault.start_ns == fault.end_ns
    assert (fault.start_ns - 10**12) / 1e9 == pytest.approx(clean.after(type_, 25.0), abs=0.001)
    no_go_s, go_s = (at_s for at_s, _ in lived.turns[1:])
    assert 0 <= no_go_s - clean.after(type_, 25.0) <= 0.21
    assert 10.0 <= go_s - clean.after(type_, 25.0) <= 10.21


def replace_sentence(lived: Any, type_: str, at_s: float, spoil: Callable[[bytes], bytes]) -> Any:
    """The same feed judged anew with one sentence spoilt."""
    end_s = lived.after(type_, at_s)
    fresh = []
    for chunk in lived.chunks:
        rows = [
            spoil(row) if row[3:6] == type_.encode() and covers(chunk, end_s) else row
            for row in chunk.data.splitlines(keepends=True)
        ]
        fresh.append(replace(chunk, data=b"".join(rows)))
    watch = type(lived.watch)(lived.watch.needs, {"from-receiver": 38400}, 10**12)
    return type(lived)(watch, fresh).run(lived.chunks[-1].end_ns, 200_000_000)


def covers(chunk: Any, at_s: float) -> bool:
    return bool(chunk.start_ns <= 10**12 + round(at_s * 1e9) <= chunk.end_ns)


def test_a_sentence_cut_short_is_damage_alone(live: LIVE) -> None:
    lived = replace_sentence(live(piece_bytes=1000), "VTG", 25.0, lambda raw: raw[:30])
    assert [(fault.kind, fault.message) for fault in lived.faults] == [("sentence-damaged", "")]


def test_a_lost_first_character_is_damage_alone(live: LIVE) -> None:
    lived = replace_sentence(live(piece_bytes=1000), "VTG", 25.0, lambda raw: raw[1:])
    assert [(fault.kind, fault.message) for fault in lived.faults] == [("sentence-damaged", "")]


# Healthy lines


HEALTHY: dict[str, dict[str, Any]] = {
    "usual": {},
    "parked": {"begin_s": 0.0},
    "one hertz": {"rate_hz": 1.0, "rates_hz": {"GGA": 1, "VTG": 1, "RMC": 1, "ZDA": 1}},
    "ten hertz": {"rate_hz": 10.0, "rates_hz": {"GGA": 10, "VTG": 10, "RMC": 1, "ZDA": 1}},
    "all types": {"rates_hz": {"GGA": 5, "VTG": 5, "RMC": 1, "ZDA": 1, "GLL": 1, "GSA": 1, "GST": 1, "GSV": 1}},
    "other order": {"order": ("ZDA", "RMC", "VTG", "GGA"), "talker": "GP", "seed": 3},
    "quality 1": {"quality": 1, "age_s": None, "seed": 4},
    "quality 2": {"quality": 2, "age_s": 6.0, "piece_bytes": 1},
    "quality 5": {"quality": 5, "age_s": 2.0, "piece_bytes": 300},
    "jitter": {"jitter_s": 0.008, "seed": 5},
    "midnight": {"start_utc": datetime(2026, 12, 31, 23, 54, 30, tzinfo=UTC), "phase_ns": 77_000_000},
    "old receiver": {"navigational_status": False, "talker": "GL", "phase_ns": 3_000_000, "seed": 6},
}  # fmt: skip


def healthy(live: LIVE, at_rate: Callable[[float], Needs], how: dict[str, Any], length_s: float) -> Any:
    how = dict(how)
    jitter_s = how.pop("jitter_s", None)
    spells = [Spell("jitter", 0, length_s, jitter_s)] if jitter_s else []
    return live(spells, length_s, sheet=at_rate(how.pop("rate_hz", 5.0)), **how)


def assert_healthy(lived: Any, phase_s: float) -> None:
    assert lived.faults == []
    assert {state for at_s, state, _ in lived.looks if at_s < 10.0} == {"wait"}
    ((went_s, went),) = lived.turns
    assert went == "go"
    assert went_s == pytest.approx(10.0 + phase_s)  # the first look at which ten clean seconds are over


@pytest.mark.slow
@pytest.mark.parametrize("name", HEALTHY)
def test_a_healthy_line_goes_when_the_clean_run_is_over(
    name: str, live: LIVE, at_rate: Callable[[float], Needs]
) -> None:
    how = HEALTHY[name]
    assert_healthy(healthy(live, at_rate, how, 40.0), how.get("phase_ns", 0) / 1e9)


@pytest.mark.slow
@pytest.mark.timeout(600)  # half a minute where the feed comes byte by byte
@pytest.mark.parametrize("name", HEALTHY)
def test_a_healthy_line_stays_go_for_ten_minutes(name: str, live: LIVE, at_rate: Callable[[float], Needs]) -> None:
    how = HEALTHY[name]
    assert_healthy(healthy(live, at_rate, how, 600.0), how.get("phase_ns", 0) / 1e9)


# Ports, phases, what is remembered


@pytest.mark.parametrize(
    ("lost_s", "back_s", "bytes_s", "expected"),
    [
        (25.0, 40.0, 40.1, {("port-lost", ""): (25.0, 40.0)}),
        (25.0, 25.3, 25.4, {("port-lost", ""): (25.0, 25.3)}),
        (25.0, 40.0, 41.3, {("port-lost", ""): (25.0, 40.0)}),  # within the time to settle
        (25.0, 40.0, 45.0, {("port-lost", ""): (25.0, 40.0), ("silent", ""): (40.0, 45.03)}),
    ],
)
def test_a_port_that_was_gone_is_one_fault(
    live: LIVE, lost_s: float, back_s: float, bytes_s: float, expected: dict[tuple[str, str], tuple[float, float]]
) -> None:
    lived = live([Spell("silence", lost_s, bytes_s)], ports=[(0.0, ""), (lost_s, "It is gone."), (back_s, "")])
    found = {
        (fault.kind, fault.message): ((fault.start_ns - 10**12) / 1e9, (fault.end_ns - 10**12) / 1e9)
        for fault in lived.faults
    }
    assert found.keys() == expected.keys()
    for key, span in expected.items():
        assert found[key] == pytest.approx(span, abs=0.001)
    assert lived.turns[1][0] - lost_s <= 0.2
    assert lived.turns[-1][1] == "go"
    assert lived.turns[-1][0] >= max(end_s for _, end_s in expected.values()) + 10.0


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["message-off", "silence", "quality", "binary", "age-grows", "satellites"])
def test_looks_at_other_instants_find_the_same(kind: str, live: LIVE) -> None:
    """At 5 looks a second whatever their phase, and at sparse, uneven cuts of the bytes."""
    spells = [Spell(kind, START_S, END_S, {"quality": 9, "age-grows": 10}.get(kind))]
    ways = [{"phase_ns": 200_000_000}, {"phase_ns": 1}, {"phase_ns": 77_777_777, "piece_bytes": 9}]
    runs = [live(spells, 56.0, **way).faults for way in ways]
    found = [[(fault.kind, fault.message, fault.start_ns, fault.end_ns) for fault in faults] for faults in runs]
    assert found[0]
    for other in found[1:]:
        for one, two in zip(found[0], other, strict=True):
            assert one[:2] == two[:2]
            assert one[2:] == pytest.approx(two[2:], abs=300_000)  # a byte's time: stray bytes are dated by their first


def test_a_talker_that_was_never_accepted(live: LIVE, usual: Needs) -> None:
    lived = live(length_s=20.0, sheet=replace(usual, talkers=frozenset({"GP"})), talker="GN")
    assert lived.kinds == {("talker-not-accepted", type_) for type_ in ALL}
    starts_s = {fault.message: (fault.start_ns - 10**12) / 1e9 for fault in lived.faults}
    assert starts_s == {type_: pytest.approx(lived.after(type_, 0.0), abs=1e-6) for type_ in ALL}
    assert "talker GN" in lived.faults[0].says
    assert lived.turns == [(pytest.approx(0.2), "no-go")]


def test_two_talkers_of_which_one_is_accepted_are_well(live: LIVE, usual: Needs) -> None:
    """GSV comes from each system under its own talker; that the others are not accepted is no matter."""
    messages = {**usual.messages, "GSV": replace(usual.messages["RMC"], type="GSV")}
    sheet = replace(usual, messages=messages, talkers=frozenset({"GN", "GP"}))
    lived = live(sheet=sheet, length_s=30.0, rates_hz={"GGA": 5, "VTG": 5, "RMC": 1, "ZDA": 1, "GSV": 1})
    assert lived.faults == []
    assert lived.turns == [(pytest.approx(10.0), "go")]


def test_a_talker_that_changes_twice_makes_two_faults_that_do_not_overlap(live: LIVE) -> None:
    lived = live([Spell("talker", 20, 25, what="II"), Spell("talker", 30, 35, what="II")])
    spans = [(fault.start_ns, fault.end_ns) for fault in lived.faults if fault.message == "GGA"]
    assert len(spans) == 2
    assert spans[0][1] <= spans[1][0]
    assert {kind for kind, _ in lived.kinds} == {"talker-not-accepted"}


def test_a_needed_message_that_comes_damaged_alone_is_missing(live: LIVE) -> None:
    clean = live(length_s=10.0, piece_bytes=1000)
    watch = type(clean.watch)(clean.watch.needs, {"from-receiver": 38400}, 10**12)
    spoilt = [replace(chunk, data=chunk.data.replace(b"GNZDA,0", b"GNZDA,x")) for chunk in clean.chunks]
    assert b"GNZDA,x" in b"".join(chunk.data for chunk in spoilt)
    lived = type(clean)(watch, spoilt).run(10**12 + 10 * 10**9, 200_000_000)
    (missing,) = [fault for fault in lived.faults if fault.kind == "message-missing"]
    assert missing.message == "ZDA"


@pytest.mark.parametrize("rate_hz", [0.5, 0.25, 0.1])
def test_slow_needs_are_judged_too(rate_hz: float, live: LIVE, usual: Needs) -> None:
    """A message asked for less often than the short window can tell is judged over the long one."""
    messages = {**usual.messages, "ZDA": replace(usual.messages["ZDA"], rate_hz=rate_hz, gap_most_s=3 / rate_hz)}
    rates = {"GGA": 5, "VTG": 5, "RMC": 1, "ZDA": rate_hz}
    sheet = replace(usual, messages=messages)
    well = live(length_s=60.0, sheet=sheet, rates_hz=rates)
    assert well.faults == []
    assert well.turns[-1][1] == "go"
    slow = live(length_s=100.0, sheet=sheet, rates_hz={**rates, "ZDA": rate_hz / 2})
    assert slow.kinds == {("rate-low", "ZDA")}


def test_nothing_is_asked_that_the_needs_do_not_ask(live: LIVE, usual: Needs) -> None:
    lived = live(length_s=20.0, sheet=replace(needs.load("alive"), baud=38400), quality=0, age_s=None)
    assert Counter(check.id for check in lived.watch.checks if check.id not in WIRE_IDS) == Counter(
        ["port-lost", "silent", "checksum-bad", "checksum-missing", "sentence-damaged", "sentence-long", "load-high"]
    )
    assert lived.turns == [(pytest.approx(10.0), "go")]
