"""Each rule by itself, at its very limit: a meter fed by hand, looked at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from appliance.judge import needs
from appliance.judge.check import Check
from appliance.judge.checks import (
    DATE_NS,
    RULES,
    SETTLE_NS,
    Look,
    absence,
    damage,
    date_missing,
    fix_figures,
    load_high,
    message_missing,
    no_fix,
    rates,
    sentence_long,
    silent,
)
from appliance.judge.judge import ABOUT_THE_WIRE, Judge
from appliance.judge.meter_settings import meter_settings
from appliance.judge.needs import Needs
from appliance.judge.truth import TRUTH_IDS
from appliance.judge.words import SAYS
from appliance.measure.meter import LineMeter
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk

SECOND = 1_000_000_000
START = 100 * SECOND
USUAL = needs.load("rate-section")
PATIENT = replace(USUAL, silence_most_s=3600.0)
"""So that what is said to a bench once a second is not a line that falls silent and resumes."""
POSITION = "4807.03812345,N,01131.00012345,E"


def sealed(body: str) -> bytes:
    return b"$%s*%02X\r\n" % (body.encode(), checksum(body.encode()))


def gga(
    talker: str = "GN",
    *,
    quality: int = 4,
    satellites: int | str = 12,
    hdop: float | str = 0.8,
    age: str = "1.0",
    height: str = "100.0",
) -> bytes:
    return sealed(f"{talker}GGA,101112.00,{POSITION},{quality},{satellites},{hdop},{height},M,46.9,M,{age},0131")


def rmc(date: str = "040526", status: str = "A") -> bytes:
    return sealed(f"GNRMC,101112.00,{status},{POSITION},0.1,81.0,{date},,,A,V")


class Bench:
    """A meter for some needs; `say` puts a sentence's last byte at an instant; `ask` gives the checks of a rule."""

    def __init__(self, sheet: Needs = USUAL, arrival_measured: bool = True) -> None:
        self.needs = sheet
        self.meter = LineMeter(meter_settings(sheet, sheet.baud, arrival_measured))
        self.started_ns = START

    def say(self, raw: bytes, end_ns: int) -> None:
        step_ns = 260_000
        self.meter.feed(Chunk(raw, end_ns - (len(raw) - 1) * step_ns, step_ns))

    def ask(self, rule: Callable[[Look], Iterator[Check]], now_ns: int) -> dict[tuple[str, str], Check]:
        look = Look(self.needs, self.meter, self.started_ns, now_ns, self.meter.fix.take_fresh())
        return {(check.id, check.message): check for check in rule(look)}

    def state(self, rule: Callable[[Look], Iterator[Check]], now_ns: int, id_: str, message: str = "") -> str:
        return self.ask(rule, now_ns)[id_, message].state


def test_silence_ends_just_over_its_limit() -> None:
    bench = Bench()
    assert bench.state(silent, START + SETTLE_NS, "silent") == "unknown"
    failing = bench.ask(silent, START + SETTLE_NS + 1)["silent", ""]
    assert (failing.state, failing.at_ns) == ("fail", START)
    assert failing.measured == pytest.approx(2.0)
    bench.say(gga(), START + 3 * SECOND)
    assert bench.state(silent, START + 3 * SECOND + 600_000_000, "silent") == "pass"
    failing = bench.ask(silent, START + 3 * SECOND + 600_000_001)["silent", ""]
    assert (failing.state, failing.at_ns, failing.over_ns) == ("fail", START + 3 * SECOND, None)
    bench.say(gga(), START + 5 * SECOND)
    ended = bench.ask(silent, START + 5 * SECOND)["silent", ""]
    first_byte_ns = START + 5 * SECOND - (len(gga()) - 1) * 260_000
    assert (ended.state, ended.at_ns, ended.over_ns) == ("fail", START + 3 * SECOND, first_byte_ns)
    assert ended.measured == pytest.approx((first_byte_ns - START - 3 * SECOND) / 1e9)
    assert "came" in ended.says
    assert bench.state(silent, START + 5 * SECOND, "silent") == "pass"


def test_a_port_that_comes_back_is_given_time_and_its_absence_is_no_silence() -> None:
    bench = Bench()
    bench.say(gga(), START + SECOND)
    bench.started_ns = START + 60 * SECOND  # opened anew
    assert bench.state(silent, bench.started_ns + SETTLE_NS, "silent") == "pass"
    assert bench.ask(silent, bench.started_ns + SETTLE_NS + 1)["silent", ""].at_ns == bench.started_ns
    assert bench.state(absence, bench.started_ns + SETTLE_NS, "gap", "GGA") == "pass"
    assert bench.ask(absence, bench.started_ns + SETTLE_NS + 1)["gap", "GGA"].at_ns == bench.started_ns
    bench.say(gga(), bench.started_ns + SECOND)
    assert bench.state(silent, bench.started_ns + SECOND, "silent") == "pass"


def test_without_times_of_arrival_neither_silence_nor_load_is_told() -> None:
    bench = Bench(arrival_measured=False)
    bench.say(gga(), START)
    for rule, id_ in ((silent, "silent"), (load_high, "load-high")):
        check = bench.ask(rule, START + 60 * SECOND)[id_, ""]
        assert check.state == "unknown"
        assert "no times of arrival" in check.says


def test_a_gap_ends_just_over_its_limit() -> None:
    bench = Bench(PATIENT)
    assert bench.state(absence, START, "gap", "GGA") == "unknown"
    bench.say(gga(), START)
    assert bench.state(absence, START + 600_000_000, "gap", "GGA") == "pass"
    failing = bench.ask(absence, START + 600_000_001)["gap", "GGA"]
    assert (failing.state, failing.at_ns, failing.over_ns) == ("fail", START, None)
    assert "has been away" in failing.says
    bench.say(gga(), START + SECOND)
    ended = bench.ask(absence, START + SECOND)["gap", "GGA"]
    assert (ended.state, ended.at_ns, ended.over_ns, ended.measured) == ("fail", START, START + SECOND, 1.0)
    assert "was away" in ended.says
    assert bench.state(absence, START + SECOND, "gap", "GGA") == "pass"


def test_an_interval_of_just_the_limit_is_no_gap() -> None:
    bench = Bench()
    bench.say(gga(), START)
    bench.say(gga(), START + 600_000_000)
    assert bench.state(absence, START + 600_000_000, "gap", "GGA") == "pass"


def test_a_message_is_missing_when_it_never_came_in_its_time() -> None:
    bench = Bench()
    bench.say(gga(), START + SECOND)
    first_ns = bench.meter.load.first_ns or 0
    assert bench.state(message_missing, first_ns + 2_500_000_000, "message-missing", "RMC") == "unknown"
    missing = bench.ask(message_missing, first_ns + 2_500_000_001)
    assert missing["message-missing", "RMC"].state == "fail"
    assert missing["message-missing", "RMC"].at_ns == first_ns
    assert missing["message-missing", "GGA"].state == "pass"
    assert "damaged" not in missing["message-missing", "RMC"].says


def test_a_message_that_came_and_is_damaged_ever_since_is_away_not_missing() -> None:
    bench = Bench(replace(USUAL, talkers=frozenset({"GN"})))
    bench.say(gga("GP"), START)
    bench.say(gga("GP")[:-3] + b"0\r\n", START + SECOND)
    checks = bench.ask(message_missing, START + 20 * SECOND)
    assert checks["message-missing", "GGA"].says.endswith("It comes, but damaged.")


def test_talkers_that_are_asked_about_and_others() -> None:
    some = Bench(replace(USUAL, talkers=frozenset({"GN"})))
    some.say(gga("II"), START)
    some.say(gga("GP"), START)
    check = some.ask(absence, START)["talker-not-accepted", "GGA"]
    assert (check.state, check.at_ns) == ("fail", START)
    assert "GP and II" in check.says
    assert some.ask(absence, START)["talker-not-accepted", "VTG"].state == "unknown"
    assert some.ask(absence, START + 10 * SECOND)["talker-not-accepted", "GGA"].state == "unknown"
    any_ = Bench(replace(USUAL, talkers=frozenset()))
    any_.say(gga("II"), START)
    assert not [id_ for id_, _ in any_.ask(absence, START) if id_ == "talker-not-accepted"]
    assert any_.state(message_missing, START, "message-missing", "GGA") == "pass"


@pytest.mark.parametrize(
    ("raw", "id_"),
    [
        (gga()[:-4] + b"00\r\n", "checksum-bad"),
        (gga()[:-5] + b"\r\n", "checksum-missing"),
        (gga()[:30] + b"\r\n", "checksum-missing"),
        (b"$\xff" + gga()[2:], "sentence-damaged"),
        (sealed("GNGGA,1"), "sentence-damaged"),
    ],
)
def test_damage_fails_for_ten_seconds_and_ends_with_the_last(raw: bytes, id_: str) -> None:
    bench = Bench()
    assert {check.state for check in bench.ask(damage, START).values()} == {"unknown"}
    bench.say(gga(), START - SECOND)  # what comes garbled before any sentence is of one who joined in mid character
    bench.say(raw, START)
    bench.say(raw, START + SECOND)
    checks = bench.ask(damage, START + 2 * SECOND)
    assert {check.id for check in checks.values() if check.state == "fail"} == {id_}
    check = checks[id_, ""]
    assert (check.measured, check.at_ns, check.over_ns) == (2, START, START + SECOND)
    assert bench.state(damage, START + 11 * SECOND - 1, id_) == "fail"
    assert bench.state(damage, START + 11 * SECOND, id_) == "pass"


def test_damage_tells_in_words_what_came_of_late_and_not_what_is_long_over() -> None:
    bench = Bench()
    bench.say(gga(), START - SECOND)
    bench.say(sealed("GNGGA,1"), START)
    bench.say(b"$\xff" + gga()[2:], START + 20 * SECOND)
    note = bench.ask(damage, START + 21 * SECOND)["sentence-damaged", ""].note
    assert note == "with bytes that are no letters"


def test_damage_that_is_tolerated() -> None:
    bench = Bench(replace(USUAL, damaged_most=1, checksum_required=False))
    bench.say(gga()[:-5] + b"\r\n", START)
    assert ("checksum-missing", "") not in bench.ask(damage, START)
    bench.say(gga()[:-4] + b"00\r\n", START)
    assert bench.state(damage, START, "checksum-bad") == "pass"
    bench.say(gga()[:-4] + b"00\r\n", START)
    assert bench.state(damage, START, "checksum-bad") == "fail"


def at_rate(bench: Bench, rate_hz: float, seconds: float, skip: tuple[int, ...] = ()) -> int:
    last = START
    for n in range(round(seconds * rate_hz) + 1):
        if n not in skip:
            last = START + round(n * SECOND / rate_hz)
            bench.say(rmc(), last)
    return last


@pytest.mark.parametrize(
    ("rate_hz", "low", "high"),
    [(1.0, "pass", "pass"), (0.9, "pass", "pass"), (0.87, "fail", "pass"), (0.8, "fail", "pass"), (0.5, "fail", "pass"),
     (1.1, "pass", "pass"), (1.12, "pass", "fail"), (5.0, "pass", "fail")],
)  # fmt: skip
def test_rates_at_their_limits(rate_hz: float, low: str, high: str) -> None:
    bench = Bench(PATIENT)
    last = at_rate(bench, rate_hz, 30)
    assert bench.state(rates, last, "rate-low", "RMC") == low
    assert bench.state(rates, last, "rate-high", "RMC") == high


@pytest.mark.parametrize(("skip", "low"), [((), "pass"), ((25,), "pass"), ((25, 27), "fail")])
def test_one_lost_sentence_is_no_low_rate_two_are(skip: tuple[int, ...], low: str) -> None:
    bench = Bench(PATIENT)
    assert bench.state(rates, at_rate(bench, 1.0, 30, skip), "rate-low", "RMC") == low


def test_a_rate_is_known_after_three_intervals_and_not_while_its_message_is_away() -> None:
    bench = Bench(PATIENT)
    last = at_rate(bench, 1.0, 2.0)
    assert bench.state(rates, last, "rate-low", "RMC") == "unknown"
    last = at_rate(bench := Bench(PATIENT), 1.0, 3.0)
    assert bench.state(rates, last, "rate-low", "RMC") == "pass"
    assert bench.state(rates, last + 2_500_000_000, "rate-low", "RMC") == "pass"
    assert bench.state(rates, last + 2_500_000_001, "rate-low", "RMC") == "unknown"
    assert bench.state(rates, last + 2_500_000_001, "rate-high", "RMC") == "unknown"


def test_no_fix_is_told_by_each_sample_or_after_a_while_by_none() -> None:
    bench = Bench()
    assert bench.state(no_fix, START + DATE_NS, "no-fix") == "unknown"
    late = bench.ask(no_fix, START + DATE_NS + 1)["no-fix", ""]
    assert late.state == "fail"
    assert "neither GGA nor RMC" in late.says
    bench.say(gga(quality=0), START)
    failing = bench.ask(no_fix, START)["no-fix", ""]
    assert (failing.state, failing.at_ns) == ("fail", START)
    assert failing.says == "The receiver has no fix (quality 0)."
    bench.say(gga(), START + SECOND)
    assert bench.state(no_fix, START + SECOND, "no-fix") == "pass"
    assert bench.ask(no_fix, START + SECOND) == {}  # it was said; nothing new came
    assert Bench(replace(USUAL, fix_required=False)).ask(no_fix, START + 99 * SECOND) == {}


def test_a_claimed_fix_without_a_position_is_no_fix_only_where_nothing_else_tells_it() -> None:
    for sheet, state in ((USUAL, "pass"), (replace(USUAL, truth_fix=False), "fail")):
        bench = Bench(sheet)
        bench.say(sealed("GNGGA,101112.00,,,,,4,12,0.8,100.0,M,46.9,M,1.0,0131"), START)
        assert bench.state(no_fix, START, "no-fix") == state


def test_rmc_tells_of_the_fix_where_no_gga_comes() -> None:
    bench = Bench()
    bench.say(rmc(status="V"), START)
    assert bench.state(no_fix, START, "no-fix") == "fail"
    bench.say(rmc(), START + SECOND)
    assert bench.ask(no_fix, START + SECOND)["no-fix", ""].state == "pass"


@pytest.mark.parametrize(
    ("id_", "right", "wrong", "measured"),
    [
        ("quality-not-accepted", {"quality": 8}, {"quality": 9}, 9),
        ("age-high", {"age": "60.0"}, {"age": "60.1"}, 60.1),
        ("satellites-few", {"satellites": "04"}, {"satellites": "03"}, 3),
        ("hdop-high", {"hdop": "4.0"}, {"hdop": "4.1"}, 4.1),
    ],
)
def test_figures_of_the_fix_at_their_limits(
    id_: str, right: dict[str, Any], wrong: dict[str, Any], measured: float
) -> None:
    bench = Bench()
    bench.say(gga(**right), START)
    assert bench.state(fix_figures, START, id_) == "pass"
    bench.say(gga(**wrong), START + SECOND)
    check = bench.ask(fix_figures, START + SECOND)[id_, ""]
    assert (check.state, check.measured, check.at_ns) == ("fail", measured, START + SECOND)
    bench.say(gga(**(wrong | {"quality": 0})), START + 2 * SECOND)
    assert bench.state(fix_figures, START + 2 * SECOND, id_) == "unknown"  # without a fix no-fix tells it


def test_figures_that_are_not_sent_are_unknown_and_those_not_asked_are_not_told() -> None:
    bench = Bench()
    bench.say(gga(age="", hdop="", satellites=""), START)
    checks = bench.ask(fix_figures, START)
    assert {id_ for (id_, _), check in checks.items() if check.state == "unknown"} == {
        "age-high", "hdop-high", "satellites-few",
    }  # fmt: skip
    bare = replace(
        USUAL, qualities=frozenset(), age_most_s=None, satellites_least=None, hdop_most=None, decimals_least=None
    )
    asked = Bench(bare)
    asked.say(gga(), START)
    assert asked.ask(fix_figures, START) == {}


@pytest.mark.parametrize(("least", "state"), [(8, "pass"), (9, "fail")])
def test_decimals_at_their_limit(least: int, state: str) -> None:
    bench = Bench(replace(USUAL, decimals_least=least))
    bench.say(gga(), START)
    assert bench.state(fix_figures, START, "decimals-few") == state


def test_a_long_sentence_fails_for_ten_seconds_and_ends_with_the_last() -> None:
    length = len(gga())
    bench = Bench(replace(USUAL, sentence_length_most=length))
    assert bench.state(sentence_long, START, "sentence-long") == "unknown"
    bench.say(gga(), START)
    assert bench.state(sentence_long, START, "sentence-long") == "pass"
    bench.say(gga(height="1000.0"), START + SECOND)
    bench.say(gga(), START + 2 * SECOND)
    check = bench.ask(sentence_long, START + 2 * SECOND)["sentence-long", ""]
    assert (check.state, check.measured, check.over_ns) == ("fail", length + 1, START + SECOND)
    assert check.says.startswith(f"GGA had {length + 1} characters")
    bench.say(gga(), START + 10 * SECOND)
    assert bench.state(sentence_long, START + 11 * SECOND - 1, "sentence-long") == "fail"
    assert bench.state(sentence_long, START + 11 * SECOND, "sentence-long") == "pass"


def test_long_sentences_of_many_lengths_are_long_as_long_as_they_come() -> None:
    """The longest came first; shorter ones, too long as well, go on for more than ten seconds."""
    bench = Bench(replace(USUAL, sentence_length_most=len(gga())))
    bench.say(gga(height="10000.0"), START)
    for n in range(1, 130):
        bench.say(gga(height="1000.0"), START + n * SECOND // 5)
        check = bench.ask(sentence_long, START + n * SECOND // 5)["sentence-long", ""]
        assert (check.state, check.over_ns) == ("fail", START + n * SECOND // 5)


def test_length_is_asked_of_the_messages_named_or_of_all() -> None:
    odd = sealed("GNTXT," + "x" * 200)
    named, none = Bench(), Bench(replace(USUAL, messages={}))
    for bench in (named, none):
        bench.say(odd, START)
    assert named.state(sentence_long, START, "sentence-long") == "unknown"
    assert none.state(sentence_long, START, "sentence-long") == "fail"


def test_load_at_its_limit() -> None:
    """480 bytes a second of 9600 baud at 8N1 are half of it."""
    bench = Bench(replace(USUAL, baud=9600, load_most=0.5))
    bench.meter.load.baud = 9600
    for n in range(41):
        bench.meter.feed(Chunk(b"x" * 48, START + n * SECOND // 10, 1_041_667))
        if n == 19:
            assert bench.state(load_high, START + SETTLE_NS - 1, "load-high") == "unknown"
    check = bench.ask(load_high, START + 4 * SECOND)["load-high", ""]
    assert check.state == "pass"
    assert check.measured == pytest.approx(0.5, abs=0.01)
    bench.meter.feed(Chunk(b"x" * 20, START + 4 * SECOND + 60_000_000, 1_000_000))
    assert bench.state(load_high, START + 4 * SECOND + 90_000_000, "load-high") == "fail"
    assert Bench().state(load_high, START + 9 * SECOND, "load-high") == "unknown"


def test_a_date_may_stay_away_for_ten_seconds() -> None:
    bench = Bench()
    assert bench.state(date_missing, START + DATE_NS, "date-missing") == "unknown"
    assert bench.state(date_missing, START + DATE_NS + 1, "date-missing") == "fail"
    bench.say(rmc(), START + SECOND)
    assert bench.state(date_missing, START + SECOND + DATE_NS, "date-missing") == "pass"
    for n in range(50):
        bench.say(rmc(date=""), START + SECOND + n * SECOND // 2)
    check = bench.ask(date_missing, START + SECOND + DATE_NS + 1)["date-missing", ""]
    assert (check.state, check.at_ns) == ("fail", START + SECOND)
    assert Bench(replace(USUAL, date_required=False)).ask(date_missing, START + 99 * SECOND) == {}


def test_every_check_belongs_to_one_rule() -> None:
    """So that one rule cannot undo in a look what another has found."""
    bench = Bench()
    for n in range(30):
        bench.say(gga(), START + n * SECOND // 5)
        bench.say(rmc(), START + n * SECOND // 5 + 50_000_000)
    now = START + 6 * SECOND
    bench.meter.fix.take_fresh()
    bench.say(gga(), now)
    told: list[str] = []
    for rule in RULES:
        look = Look(USUAL, bench.meter, START, now, list(bench.meter.fix._fresh))
        told += sorted({check.id for check in rule(look)})
    assert len(told) == len(set(told))
    assert set(told) == set(SAYS) - ABOUT_THE_WIRE - TRUTH_IDS


def test_the_fix_may_fail_and_pass_between_two_looks() -> None:
    bench = Bench()
    judge = Judge(USUAL, START)
    spoilt = [(gga(), 0), (gga(quality=9), 1), (gga(), 2), (gga(quality=9), 3), (gga(), 4)]
    for raw, n in spoilt:
        bench.say(raw, START + n * SECOND // 10)
    first = {check.id: check for check in judge.look(bench.meter, START + SECOND // 2)}["quality-not-accepted"]
    assert (first.state, first.at_ns, first.over_ns) == ("fail", START + SECOND // 10, START + 4 * SECOND // 10)
    later = {check.id: check for check in judge.look(bench.meter, START + SECOND // 2 + 1)}["quality-not-accepted"]
    assert (later.state, later.at_ns) == ("pass", START + 4 * SECOND // 10)


def test_what_is_failing_is_told_first_and_in_order_of_importance() -> None:
    bench = Bench()
    bench.say(gga(quality=0)[:-4] + b"00\r\n", START)
    bench.say(gga(quality=0), START)
    found = Judge(USUAL, START).look(bench.meter, START + 500_000_000)
    states = [check.state for check in found]
    assert states == sorted(states, key=["fail", "unknown", "pass"].index)
    assert [check.id for check in found if check.state == "fail"] == ["checksum-bad", "no-fix"]
