"""What people are shown, as plain values: the parts of the live picture and of a judged recording."""

from __future__ import annotations

import json
import math

import pytest

from appliance import picture, picture_truth, plain
from appliance.judge import needs
from appliance.judge.check import Check
from appliance.judge.faults import Fault
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.wire import chunks
from appliance.watch import RECEIVER, Watch

SECOND = 1_000_000_000
ORIGIN_NS = 40 * SECOND
UTC_NS = 1_777_886_000 * SECOND  # 2026-05-04T09:13:20Z (`date -u -d @1777886000`)
USUAL = needs.load("rate-section")
# It drives: its second 300 is second 0 here.
SAID = [burst._replace(due_s=burst.due_s - 300) for burst in Receiver(ReceiverSettings(), Drive(1), 1).epochs(300, 330)]


def watched(seconds: float, arrival_measured: bool = True) -> Watch:
    watch = Watch(USUAL, {RECEIVER: 38400}, ORIGIN_NS, arrival_measured=arrival_measured)
    for chunk in chunks([burst for burst in SAID if burst.due_s < seconds], 38400, origin_ns=ORIGIN_NS):
        watch.feed(RECEIVER, chunk)
        while watch.due(chunk.end_ns):
            watch.look(watch.next_look_ns)
    return watch


NOW_NS = ORIGIN_NS + 20 * SECOND


@pytest.mark.parametrize(
    ("value", "digits", "shown"),
    [(1.26, 1, 1.3), (None, 1, None), (math.nan, 1, None), (math.inf, 2, None), (-math.inf, 2, None), (2, 3, 2)],
)
def test_numbers_for_json(value: float | None, digits: int, shown: float | None) -> None:
    assert plain.rounded(value, digits) == shown


@pytest.mark.parametrize(
    ("utc_ns", "text"),
    [
        (None, None),
        (UTC_NS, "2026-05-04T09:13:20.000Z"),
        (UTC_NS + 999_999_999, "2026-05-04T09:13:20.999Z"),
        (UTC_NS + 7_123_456, "2026-05-04T09:13:20.007Z"),
        (0, "1970-01-01T00:00:00.000Z"),
        (-1, "1969-12-31T23:59:59.999Z"),
    ],
)
def test_utc_as_text(utc_ns: int | None, text: str | None) -> None:
    assert plain.utc_text(utc_ns) == text


def test_the_verdict() -> None:
    watch = watched(20)
    assert picture.verdict(watch, NOW_NS) == {
        "state": "go", "since_s": 10.0, "says": "All that the controller needs is coming.", "clean_s": 20.0,
        "clean_run_s": 10.0,
    }  # fmt: skip


def test_a_check_and_a_fault() -> None:
    check = Check("gap", "GGA", "fail", 3.14159265, 0.6, note="has been")
    assert picture.check(check) == {
        "id": "gap", "line": RECEIVER, "message": "GGA", "state": "fail", "measured": 3.1416, "needed": 0.6,
        "unit": "s", "says": check.says,
    }  # fmt: skip
    fault = Fault("gap", RECEIVER, "GGA", 45 * SECOND, None, "It is away.", 3.1, 0.6, "s")
    lasting = picture.fault(fault, ORIGIN_NS, UTC_NS)
    assert (lasting["start_s"], lasting["end_s"], lasting["end_utc"]) == (5.0, None, None)
    assert lasting["start_utc"] == "2026-05-04T09:14:05.000Z"
    fault.end_ns = 46_123_456_789
    over = picture.fault(fault, ORIGIN_NS, None)
    assert (over["end_s"], over["start_utc"], over["end_utc"]) == (6.123, None, None)


def test_a_check_is_shown_as_it_is_and_not_as_one_that_equals_it() -> None:
    """1 and 1.0 are equal, and written differently; a sentence already made, and figures, are not to be made again."""
    figures: dict[str, float | str] = {"source": "VTG", "track_mps": 2.0}
    checks = [
        Check("gap", "GGA", "pass", 1, 2), Check("gap", "GGA", "pass", 1.0, 2), Check("gap", "GGA", "fail", 1.0, 2),
        Check("gap", "GGA", "fail", 1.0, 2, told="As it was."), Check("gap", "VTG", "pass", 1, 2),
        Check("position-frozen", "", "fail", 3.0, note="standing", figures=figures),
    ]  # fmt: skip
    for one in [*checks, *checks]:
        shown = picture.check(one)
        assert (shown["says"], shown["state"], shown["message"]) == (one.says, one.state, one.message)
        assert repr(shown["measured"]) == repr(one.measured)


def test_messages_needed_first_in_the_order_of_the_needs() -> None:
    watch = watched(20)
    for odd in (b"$GNXTE,A,A,0.67,L,N*71\r\n", b"$GPGST,195959.00,0.30,0.36,0.26,283.74,0.26,0.36,0.68*68\r\n"):
        watch.feed(RECEIVER, Chunk(odd, NOW_NS - 10_000_000, 100))
    rows = picture.messages(watch.receiver, USUAL, NOW_NS, fields=True)
    assert [row["type"] for row in rows] == ["GGA", "VTG", "RMC", "ZDA", "GST", "XTE"]
    gga, other = rows[0], rows[-1]
    assert (gga["talker"], gga["count"], gga["bad"], gga["needed_hz"]) == ("GN", 100, 0, 5.0)
    for key in ("rate_hz", "rate_60_hz", "rate_watch_hz"):
        assert gga[key] == pytest.approx(5.0, abs=0.01)
    assert gga["median_interval_s"] == pytest.approx(0.2, rel=0.06)
    assert gga["longest_gap_s"] == pytest.approx(0.2, abs=0.01)
    assert gga["jitter_s"] == pytest.approx(0.0, abs=0.003)
    assert gga["last_s"] == pytest.approx(0.15, abs=0.02)
    assert dict(gga["fields"])
    assert (other["needed_hz"], other["longest_gap_s"], other["rate_hz"]) == (None, None, None)
    assert other["words"] == "Cross-Track Error, Measured"
    assert "fields" not in picture.messages(watch.receiver, USUAL, NOW_NS, fields=False)[0]


def test_the_fix() -> None:
    shown = picture.fix(watched(20).receiver.fix)
    assert (shown["quality"], shown["quality_words"], shown["satellites"], shown["decimals"]) == (4, "RTK fixed", 18, 8)
    assert shown["seconds_by_quality"] == {"4": pytest.approx(19.8, abs=0.01)}
    assert shown["latitude_deg"] == pytest.approx(52.1, abs=0.02)
    assert shown["speed_mps"] > 1
    assert shown["time_utc"] == "09:17:19.8"  # 20 s from 09:12:00 + 300 s
    assert shown["date_utc"] == "2026-05-04"


def test_a_line_that_never_spoke_is_shown_all_the_same() -> None:
    watch = Watch(USUAL, {RECEIVER: 38400}, ORIGIN_NS)
    row = picture.line(watch.receiver, USUAL, NOW_NS)
    assert (row["silence_s"], row["messages"], row["load_mean"]) == (None, [], None)
    assert row["bytes"] == {"total": 0, "framed": 0, "junk": 0}
    assert row["fix"]["quality"] is None
    assert row["fix"]["quality_words"] == ""
    assert row["fix"]["time_utc"] is row["fix"]["date_utc"] is None
    json.dumps(row, allow_nan=False)


def test_a_line_that_speaks() -> None:
    watch = watched(20)
    watch.feed(RECEIVER, Chunk(b"stray$GNGGA,1*00\r\n", NOW_NS - SECOND, 1000))
    row = picture.line(watch.receiver, USUAL, NOW_NS)
    total = sum(len(burst.data) for burst in SAID if burst.due_s < 20) + 18
    assert row["bytes"] == {"total": total, "framed": total - 5, "junk": 5}
    assert row["damaged"] == {"start-missing": 1, "checksum-bad": 1}
    assert row["messages"][0]["bad_by_reason"] == {"checksum-bad": 1}
    assert row["bytes_per_s"] == pytest.approx(total / 20, rel=0.05)
    assert row["load_mean"] == pytest.approx(total * 10 / 38400 / 20, rel=0.01)
    assert row["load_worst"] == pytest.approx(0.21, abs=0.02)
    assert row["longest_silence_s"] == pytest.approx(0.15, abs=0.03)
    assert row["silence_s"] == pytest.approx(1.0, abs=0.01)
    assert (row["baud"], row["format"]) == (38400, "8N1")
    json.dumps(row, allow_nan=False)


def test_without_times_of_arrival_no_load_silence_or_jitter_is_shown() -> None:
    watch = watched(20, arrival_measured=False)
    row = picture.line(watch.receiver, USUAL, NOW_NS)
    assert row["load_mean"] is row["load_worst"] is row["longest_silence_s"] is None
    assert row["messages"][0]["jitter_s"] is row["messages"][0]["jitter_p95_s"] is None


@pytest.mark.parametrize(
    ("offset_s", "wall_s", "ahead_s"),
    [
        (None, 0.0, None),
        (-33_200.0, 33_200.25, 0.25),
        (-33_200.0, 1_777_886_000.0 - 0.5, -0.5),  # 1777886000 is 09:13:20, 33,200 s of day
        (43_000.0, 43_300.0, -100.0),  # the day is a ring
    ],
)
def test_how_far_the_boxs_own_clock_is_ahead(offset_s: float | None, wall_s: float, ahead_s: float | None) -> None:
    assert picture_truth.box_ahead_s(offset_s, round(wall_s * SECOND)) == ahead_s
