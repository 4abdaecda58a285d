"""Judging a recording: the same as live in every form; the result's shape; what the real recordings hold."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from appliance import check
from appliance.check import Recording
from appliance.history.reader import History
from appliance.history.rows import WatchStart
from appliance.history.writer import HistoryWriter
from appliance.judge import needs
from appliance.judge.faults import Fault
from appliance.recording import Recorded, RecordingError
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell, apply
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.wire import chunks
from appliance.source import Source, open_source
from appliance.take.text import lines
from appliance.watch import CONTROLLER, RECEIVER, Watch

SECOND = 1_000_000_000
ORIGIN_NS = 5_000 * SECOND
UTC_NS = 1_777_886_000 * SECOND
USUAL = needs.load("rate-section")
STORY = (
    Spell("message-off", 12, 14, what="VTG"),
    Spell("silence", 20, 23),
    Spell("quality", 30, 32, 9),
    Spell("slow", 40, 45, 2, "GGA"),
)
Run = Callable[..., dict[str, Any]]


def simulated(*spells: Spell, seconds: float = 60.0, **settings: Any) -> list[Chunk]:
    bursts = Receiver(ReceiverSettings(**settings), Drive(1), 1).epochs(0, seconds)
    return list(chunks(apply(bursts, spells, 1), 38400, origin_ns=ORIGIN_NS, most_bytes=48, most_s=1.0))


def judged(path: Path, sheet: str = "rate-section", watch: int | None = None) -> dict[str, Any]:
    loaded = needs.load(sheet)
    recording = Recording(open_source(path, loaded, watch), loaded)
    recording.run()
    return recording.result()


def test_of_a_long_log_it_is_told_which_hours_were_asked(tmp_path: Path) -> None:
    path = tmp_path / "log.nmea"
    path.write_bytes(b"".join(chunk.data for chunk in simulated()))
    recording = Recording(open_source(path, USUAL), USUAL)
    recording.run()
    assert not any("hours" in note for note in recording.result()["notes"])
    recording.gathered.dropped = True
    assert "asked of the last 72 hours" in recording.result()["notes"][-1]


def test_times_past_those_that_history_can_keep_are_judged_as_any_others() -> None:
    late = [Chunk(one.data, one.start_ns + 2**63, one.step_ns) for one in simulated(*STORY)]
    found = []
    for pieces in (simulated(*STORY), late):
        recording = Recording(Source((Recorded(RECEIVER, one) for one in pieces), 0, True, None, name="a line"), USUAL)
        recording.run()
        found.append(recording.result())
    assert found[1]["faults"] == found[0]["faults"]
    assert found[1]["verdict"] == "no-go"


def history_of(path: Path, pieces: list[Chunk], *, dated: bool = True) -> Path:
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(ORIGIN_NS, UTC_NS + ORIGIN_NS, "rate-section", "", "Tractor 3", "0"))
        if dated:
            writer.date_watch(UTC_NS, 0.01)
        for number, piece in enumerate(pieces):
            writer.add_chunk(RECEIVER, piece)
            if number % 500 == 0:
                writer.commit()
        writer.end_watch(pieces[-1].end_ns)
    return path


def tagged_of(history: Path, path: Path) -> Path:
    with History(history) as opened:
        watch = opened.latest()
        assert watch is not None
        path.write_bytes(b"".join(lines(opened, watch, RECEIVER)))
    return path


def live(pieces: list[Chunk]) -> list[Fault]:
    watch, found = Watch(USUAL, {RECEIVER: 38400}, pieces[0].start_ns), []
    for piece in pieces:
        while watch.due(piece.end_ns):
            found += watch.look(watch.next_look_ns).opened
        watch.feed(RECEIVER, piece)
    watch.look(watch.last_ns)
    return found


@pytest.mark.slow
def test_live_history_and_text_find_the_same(tmp_path: Path) -> None:
    pieces = simulated(*STORY)
    kept = judged(history_of(tmp_path / "history.db", pieces))
    taken = judged(tagged_of(tmp_path / "history.db", tmp_path / "taken.nmea"))
    lived = [
        (
            fault.kind,
            fault.message,
            (fault.start_ns - pieces[0].start_ns) / 1e9,
            (fault.end_ns - pieces[0].start_ns) / 1e9,
        )
        for fault in live(pieces)
        if fault.end_ns is not None
    ]
    assert [kind for kind, *_ in lived] == ["gap", "silent", "quality-not-accepted", "rate-low"]
    for result in (kept, taken):
        found = [(one["kind"], one["message"], one["start_s"], one["end_s"]) for one in result["faults"]]
        assert [one[:2] for one in found] == [one[:2] for one in lived]
        for one, two in zip(found, lived, strict=True):
            # rates are dated by the look, whose instants start with the first byte in each
            assert one[2:] == pytest.approx(two[2:], abs=0.002 if one[0] != "rate-low" else 0.201)
        assert result["verdict"] == "no-go"
        assert result["arrival_measured"]
        assert result["notes"] == []
    counts = [[(one["talker"], one["type"], one["count"], one["bad"]) for one in r["messages"]] for r in (kept, taken)]
    assert counts[0] == counts[1]
    assert kept["bytes"] == taken["bytes"]
    assert kept["bytes"]["total"] == sum(len(piece.data) for piece in pieces)
    quality_s = [result["fix"].pop("seconds_by_quality") for result in (kept, taken)]
    assert quality_s[0] == pytest.approx(quality_s[1], abs=0.01)
    assert kept["fix"] == taken["fix"]


def test_a_plain_log_finds_what_needs_no_arrival(tmp_path: Path) -> None:
    path = tmp_path / "plain.nmea"
    path.write_bytes(b"".join(piece.data for piece in simulated(*STORY)))
    result = judged(path)
    assert not result["arrival_measured"]
    assert "Arrival was not measured" in result["notes"][0]
    found = [(one["kind"], one["message"], one["start_s"], one["end_s"]) for one in result["faults"]]
    # By the sentences' own UTC, in epochs of 0.2 s and a delay of 0.03 s: to the figure.
    cable_out = [("gap", "GGA", 19.8, 23.0), ("gap", "VTG", 19.8, 23.0)]
    cable_out += [("gap", "RMC", 19.0, 23.0), ("gap", "ZDA", 19.0, 23.0)]
    assert found[:1] == [("gap", "VTG", 11.8, 14.0)]
    assert sorted(found[1:5]) == sorted(cable_out)
    assert found[5] == ("quality-not-accepted", "", 30.0, 32.0)
    assert [one[:2] for one in found[6:]] == [("rate-low", "GGA")]
    states = {one["id"]: one["state"] for one in result["checks"]}
    assert states["silent"] == states["load-high"] == "unknown"
    assert all(one["jitter_s"] is None for one in result["messages"])
    assert result["load"] == {"mean": None, "worst": None}


TYPES: dict[str, Any] = {
    "verdict": str,
    "needs": str,
    "span": {"start_utc": (str, type(None)), "end_utc": (str, type(None)), "seconds": float},
    "bytes": {"total": int, "framed": int, "junk": int},
    "messages": [
        {
            "talker": str, "type": str, "count": int, "bad": int, "rate_hz": (float, type(None)),
            "longest_gap_s": (float, type(None)), "jitter_s": (float, type(None)),
            "jitter_floor_s": (float, type(None)),
        }
    ],
    "fix": {"seconds_by_quality": dict, "age_max_s": (float, type(None)), "decimals": (int, type(None))},
    "checks": [
        {
            "id": str, "state": str, "measured": (int, float, type(None)), "needed": (int, float, type(None)),
            "unit": str, "says": str,
        }
    ],
    "faults": [
        {
            "kind": str, "line": str, "start_s": float, "end_s": (float, type(None)), "start_utc": (str, type(None)),
            "says": str,
        }
    ],
}  # fmt: skip
"""The documented shape: these keys with these types are there; more may be."""


def assert_shape(value: Any, shape: Any) -> None:
    if isinstance(shape, dict):
        for key, inner in shape.items():
            assert_shape(value[key], inner)
    elif isinstance(shape, list):
        assert isinstance(value, list)
        for one in value:
            assert_shape(one, shape[0])
    else:
        assert isinstance(value, shape)
        assert not isinstance(value, bool)


@pytest.fixture(params=["plain", "tagged", "history", "undated history", "cold"])
def recorded(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    pieces = simulated(Spell("quality", 12, 14, 9), Spell("binary", 14, 14.1), seconds=16.0)
    history = history_of(tmp_path / "history.db", pieces, dated=request.param == "history")
    if "history" in request.param:
        yield history
    elif request.param == "tagged":
        yield tagged_of(history, tmp_path / "taken.nmea")
    else:
        cold = [Spell("no-fix", 0, 16)] if request.param == "cold" else []
        (tmp_path / "plain.nmea").write_bytes(b"".join(p.data for p in simulated(*cold, seconds=16.0)))
        yield tmp_path / "plain.nmea"


def test_the_result_has_the_documented_shape(recorded: Path) -> None:
    result = judged(recorded)
    assert_shape(result, TYPES)
    assert json.loads(json.dumps(result, allow_nan=False)) == result
    assert result["verdict"] in ("go", "no-go", "wait")
    assert {one["state"] for one in result["checks"]} <= {"pass", "fail", "unknown"}
    assert result["bytes"]["framed"] + result["bytes"]["junk"] == result["bytes"]["total"] > 0
    assert all(one["line"] == RECEIVER for one in result["faults"])
    assert all(quality.isdigit() for quality in result["fix"]["seconds_by_quality"])
    failed = {(one["kind"], one["message"]) for one in result["faults"]}
    assert {(one["id"], one["message"]) for one in result["checks"] if one["state"] == "fail"} == failed
    words = check.in_words(result)
    assert words.startswith(result["verdict"].upper())
    assert all(note in words for note in result["notes"])


def test_utc_and_seconds_of_the_span(tmp_path: Path) -> None:
    pieces = simulated(Spell("quality", 12, 14, 9), seconds=16.0)
    result = judged(history_of(tmp_path / "history.db", pieces))
    # 2026-05-04T09:13:20Z is `date -u -d @1777886000`; the watch begins 5000 s and its first byte 0.03 s later.
    assert result["span"]["start_utc"] == "2026-05-04T10:36:40.030Z"
    (fault,) = result["faults"]
    assert fault["start_utc"].startswith("2026-05-04T10:36:52.0")
    assert result["span"]["seconds"] == pytest.approx((pieces[-1].end_ns - pieces[0].start_ns) / 1e9, abs=0.001)
    assert result["fix"]["seconds_by_quality"] == {
        "4": pytest.approx(13.8, abs=0.01),
        "9": pytest.approx(2.0, abs=0.01),
    }


def test_an_undated_history_says_whose_clock_it_has(tmp_path: Path) -> None:
    result = judged(history_of(tmp_path / "history.db", simulated(seconds=12.0), dated=False))
    assert result["verdict"] == "go"
    assert "the box's own clock" in result["notes"][0]


def test_the_worst_of_each_check_is_told(tmp_path: Path) -> None:
    pieces = simulated(Spell("message-off", 12, 14, what="VTG"), Spell("message-off", 20, 25, what="VTG"), seconds=40.0)
    result = judged(history_of(tmp_path / "history.db", pieces))
    (told,) = [one for one in result["checks"] if one["state"] == "fail"]
    assert (told["id"], told["message"], told["measured"]) == ("gap", "VTG", pytest.approx(5.2, abs=0.01))
    assert [one["end_s"] - one["start_s"] for one in result["faults"]] == pytest.approx([2.2, 5.2], abs=0.01)
    assert "(2 times; the worst is told)" in check.in_words(result)


def test_the_other_line_of_a_history_is_not_judged(tmp_path: Path) -> None:
    pieces = simulated(seconds=15.0)
    with HistoryWriter(tmp_path / "history.db") as writer:
        writer.begin_watch(WatchStart(ORIGIN_NS, UTC_NS, "rate-section", "", "Tractor 3", "0"))
        for piece in pieces:
            writer.add_chunk(RECEIVER, piece)
        for second in range(15):
            writer.add_chunk(CONTROLLER, Chunk(b"$\xff\xff\r\n", ORIGIN_NS + second * SECOND, 1_000_000))
        writer.end_watch(pieces[-1].end_ns)
    result = judged(tmp_path / "history.db")
    assert result["verdict"] == "go"
    assert result["bytes"]["total"] == sum(len(piece.data) for piece in pieces)


def test_a_watch_is_chosen_or_the_latest_taken(tmp_path: Path) -> None:
    history_of(tmp_path / "history.db", simulated(Spell("quality", 12, 14, 9), seconds=16.0))
    history_of(tmp_path / "history.db", simulated(seconds=14.0))
    assert judged(tmp_path / "history.db")["verdict"] == "go"
    assert judged(tmp_path / "history.db", watch=1)["verdict"] == "no-go"


@pytest.mark.parametrize("cut", [1, 2, 5, 30, 80])
def test_a_recording_that_ends_within_a_sentence_is_no_fault_of_the_line(cut: int, tmp_path: Path) -> None:
    data = b"".join(piece.data for piece in simulated(seconds=15.0))[:-cut]
    (tmp_path / "cut.nmea").write_bytes(data)
    result = judged(tmp_path / "cut.nmea")
    assert (result["verdict"], result["faults"]) == ("go", [])
    assert result["bytes"] == {"total": len(data), "framed": len(data), "junk": 0}


def test_too_short_to_say(tmp_path: Path) -> None:
    result = judged(history_of(tmp_path / "history.db", simulated(seconds=5.0)))
    assert result["verdict"] == "wait"
    assert check.EXIT == {"go": 0, "no-go": 1, "wait": 2}
    assert "longer clean run" in check.why_wait(result)
    timeless = tmp_path / "timeless.nmea"
    timeless.write_bytes(b"$GPVTG,147.44,T,164.31,M,0.26,N,0.49,K,D*2C\r\n" * 50)
    result = judged(timeless, "speed-only")
    assert (result["verdict"], result["span"]["seconds"]) == ("wait", 0)
    assert "No sentence in the log tells a time" in result["notes"][1]
    assert "how much time passed" in check.why_wait(result)


def test_rows_without_a_time_are_noted(tmp_path: Path) -> None:
    path = tagged_of(history_of(tmp_path / "history.db", simulated(seconds=12.0)), tmp_path / "taken.nmea")
    rows = path.read_bytes().splitlines(keepends=True)
    (tmp_path / "one.nmea").write_bytes(b"".join([*rows[:40], rows[40].split(b"\\")[2], *rows[41:]]))
    assert judged(tmp_path / "one.nmea")["notes"] == [
        "1 row has no right time in a TAG block; taken as come with the row before."
    ]
    stripped = [row.split(b"\\")[2] for row in rows[:3]]
    (tmp_path / "three.nmea").write_bytes(b"".join([*stripped, *rows[3:]]))
    assert judged(tmp_path / "three.nmea")["notes"][0].startswith("3 rows have")


def test_whole_seconds_are_noted_and_no_fault(tmp_path: Path) -> None:
    rows = []
    for burst in Receiver(ReceiverSettings(), Drive(1), 1).epochs(20.6, 60.3):
        block = b"c:%d" % (1_777_886_000 + int(burst.due_s))
        rows += [b"\\%s*%02X\\%s" % (block, checksum(block), row) for row in burst.data.splitlines(keepends=True)]
    (tmp_path / "seconds.nmea").write_bytes(b"".join(rows))
    result = judged(tmp_path / "seconds.nmea")
    assert (result["verdict"], result["faults"]) == ("go", [])
    assert "whole seconds" in result["notes"][0]
    assert {one["jitter_floor_s"] for one in result["messages"]} == {1.0}
    assert "no jitter can be told finer than 1000 ms" in check.in_words(result)


def test_how_fine_the_jitter_is_stands_with_it(tmp_path: Path) -> None:
    history = history_of(tmp_path / "history.db", simulated(seconds=12.0))
    tagged = judged(tagged_of(history, tmp_path / "taken.nmea"))
    assert {one["jitter_floor_s"] for one in tagged["messages"]} == {0.001}
    assert "no jitter can be told finer than 1 ms" in check.in_words(tagged)
    kept = judged(history)
    assert {one["jitter_floor_s"] for one in kept["messages"]} == {None}
    assert "is not known, and so not how finely jitter can be told" in check.in_words(kept)
    (tmp_path / "plain.nmea").write_bytes(b"".join(piece.data for piece in simulated(seconds=12.0)))
    plain = judged(tmp_path / "plain.nmea")
    assert {one["jitter_floor_s"] for one in plain["messages"]} == {None}
    assert "finely" not in check.in_words(plain)  # it tells no jitter at all


def test_a_look_sees_the_bytes_that_had_come_by_then_and_no_others() -> None:
    """Of one long piece; the wrong sentence's last byte comes at the very instant of the first look."""
    sheet = needs.load("alive")
    for late_ns, no_go_s in ((0, 0.2), (1, 0.4)):
        wrong = b"$GPHDT,74.20,T*00\r\n" * 11
        spoilt = [Recorded(RECEIVER, Chunk(b"\n", ORIGIN_NS, 0))]
        begin_ns = ORIGIN_NS + SECOND // 5 - 18 * 1_000_000 + late_ns
        spoilt.append(Recorded(RECEIVER, Chunk(wrong + b"$GPHDT" * 100, begin_ns, 1_000_000)))
        lenient = replace(sheet, damaged_most=0)
        recording = Recording(Source(iter(spoilt), 0, True, None), lenient)
        recording.run()
        assert recording.watch is not None
        assert recording.watch.verdict.since_ns - ORIGIN_NS == round(no_go_s * SECOND)


@pytest.mark.slow
def test_a_long_silence_is_not_looked_through_step_by_step(tmp_path: Path) -> None:
    """Ten days between two stretches: the same fault, and no four million looks."""
    first, second = simulated(seconds=15.0), simulated(seconds=15.0)
    days_ns = 10 * 86_400 * SECOND
    later = [Chunk(piece.data, piece.start_ns + days_ns, piece.step_ns) for piece in second]
    result = judged(history_of(tmp_path / "history.db", [*first, *later]))
    (fault,) = result["faults"]
    assert fault["kind"] == "silent"
    assert fault["start_s"] == pytest.approx((first[-1].end_ns - first[0].start_ns) / 1e9, abs=0.001)
    assert fault["end_s"] == pytest.approx(days_ns / 1e9, abs=0.001)


def refused(path: Path, says: str, watch: int | None = None) -> None:
    with pytest.raises(RecordingError, match=says):
        judged(path, watch=watch)


def test_what_cannot_be_judged_is_told(tmp_path: Path) -> None:
    refused(tmp_path / "none.nmea", r"none\.nmea cannot be read: No such file.*Give a file")
    refused(tmp_path, "cannot be read: Is a directory.*Give a file")
    (tmp_path / "empty").write_bytes(b"")
    refused(tmp_path / "empty", "empty is empty")
    (tmp_path / "prices").write_bytes(b"price in $\r\nfive\r\n")
    with HistoryWriter(tmp_path / "bare.db"):
        pass
    refused(tmp_path / "bare.db", r"bare\.db holds no watch yet.*Let the box listen")
    with HistoryWriter(tmp_path / "silent.db") as writer:
        writer.begin_watch(WatchStart(ORIGIN_NS, UTC_NS, "rate-section", "", "Tractor 3", "0"))
    refused(tmp_path / "silent.db", r"silent\.db holds no bytes of a line")
    with HistoryWriter(tmp_path / "other.db") as writer:
        writer.begin_watch(WatchStart(ORIGIN_NS, UTC_NS, "rate-section", "", "Tractor 3", "0"))
        writer.add_chunk(RECEIVER, Chunk(b"stray\r\n", ORIGIN_NS, 1_000_000))
    refused(tmp_path / "other.db", r"not one sentence from the receiver in .*other\.db")
    (tmp_path / "broken.db").write_bytes(b"SQLite format 3\x00" + bytes(5000))
    refused(tmp_path / "broken.db", "broken.db")


def test_a_result_is_there_after_the_run_only(tmp_path: Path) -> None:
    path = history_of(tmp_path / "history.db", simulated(seconds=1.0))
    with pytest.raises(RecordingError, match="not been judged"):
        Recording(open_source(path, USUAL), USUAL).result()


def test_progress_tells_every_byte(tmp_path: Path) -> None:
    path = history_of(tmp_path / "history.db", simulated(seconds=12.0))
    source = open_source(path, USUAL)
    told: list[int] = []
    Recording(source, USUAL).run(told.append)
    assert sum(told) == source.size > 0


# Real recordings (outside the project); what they hold was counted by the one who cut them down.


@pytest.mark.slow
def test_the_road_vehicle(recordings: Path) -> None:
    result = judged(recordings / "road-vehicle-2s.nmea", "position-1hz")
    assert result["verdict"] == "no-go"
    assert sum(one["count"] for one in result["messages"]) == 44_690
    assert sum(one["bad"] for one in result["messages"]) == 0
    counts = {one["type"]: one["count"] for one in result["messages"]}
    assert {type_: counts[type_] for type_ in ("GGA", "RMC", "GLL", "GSA", "GSV")} == {
        "GGA": 4469, "RMC": 4469, "GLL": 4469, "GSA": 4469, "GSV": 13_407,
    }  # fmt: skip
    gaps = [one["end_s"] - one["start_s"] for one in result["faults"] if one["kind"] == "gap"]
    assert sorted(gaps) == [60.0, 798.0, 1250.0]
    kinds = Counter(one["kind"] for one in result["faults"])
    assert kinds["rate-low"] > 0  # it sends every 2 s
    # Each was looked at by hand; the tests of motion and of claims on this recording tell what stands behind it.
    told = {kind: count for kind, count in kinds.items() if kind not in ("gap", "rate-low")}
    assert told == {"position-jump": 7, "height-jump": 2, "satellites-falling": 2, "hdop-rising": 8}
    assert result["fix"]["seconds_by_quality"].keys() == {"1", "2"}
    assert result["span"]["start_utc"][:10] < result["span"]["end_utc"][:10]  # one midnight
    assert result["bytes"]["junk"] == 0


def test_the_rtk_receiver(recordings: Path) -> None:
    path = recordings / "rtk-class-1hz.nmea"
    result = judged(path, "position-1hz")
    assert result["verdict"] == "no-go"
    assert {one["kind"] for one in result["faults"]} == {"sentence-long"}  # of 82, with 8 decimals
    assert result["fix"]["seconds_by_quality"].keys() == {"2", "5"}
    assert result["fix"]["decimals"] == 8
    assert sum(one["count"] for one in result["messages"]) == 510
    assert judged(path, "alive")["verdict"] == "go"
