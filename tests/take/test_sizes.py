"""What a download is said to weigh before it is made, beside what it weighs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from appliance.history.reader import History
from appliance.history.rows import FaultRow, LossRow, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.take.forms import FORMS
from appliance.take.sizes import about

S = 1_000_000_000
BEGIN_NS = 700 * S
STEP_NS = 260_417
LINE = "from-receiver"


def sentence(body: str) -> bytes:
    return f"${body}*{checksum(body.encode()):02X}\r\n".encode()


def usual(n: int) -> Iterator[tuple[int, bytes]]:
    """The usual set of a second: when in it, and what. Invented."""
    for tick in range(5):
        time = f"{9 + n // 3600:02d}{n // 60 % 60:02d}{n % 60:02d}.{tick * 2}0"
        place = f"52{6 + math.sin(n / 100) / 100:011.8f},N,001{13 + n / 1e5:011.8f},W"
        sent = [
            f"GNGGA,{time},{place},4,18,0.6,103.21{n % 10},M,47.812,M,1.{tick}0,0121",
            "GNVTG,81.32,T,82.12,M,4.712,N,8.727,K,D",
        ]
        if tick == 0:
            sent += [f"GNRMC,{time},A,{place},4.712,81.32,040526,0.8,W,R,V", f"GNZDA,{time},04,05,2026,00,00"]
        yield tick * S // 5, b"".join(map(sentence, sent))


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sizes") / "history.db"
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(BEGIN_NS, 1_777_885_200 * S, "x", "", "Larkmere tractor 3", "0"))
        writer.date_watch(1_777_885_200 * S - BEGIN_NS, 0.01)
        for n in range(1200):
            at_ns = BEGIN_NS + n * S
            for after_ns, data in usual(n):
                writer.add_chunk(LINE, Chunk(data, at_ns + after_ns, STEP_NS))
            writer.add_second(
                SecondRow(LINE, at_ns, 820, 12, 0, 0, 0.2135, "go", 4, 18, 0.6, 1.2, 52.1 + n / 1e7, -1.2166667, 2.424,
                          {"GNGGA": 5, "GNVTG": 5, "GNRMC": 1, "GNZDA": 1})
            )  # fmt: skip
            if n % 40 == 0:
                says = "GGA was away for 3.1 s; a gap of at most 0.6 s is allowed."
                writer.close_fault(str(n), FaultRow("gap", LINE, "GGA", at_ns, at_ns + 3 * S, says, 3.1, 0.6, "s"))
                writer.close_loss(f"position {n}", LossRow("position", at_ns + S, at_ns + 3 * S))
            if n % 30 == 0:
                writer.commit()
        writer.end_watch(BEGIN_NS + 1200 * S)
    return path


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("part", [(0, 1200), (300, 900), (1100, 1200)])
def test_what_is_told_before_is_about_what_comes(path: Path, form: str, part: tuple[int, int]) -> None:
    span = BEGIN_NS + part[0] * S, BEGIN_NS + part[1] * S
    with History(path) as history:
        watch = history.watch(1)
        told = about(history, watch, LINE, *span)
        comes = sum(map(len, FORMS[form].lines(history, watch, LINE, *span)))
    assert set(told) == set(FORMS)
    assert told[form] == pytest.approx(comes, rel=0.25, abs=500)


def test_a_span_of_nothing_weighs_nothing_much(path: Path) -> None:
    with History(path) as history:
        watch = history.watch(1)
        told = about(history, watch, "from-controller", BEGIN_NS, BEGIN_NS + 30 * S)
    assert told["raw"] == told["text"] == 0
    assert told["gpx"] < 500
