"""Dates that went wrong in the world, and sentences that were sent at a leap second."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest

from appliance.measure.calendar import ROLL_DAYS, Calendar
from appliance.measure.epoch import Epochs
from appliance.measure.time import UtcAnchor
from appliance.measure.trouble import Troubles
from appliance.recording import plain
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Sentence, parse

SECOND = 1_000_000_000
LEAP = b"$GPRMC,235960,A,4913.2303,N,12305.9333,W,000.0,169.8,311298,019.6,E*65\r\n"
"""As published in sci.geo.satellite-nav on 1999-01-01."""


def sealed(body: str) -> bytes:
    return b"$%b*%02X\r\n" % (body.encode(), checksum(body.encode()))


def rmc(clock: str, day: date) -> bytes:
    return sealed(f"GPRMC,{clock},A,4913.2303,N,12305.9333,W,000.0,169.8,{day:%d%m%y},019.6,E")


def zda(clock: str, day: date) -> bytes:
    return sealed(f"GPZDA,{clock},{day:%d,%m,%Y},00,00")


def heard(rows: list[bytes], earliest: date | None) -> tuple[Troubles, UtcAnchor]:
    """One sentence each second at 4800 baud."""
    troubles, epochs, anchor, framer = Troubles(), Epochs(), UtcAnchor(), Framer()
    calendar = Calendar(troubles, earliest)
    for second, row in enumerate(rows):
        closed = epochs.tick(second * SECOND)
        for frame in framer.feed(Chunk(row, second * SECOND, 2_083_333)):
            sentence = parse(frame)
            assert isinstance(sentence, Sentence)
            closed += epochs.add(sentence)
        for epoch in closed + (epochs.flush() if second == len(rows) - 1 else []):
            calendar.take(epoch)
            anchor.take(epoch, calendar.trusted(epoch))
    return troubles, anchor


FIRST_WEEK = date(1980, 1, 6)
"""When the weeks of GPS began (IS-GPS-200)."""


@pytest.mark.parametrize(
    ("true", "shown"),
    [
        # The nights of the two roll-overs that there were (published by the operator of the system, 1999 and 2019).
        (date(1999, 8, 22), FIRST_WEEK),
        (date(2019, 4, 7), date(1999, 8, 22)),
        (date(2026, 8, 29), date(2007, 1, 13)),
    ],
)
@pytest.mark.parametrize("said", [rmc, zda])
def test_a_date_of_the_week_before_is_named_with_the_true_one(
    true: date, shown: date, said: Callable[[str, date], bytes]
) -> None:
    assert true - shown == timedelta(days=ROLL_DAYS)
    assert (true - FIRST_WEEK).days % ROLL_DAYS == (shown - FIRST_WEEK).days % ROLL_DAYS
    troubles, anchor = heard([said(f"1200{n:02d}", shown) for n in range(20)], true - timedelta(days=30))
    rolled = troubles.lasting["date-rolled-over"]
    assert rolled.measured == 7168
    assert rolled.figures["says"] == shown.isoformat()
    assert rolled.figures["implies"] == true.isoformat()
    assert anchor.offset_ns is None
    # And on the night itself, with no earliest date known.
    night = [said(f"2359{n:02d}", true - timedelta(days=1)) for n in range(45, 60)]
    night += [said(f"0000{n:02d}", shown) for n in range(15)]
    troubles, anchor = heard(night, None)
    assert troubles.lasting["date-rolled-over"].figures["implies"] == true.isoformat()
    assert set(troubles.lasting) == {"date-rolled-over"}
    assert not troubles.take_ended()


def test_the_next_roll_over_is_where_it_is_expected() -> None:
    assert date(2019, 4, 7) + timedelta(days=ROLL_DAYS) == date(2038, 11, 21)


def test_the_leap_second_of_1998_is_no_fault() -> None:
    before, after = date(1998, 12, 31), date(1999, 1, 1)
    rows = [rmc(f"2359{n:02d}", before) for n in range(45, 60)] + [LEAP]
    rows += [rmc(f"0000{n:02d}", after) for n in range(15)]
    assert rmc("235960", before) == LEAP
    troubles, anchor = heard(rows, None)
    assert not troubles.lasting
    assert not troubles.take_ended()
    assert "clock-back" in troubles.fine_ns
    assert anchor.offset_ns is not None


def test_a_second_sent_twice_is_no_fault() -> None:
    """00:00:00 twice, the other way in which receivers tell a leap second."""
    before, after = date(2016, 12, 31), date(2017, 1, 1)
    rows = [rmc(f"2359{n:02d}", before) for n in range(45, 60)] + [rmc("000000", after)] * 2
    rows += [rmc(f"0000{n:02d}", after) for n in range(1, 15)]
    troubles, _ = heard(rows, None)
    assert not troubles.lasting
    assert not troubles.take_ended()
    elsewhere = [rmc(f"1200{n:02d}", after) for n in range(20)]
    told, _ = heard(elsewhere[:12] + elsewhere[11:], None)
    assert [(t.kind, t.measured) for t in told.take_ended()] == [("clock-late", 1)]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["road-vehicle-2s.nmea", "rtk-class-1hz.nmea"])
def test_the_clocks_of_real_receivers_are_in_order(recordings: Path, name: str) -> None:
    """Over midnight and gaps of up to 1250 s; neither stands nor steps, and their dates hold."""
    troubles, epochs, framer = Troubles(), Epochs(), Framer()
    calendar, trusted, count = Calendar(troubles, None, arrival_measured=False), 0, 0
    for piece in plain(recordings / name):
        for frame in framer.feed(piece.chunk):
            sentence = parse(frame)
            assert isinstance(sentence, Sentence)
            for epoch in epochs.add(sentence):
                calendar.take(epoch)
                count += 1
                trusted += calendar.trusted(epoch)
    assert not troubles.lasting
    assert not troubles.take_ended()
    assert "clock-back" in troubles.fine_ns
    assert trusted > 0.95 * count
