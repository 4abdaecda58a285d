"""Sentences into epochs: by UTC, by burst, whatever the maker's order; and what was due in one and never came."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise, permutations
from pathlib import Path
from random import Random

import pytest

from appliance.measure.epoch import QUIET_NS, SENTENCES_MOST, Epoch, Epochs, elapsed_s
from appliance.recording import plain
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Sentence, parse
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings

SECOND = 1_000_000_000
BYTE_NS = 260_417  # 38,400 baud
NEEDED = {"GGA": 5.0, "VTG": 5.0, "RMC": 1.0, "ZDA": 1.0}


def sentences(data: bytes, at_ns: int, step_ns: int = BYTE_NS) -> Iterator[Sentence]:
    framer = Framer()
    for frame in framer.feed(Chunk(data, at_ns, step_ns)):
        heard = parse(frame)
        assert isinstance(heard, Sentence)
        yield heard


def said(body: str) -> bytes:
    return b"$%b*%02X\r\n" % (body.encode(), checksum(body.encode()))


def clock(time_s: float) -> str:
    return f"{int(time_s) // 3600:02d}{int(time_s) // 60 % 60:02d}{time_s % 60:05.2f}"


def gga(time_s: float) -> bytes:
    return said(f"GNGGA,{clock(time_s)},5206.0,N,00112.0,W,4,18,0.7,112.0,M,47.2,M,1.0,0131")


def rmc(time_s: float) -> bytes:
    return said(f"GNRMC,{clock(time_s)},A,5206.0,N,00112.0,W,4.0,81.0,040526,0.4,W,R,V")


def zda(time_s: float) -> bytes:
    return said(f"GNZDA,{clock(time_s)},04,05,2026,00,00")


VTG = said("GNVTG,81.00,T,81.40,M,4.000,N,7.408,K,R")
HDT = said("GNHDT,81.00,T")


def grouped(
    bursts: Iterable[tuple[float, bytes]], needed: dict[str, float] | None = None
) -> tuple[list[Epoch], Epochs]:
    """Bursts at these seconds, and the end of it."""
    made, closed = Epochs(needed), []
    for at_s, data in bursts:
        for sentence in sentences(data, round(at_s * SECOND)):
            closed += made.tick(sentence.frame.start_ns)
            closed += made.add(sentence)
    return closed + made.flush(), made


def kinds(epochs: list[Epoch]) -> list[tuple[object, str]]:
    return [(epoch.time_s, " ".join(sentence.type for sentence in epoch.sentences)) for epoch in epochs]


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
@pytest.mark.parametrize("order", list(permutations(("GGA", "VTG", "RMC", "ZDA"))))
def test_every_order_of_the_maker_gives_whole_epochs(order: tuple[str, ...], rate_hz: int) -> None:
    """What the simulated receiver sends at once is one epoch; the line is 69 % full at 10 Hz."""
    settings = ReceiverSettings(rates_hz=dict.fromkeys(order, rate_hz), order=order)
    bursts = list(Receiver(settings, Drive(1), 1).epochs(0, 6))
    closed, made = grouped([(burst.due_s, burst.data) for burst in bursts], dict.fromkeys(order, rate_hz))
    assert [b"".join(s.frame.raw for s in epoch.sentences) for epoch in closed] == [burst.data for burst in bursts]
    assert made.incomplete == made.absent == 0
    assert made.complete == len(bursts) - 1  # the first may have been joined in its middle, and is not counted
    assert made.step_s == pytest.approx(1 / rate_hz)


def test_of_a_mixed_rate_only_what_is_due_is_missed() -> None:
    bursts = list(Receiver(ReceiverSettings(), Drive(2), 2).epochs(0, 30))
    _, made = grouped([(burst.due_s, burst.data) for burst in bursts], NEEDED)
    assert (made.incomplete, dict(made.missing)) == (0, {})


@pytest.mark.parametrize("order", list(permutations(("GGA", "VTG", "RMC", "ZDA"))))
def test_of_a_mixed_rate_every_order_gives_whole_epochs(order: tuple[str, ...]) -> None:
    bursts = list(Receiver(ReceiverSettings(order=order), Drive(2), 2).epochs(0, 8))
    closed, made = grouped([(burst.due_s, burst.data) for burst in bursts], NEEDED)
    assert [b"".join(s.frame.raw for s in epoch.sentences) for epoch in closed] == [burst.data for burst in bursts]
    assert made.incomplete == 0


@pytest.mark.parametrize("order", [("ZDA", "VTG", "GGA", "RMC"), ("GGA", "VTG", "RMC", "ZDA")])
def test_before_a_fix_the_bursts_alone_make_the_epochs(order: tuple[str, ...]) -> None:
    settings = ReceiverSettings(order=order, first_fix_s=10, delay_swing_s=0.5)
    bursts = list(Receiver(settings, Drive(2), 2).epochs(0, 20))
    closed, made = grouped([(burst.due_s, burst.data) for burst in bursts], NEEDED)
    assert [b"".join(s.frame.raw for s in epoch.sentences) for epoch in closed] == [burst.data for burst in bursts]
    assert {epoch.time_s for epoch in closed[:50]} == {None}
    assert made.incomplete == 0


def test_what_falls_into_a_gap_is_not_missed_behind_it() -> None:
    bursts = [b for b in Receiver(ReceiverSettings(), Drive(2), 2).epochs(0, 40) if not 10.5 < b.due_s < 17.3]
    _, made = grouped([(burst.due_s, burst.data) for burst in bursts], NEEDED)
    assert (made.incomplete, made.absent) == (0, 34)


@pytest.mark.parametrize("gone", list(NEEDED))
def test_one_that_never_came_is_missing_once(gone: str) -> None:
    bursts = []
    for burst in Receiver(ReceiverSettings(), Drive(2), 2).epochs(0, 30):
        data = burst.data
        if 9.99 < burst.due_s < 10.2:
            data = b"".join(row for row in data.splitlines(keepends=True) if row[3:6] != gone.encode())
        bursts.append((burst.due_s, data))
    closed, made = grouped(bursts, NEEDED)
    assert dict(made.missing) == {gone: 1}
    assert [epoch.time_s for epoch in closed if epoch.missing] == [9 * 3600 + 12 * 60 + 10]
    assert (made.incomplete, made.absent) == (1, 0)


def test_epochs_that_never_came_are_absent() -> None:
    bursts = [(n / 5, gga(n / 5) + VTG) for n in range(100) if not 40 <= n < 47]
    closed, made = grouped(bursts, {"GGA": 5.0, "VTG": 5.0})
    assert len(closed) == 93
    assert made.absent == 7
    assert made.incomplete == 0


def test_what_is_late_is_not_missing() -> None:
    """Three epochs held up, that come in one go: each is whole."""
    bursts = [(n / 5 if n not in (40, 41, 42) else 8.5 + (n - 40) * 0.035, gga(n / 5) + VTG) for n in range(100)]
    closed, made = grouped(bursts, {"GGA": 5.0, "VTG": 5.0})
    assert kinds(closed) == [(pytest.approx(n / 5), "GGA VTG") for n in range(100)]
    assert (made.incomplete, made.absent) == (0, 0)


@pytest.mark.parametrize("late_s", [0.05, -0.05])
def test_a_zda_stamped_late_belongs_to_the_burst(late_s: float) -> None:
    for rate_hz in (1, 5, 10):
        times = [1 + n / rate_hz for n in range(30)]
        closed, _ = grouped([(t, gga(t) + VTG + zda(t + late_s)) for t in times])
        assert kinds(closed) == [(pytest.approx(t), "GGA VTG ZDA") for t in times]
        closed, _ = grouped([(t, zda(t + late_s) + gga(t) + VTG) for t in times])
        assert kinds(closed) == [(pytest.approx(t), "ZDA GGA VTG") for t in times]


def test_twenty_a_second_keep_apart() -> None:
    """At 115,200 baud the rest between two of them is 35 ms, and the ZDA once a second is on time."""
    times = [n / 20 for n in range(200)]
    bursts = [(t, (zda(t) if n % 20 == 0 else b"") + gga(t) + VTG) for n, t in enumerate(times)]
    made, closed = Epochs(), []
    for at_s, data in bursts:
        for sentence in sentences(data, round(at_s * SECOND), 86_806):
            closed += made.add(sentence)
    assert [epoch.time_s for epoch in closed] == [pytest.approx(t) for t in times[:-1]]
    assert all("VTG" in epoch.contents for epoch in closed)


def test_a_sentence_without_time_belongs_to_the_nearer_burst() -> None:
    behind, _ = grouped([(n / 5 + late, data) for n in range(20) for late, data in ((0, gga(n / 5)), (0.07, VTG))])
    assert kinds(behind) == [(pytest.approx(n / 5), "GGA VTG") for n in range(20)]
    ahead, _ = grouped([(n / 5 + late, data) for n in range(20) for late, data in ((0, VTG), (0.07, gga(n / 5)))])
    once = [epoch for epoch in ahead if epoch.time_s is not None and epoch.time_s > 1]  # until its side is learned
    assert kinds(once) == [(pytest.approx(n / 5), "VTG GGA") for n in range(6, 20)]


@pytest.mark.parametrize("first", [True, False])
def test_after_a_lost_sentence_the_next_epochs_are_right(first: bool) -> None:
    """Also where no rest tells the bursts apart, as in a log without byte times."""
    rows: list[bytes] = []
    for n in range(30):
        pair = [VTG, gga(n / 5)] if first else [gga(n / 5), VTG]
        rows += [row for row in pair if (n, row == VTG) not in ((10, True), (20, False))]
    made, closed = Epochs(), []
    for row in rows:
        for sentence in sentences(row, 0, 0):
            closed += made.add(sentence)
    whole = [epoch.time_s for epoch in closed + made.flush() if len(epoch.contents) == 2]
    assert whole == [pytest.approx(n / 5) for n in range(30) if n not in (10, 20)]


def test_speed_faster_than_position_makes_epochs_of_its_own() -> None:
    bursts = [(n / 10, (gga(n / 10) if n % 10 == 0 else b"") + VTG) for n in range(100)]
    closed, made = grouped(bursts, {"GGA": 1.0, "VTG": 10.0})
    assert len(closed) == 100
    assert sum(epoch.time_s is not None for epoch in closed) == 10
    assert made.incomplete == 0


def test_two_talkers_of_one_type_share_an_epoch() -> None:
    other = said(gga(1.0)[1:-5].decode().replace("GN", "GP"))
    epochs = Epochs()
    for sentence in sentences(gga(1.0) + other, 0):
        assert epochs.add(sentence) == []
    assert kinds(epochs.flush()) == [(1.0, "GGA GGA")]


def test_whole_seconds_told_several_times_are_epochs_each() -> None:
    closed, _ = grouped([(n / 5, gga(n // 5) + VTG) for n in range(50)])
    assert [epoch.time_s for epoch in closed] == [n // 5 for n in range(50)]


def test_a_quiet_closes_an_epoch() -> None:
    made = Epochs()
    for sentence in sentences(gga(1.0) + VTG, SECOND):
        assert made.add(sentence) == []
    end_ns = sentence.frame.end_ns
    assert made.tick(end_ns + QUIET_NS - 1) == []
    assert kinds(made.tick(end_ns + QUIET_NS)) == [(1.0, "GGA VTG")]
    assert made.tick(end_ns + 2 * QUIET_NS) == made.flush() == []


def test_a_stream_without_times_cannot_grow() -> None:
    made, closed = Epochs(), []
    text = said("GNTXT,01,01,02,all is well")
    for n in range(1000):
        for sentence in sentences(text, n * SECOND // 1000, 0):
            closed += made.add(sentence)
    assert [len(epoch.sentences) for epoch in closed] == [SENTENCES_MOST] * 4
    assert {epoch.time_s for epoch in closed} == {None}


@pytest.mark.parametrize(
    ("before", "after", "step"),
    [(1.0, 1.2, 0.2), (86_399.8, 0.0, 0.2), (0.0, 86_399.8, -0.2), (86_399.0, 86_400.0, 1), (86_400.0, 0.0, 1.0)],
)
def test_elapsed_runs_over_midnight_and_the_leap_second(before: float, after: float, step: float) -> None:
    assert elapsed_s(before, after) == pytest.approx(step)


def test_a_leap_second_is_an_epoch_of_its_own() -> None:
    times = [86_398.0, 86_399.0, 86_400.0, 0.0, 1.0]
    rows = [gga(t) if t != 86_400 else gga(86_399).replace(b"235959.00", b"235960.00") for t in times]
    rows[2] = said(rows[2][1:-5].decode())
    closed, _ = grouped(list(enumerate(row + VTG for row in rows)))
    assert [epoch.time_s for epoch in closed] == times


@pytest.mark.parametrize("order", [("GGA", "VTG"), ("VTG", "GGA")])
def test_held_up_bytes_leave_epochs_whole(order: tuple[str, ...]) -> None:
    """Bursts up to 50 ms late by the host, in pieces of 16 ms, and the receiver's own delay swings by half a second."""
    dice = Random(4)
    swing, end_ns, made, closed = 0.0, 0, Epochs({"GGA": 5.0, "VTG": 5.0}), []
    for n in range(1000):
        swing = min(0.5, max(0.0, swing + dice.uniform(-0.02, 0.02)))
        rows = {"GGA": gga(n / 5), "VTG": VTG}
        at_ns = max(end_ns, round((n / 5 + swing + (dice.uniform(0, 0.05) if dice.random() < 0.1 else 0)) * SECOND))
        for type_ in order:
            for sentence in sentences(rows[type_], at_ns):
                closed += [*made.tick(sentence.frame.start_ns), *made.add(sentence)]
            at_ns = end_ns = sentence.frame.end_ns + BYTE_NS + dice.choice((0, 0, 16_000_000))
    assert [epoch.time_s for epoch in closed] == [pytest.approx(n / 5) for n in range(999)]
    assert made.incomplete == 0


def test_the_epochs_of_a_survey_class_receiver(recordings: Path) -> None:
    """Its ZDA is stamped 0.05 s after its GGA: seen in the file. Every epoch holds one of each."""
    made, closed = Epochs({"GGA": 1.0, "RMC": 1.0, "VTG": 1.0, "ZDA": 1.0}), []
    framer = Framer()
    for piece in plain(recordings / "rtk-class-1hz.nmea"):
        for frame in framer.feed(piece.chunk):
            heard = parse(frame)
            if isinstance(heard, Sentence):
                closed += made.add(heard)
    assert len(closed) > 30
    assert made.incomplete <= 1
    for before, after in pairwise(closed):
        assert before.time_s is not None
        assert after.time_s is not None
        assert elapsed_s(before.time_s, after.time_s) == pytest.approx(1.0)
    assert all({"GGA", "RMC", "VTG", "ZDA", "GLL", "GST"} <= epoch.contents.keys() for epoch in closed[1:])


def test_types_that_come_once_each_are_not_kept() -> None:
    """Noise that sums right, or a maker's stream, may bring any number of them."""
    epochs = Epochs(NEEDED)
    for number in range(3000):
        type_ = f"{chr(65 + number % 26)}{chr(65 + number // 26 % 26)}{number // 676}"
        for sentence in sentences(gga(number / 5) + said(f"GN{type_},1"), number * SECOND // 5):
            epochs.add(sentence)
    assert len(epochs._leads) == 0
