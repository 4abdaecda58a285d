"""UTC from the line: proved by agreement, nearest the truth where the delay is least, and not led astray."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.measure.calendar import Calendar
from appliance.measure.epoch import Epoch
from appliance.measure.meter import LineMeter, MeterSettings
from appliance.measure.time import AGREE_NS, PROVED_COUNT, RECEIVER_DELAY_S, UtcAnchor, utc_ns
from appliance.measure.trouble import Troubles
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.sentence.types import RMC, ZDA

FEWER = settings(max_examples=max(60, settings().max_examples // 10))
"""Of the long draws: a tenth of the examples that the profile asks for, which is a thousand in CI."""

SECOND = 1_000_000_000
TRUE_OFFSET = 1_777_886_000 * SECOND  # UTC minus the box's monotonic clock
START = 500 * SECOND


def anchor(*said: tuple[float, float]) -> UtcAnchor:
    """From pairs: the second named, and how late it came."""
    made = UtcAnchor()
    for second, delay_s in said:
        made.add(TRUE_OFFSET + round(second * SECOND), round((second + delay_s) * SECOND))
    return made


@FEWER
@given(st.datetimes(datetime(1980, 1, 1), datetime(2099, 12, 31)))
def test_utc_ns_is_the_calendar_of_the_standard_library(naive: datetime) -> None:
    utc = naive.replace(tzinfo=UTC)
    time_s = utc.hour * 3600 + utc.minute * 60 + utc.second
    microseconds = (utc.replace(microsecond=0) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    assert utc_ns((utc.year, utc.month, utc.day), time_s) == microseconds * 1000
    fine = utc_ns((utc.year, utc.month, utc.day), time_s + utc.microsecond / 1e6)
    assert fine is not None
    assert abs(fine - microseconds * 1000 - utc.microsecond * 1000) <= 1  # a double of 86,400 s is good to 15 ps


@pytest.mark.parametrize("date", [(1, 1, 1), (1677, 12, 31), (2262, 1, 1), (9999, 12, 31)])
def test_a_day_that_history_could_not_keep_has_none_either(date: tuple[int, int, int]) -> None:
    """ZDA tells the year in four digits; a time in ns since 1970 must fit into 64 bits."""
    assert utc_ns(date, 0.0) is None
    for kept in ((1678, 1, 1), (2261, 12, 31)):
        assert abs(utc_ns(kept, 86_400.0) or 2**64) < 2**63


def test_a_receiver_that_tells_the_year_9999_dates_nothing() -> None:
    meter = LineMeter(MeterSettings(4800))
    for second in range(30):
        body = b"GPZDA,1200%02d.00,31,12,9999,00,00" % second
        meter.feed(Chunk(b"$%s*%02X\r\n" % (body, checksum(body)), START + second * SECOND, 1000))
        meter.truth.tick(START + second * SECOND + SECOND // 2)
    assert meter.utc.offset_ns is None


@pytest.mark.parametrize("date", [(2026, 2, 29), (2026, 13, 1), (2026, 4, 31), (0, 1, 1), (2026, 0, 1), (2026, 1, 0)])
def test_a_day_that_never_was_has_no_utc(date: tuple[int, int, int]) -> None:
    assert utc_ns(date, 0.0) is None


def test_four_agreeing_sentences_prove_the_clock() -> None:
    made = UtcAnchor()
    for second in range(PROVED_COUNT):
        assert made.offset_ns is None
        assert made.uncertainty_s is None
        made.add(TRUE_OFFSET + second * SECOND, second * SECOND + 1000)
    assert made.offset_ns == TRUE_OFFSET - 1000
    assert made.uncertainty_s == pytest.approx(RECEIVER_DELAY_S)
    assert PROVED_COUNT == 4


@FEWER
@given(st.lists(st.integers(0, AGREE_NS // 2), min_size=4, max_size=150))
def test_the_offset_is_that_of_the_least_delay_of_the_last_64(delays: list[int]) -> None:
    """A delay only ever adds, so the offset is never too great, and too small by the least delay seen."""
    made = UtcAnchor()
    for second, delay_ns in enumerate(delays):
        made.add(TRUE_OFFSET + second * SECOND, second * SECOND + delay_ns)
    assert made.offset_ns == TRUE_OFFSET - min(delays[-64:])
    assert made.uncertainty_s is not None
    assert made.uncertainty_s == pytest.approx((max(delays[-64:]) - min(delays[-64:])) / SECOND + RECEIVER_DELAY_S)
    assert 0 <= TRUE_OFFSET - made.offset_ns <= made.uncertainty_s * SECOND


def test_the_least_delay_is_forgotten_after_64_sentences() -> None:
    delays = [0.01] + [0.2] * 64
    assert anchor(*enumerate(delays[:64])).offset_ns == TRUE_OFFSET - 10_000_000
    assert anchor(*enumerate(delays)).offset_ns == TRUE_OFFSET - 200_000_000


def test_disagreeing_sentences_prove_nothing() -> None:
    dice = Random(1)
    made = UtcAnchor()
    for second in range(1000):
        made.add(TRUE_OFFSET + dice.randrange(10**6) * SECOND * 2, second)
        assert made.offset_ns is None


@pytest.mark.parametrize("wrong_s", [0.6, -0.6, 1.0, -86_400.0, 86_400.0, -7168 * 86_400.0, 1e9])
def test_a_wrong_sentence_now_and_then_moves_nothing(wrong_s: float) -> None:
    """Also three running, as long as right ones lie between."""
    made = anchor(*((second, 0.05) for second in range(10)))
    right = made.offset_ns
    assert right == TRUE_OFFSET - 50_000_000
    for second in range(10, 400):
        wrong = second % 11 in (0, 1, 2)
        made.add(TRUE_OFFSET + round((second + wrong_s * wrong) * SECOND), round((second + 0.05) * SECOND))
        assert made.offset_ns == right


def test_a_jump_is_proved_anew() -> None:
    """Leap seconds that the receiver learns some minutes after a cold start: from then on the new offset holds."""
    made = anchor(*((second, 0.05) for second in range(20)))
    before = made.offset_ns
    assert before is not None
    for number, second in enumerate(range(20, 30)):
        made.add(TRUE_OFFSET + (second - 18) * SECOND, round((second + 0.05) * SECOND))
        assert made.offset_ns == (before if number < PROVED_COUNT - 1 else before - 18 * SECOND)


def test_a_slope_between_the_clocks_is_followed() -> None:
    """200 ppm over a day are 17 s: the offset at each moment is right to 64 sentences of it and the delay."""
    made = UtcAnchor()
    for second in range(0, 86_400, 1):
        made.add(TRUE_OFFSET + second * SECOND + second * 200_000, second * SECOND + 30_000_000)
    assert made.offset_ns == pytest.approx(TRUE_OFFSET + 86_399 * 200_000, abs=64 * 200_000 + 30_000_000)


def sealed(body: str) -> bytes:
    return b"$%b*%02X\r\n" % (body.encode(), checksum(body.encode()))


def rmc(clock: str, date: str, status: str = "A") -> bytes:
    return sealed(f"GPRMC,{clock},{status},4913.2303,N,12305.9333,W,000.0,169.8,{date},019.6,E")


BEHIND = PROVED_COUNT + 1


def heard(rows: list[bytes]) -> tuple[LineMeter, list[int | None]]:
    """One sentence each second at 4800 baud, and the offset after each: of the epochs over by then, so one behind; and
    the first epoch, which may have been joined in its middle, proves nothing."""
    meter, offsets = LineMeter(MeterSettings(4800)), []
    for second, row in enumerate(rows):
        meter.feed(Chunk(row, START + second * SECOND, 2_083_333))
        offsets.append(meter.utc.offset_ns)
    return meter, offsets


def unix_ns(*when: int) -> int:
    return int(datetime(*when, tzinfo=UTC).timestamp()) * SECOND  # type: ignore[misc, arg-type]


def test_midnight_is_no_jump() -> None:
    rows = [rmc(f"2359{second:02d}", "311225") for second in range(50, 60)]
    rows += [rmc(f"0000{second:02d}", "010126") for second in range(10)]
    offset = unix_ns(2025, 12, 31, 23, 59, 50) - START
    assert heard(rows)[1][BEHIND:] == [offset] * (20 - BEHIND)


def test_a_leap_second_is_proved_anew_within_four() -> None:
    """`$GPRMC,235960,A,4913.2303,N,12305.9333,W,000.0,169.8,311298,019.6,E*65` as published in sci.geo.satellite-nav on
    1999-01-01. UNIX time counts no leap second, so the offset is one second less from then on."""
    leap = b"$GPRMC,235960,A,4913.2303,N,12305.9333,W,000.0,169.8,311298,019.6,E*65\r\n"
    assert rmc("235960", "311298") == leap
    rows = [rmc(f"2359{second:02d}", "311298") for second in range(50, 60)]
    rows += [leap] + [rmc(f"0000{second:02d}", "010199") for second in range(10)]
    meter, offsets = heard(rows)
    before = unix_ns(1998, 12, 31, 23, 59, 50) - START
    assert offsets[BEHIND:15] == [before] * (15 - BEHIND)
    assert offsets[15:] == [before - SECOND] * 6
    assert meter.errors.total == 0


def test_only_a_receiver_with_a_fix_or_zda_is_trusted() -> None:
    void = [rmc(f"1200{second:02d}", "040526", "V") for second in range(10)]
    assert heard(void)[1] == [None] * 10
    undated = [sealed(f"GPZDA,1200{second:02d}.00,,,,00,00") for second in range(10)]
    assert heard(undated)[1] == [None] * 10
    untimed = [sealed("GPZDA,,04,05,2026,00,00")] * 10
    assert heard(untimed)[1] == [None] * 10
    never = [sealed(f"GPZDA,1200{second:02d}.00,31,02,2026,00,00") for second in range(10)]
    assert heard(never)[1] == [None] * 10
    dated = [sealed(f"GPZDA,1200{second:02d}.00,04,05,2026,00,00") for second in range(10)]
    assert heard(dated)[1][BEHIND:] == [unix_ns(2026, 5, 4, 12, 0, 0) - START] * (10 - BEHIND)


def test_the_time_of_a_sentence_is_that_of_its_first_character() -> None:
    """At 4800 baud the last character of an RMC is 0.15 s behind it."""
    meter, offsets = heard([rmc(f"1200{second:02d}", "040526") for second in range(BEHIND + 1)])
    assert offsets[-1] == unix_ns(2026, 5, 4, 12, 0, 0) - START
    assert meter.messages["GP", "RMC"].rate.first_ns > START + SECOND // 10


EARLIEST = date(2026, 1, 1)


def timed(utc: datetime, at_s: float, status: str = "A") -> Epoch:
    seconds = utc.hour * 3600 + utc.minute * 60 + utc.second
    day = utc.year, utc.month, utc.day
    rmc = RMC(seconds, status, 52.1, -1.2, 2.0, 81.0, day, None, "A", None, 5)
    at_ns = round(at_s * SECOND)
    return Epoch(seconds, at_ns, at_ns + 50_000_000, [], {"RMC": rmc})


def dated(said: list[datetime], earliest: date | None = EARLIEST) -> list[float | None]:
    """What the anchor makes of each of these, one a second, in seconds from what is right."""
    calendar, made = Calendar(Troubles(), earliest), UtcAnchor()
    offsets: list[float | None] = []
    for second, utc in enumerate(said):
        epoch = timed(utc, second)
        calendar.take(epoch)
        made.take(epoch, calendar.trusted(epoch))
        offsets.append(None if made.offset_ns is None else made.offset_ns / SECOND - NOON.timestamp())
    return offsets


NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
RUNS_ON = [NOON + timedelta(seconds=n) for n in range(900)]


def test_epochs_that_the_calendar_trusts_date_the_watch() -> None:
    offsets = dated(RUNS_ON[:20])
    assert offsets[: PROVED_COUNT - 1] == [None] * (PROVED_COUNT - 1)
    assert set(offsets[PROVED_COUNT:]) == {0.0}


@pytest.mark.parametrize(
    "wrong",
    [
        timedelta(days=-7168),
        timedelta(days=-2 * 7168),
        timedelta(days=-400),  # what a clock without a battery begins with
    ],
)
def test_a_date_before_the_earliest_never_dates(wrong: timedelta) -> None:
    assert set(dated([utc + wrong for utc in RUNS_ON[:60]])) == {None}
    mixed = dated([utc + (wrong if 30 <= n < 60 else timedelta()) for n, utc in enumerate(RUNS_ON[:90])])
    assert set(mixed[PROVED_COUNT:]) == {0.0}


@pytest.mark.parametrize("wrong_s", [3600.0, -3600.0, 40.0, -86_400.0, 18.0])
def test_a_clock_that_steps_away_and_back_never_dates(wrong_s: float) -> None:
    wrong = timedelta(seconds=wrong_s)
    offsets = dated([utc + (wrong if 30 <= n < 300 else timedelta()) for n, utc in enumerate(RUNS_ON[:400])])
    assert set(offsets[PROVED_COUNT:]) == {0.0}


def test_a_clock_that_steps_again_and_again_never_dates() -> None:
    stepping = [utc + timedelta(minutes=7 * (n // 20)) for n, utc in enumerate(RUNS_ON[:400])]
    assert set(dated(stepping)[PROVED_COUNT:]) == {0.0}


def test_leap_seconds_that_are_learned_date_anew() -> None:
    offsets = dated([utc + timedelta(seconds=18 if n < 100 else 0) for n, utc in enumerate(RUNS_ON[:150])])
    assert offsets[50] == 18.0
    assert offsets[110] == 0.0


def test_two_dates_on_the_line_never_date() -> None:
    calendar, made = Calendar(Troubles(), None), UtcAnchor()
    for second, utc in enumerate(RUNS_ON[:60]):
        epoch = timed(utc, second)
        other = utc + timedelta(days=1)
        epoch.contents["ZDA"] = ZDA(epoch.time_s, (other.year, other.month, other.day), 0, 0)
        calendar.take(epoch)
        made.take(epoch, calendar.trusted(epoch))
    assert made.offset_ns is None
