"""A history in a temporary folder, rows to put in it, and a receiver's day with changing digits."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from appliance.history.rows import FaultRow, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk

STEP_38400_NS = 260_417  # ten bits at 38,400 baud


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.db"


@pytest.fixture
def start() -> WatchStart:
    return WatchStart(
        started_ns=50_000_000_000,
        box_utc_ns=1_700_000_000_000_000_000,
        needs_name="anything",
        needs_toml='title = "Anything"\n',
        machine="Tractor 3",
        version="0.1.0",
    )


@pytest.fixture
def writer(path: Path) -> Iterator[HistoryWriter]:
    with HistoryWriter(path) as writer:
        yield writer


@pytest.fixture
def second() -> Callable[..., SecondRow]:
    def make(second_ns: int = 50_000_000_000, **changed: object) -> SecondRow:
        values: dict[str, object] = {
            "line": "from-receiver",
            "bytes": 820,
            "sentences": 12,
            "damaged": 0,
            "junk": 0,
            "load_ratio": 0.214,
            "verdict": "go",
            "quality": 4,
            "satellites": 18,
            "hdop": 0.7,
            "age_s": 1.2,
            "latitude_deg": 52.1234567,
            "longitude_deg": -1.2345678,
            "speed_mps": 2.417,
            "messages": {"GNGGA": 5, "GNVTG": 5, "GNRMC": 1, "GNZDA": 1},
        }
        return SecondRow(second_ns=second_ns, **{**values, **changed})  # type: ignore[arg-type]

    return make


@pytest.fixture
def fault() -> Callable[..., FaultRow]:
    def make(start_ns: int, end_ns: int | None = None, **changed: object) -> FaultRow:
        values: dict[str, object] = {
            "kind": "gap",
            "line": "from-receiver",
            "message": "GGA",
            "says": "GGA has not come for 3.1 s; at most 0.6 s is allowed.",
            "measured": 3.1,
            "needed": 0.6,
            "unit": "s",
        }
        return FaultRow(start_ns=start_ns, end_ns=end_ns, **{**values, **changed})  # type: ignore[arg-type]

    return make


@pytest.fixture
def usual_set() -> Callable[[int], Iterator[tuple[int, list[Chunk]]]]:
    """The usual set (GGA and VTG 5 Hz, RMC and ZDA 1 Hz, 8 decimals) of a machine that drives; by the second.

    Every digit that changes on a real line changes here: position, course, speed and height walk at random, and
    the reads fall where they like. Invented; the shares of noise are our guess of a good RTK fix.
    """

    def feed(seconds: int) -> Iterator[tuple[int, list[Chunk]]]:
        chance = random.Random(7)
        walk = _Walk(chance)
        for n in range(seconds):
            chunks: list[Chunk] = []
            for tick in range(5):
                at_ns = (100 + n) * 10**9 + tick * 200_000_000 + chance.randrange(3_000_000)
                text = walk.epoch(9 * 3600 + n + tick / 5)
                while text:
                    size = chance.randrange(8, 33)
                    chunks.append(Chunk(text[:size], at_ns + chance.randrange(200_000), STEP_38400_NS))
                    at_ns += len(text[:size]) * STEP_38400_NS
                    text = text[size:]
            yield (100 + n) * 10**9, chunks

    return feed


class _Walk:
    """A machine's way over the ground, told as sentences."""

    def __init__(self, chance: random.Random) -> None:
        self.chance = chance
        self.latitude_deg, self.longitude_deg, self.altitude_m = 52.123456789, 1.298765432, 103.2
        self.speed_mps, self.course_deg, self.satellites = 2.4, 81.0, 18

    def epoch(self, day_s: float) -> bytes:
        gauss = self.chance.gauss
        self.speed_mps = max(0.0, self.speed_mps + gauss(0, 0.02))
        self.course_deg = (self.course_deg + gauss(0, 0.3)) % 360
        self.altitude_m += gauss(0, 0.01)
        way_m, course = self.speed_mps * 0.2, math.radians(self.course_deg)
        self.latitude_deg += way_m * math.cos(course) / 111_200 + gauss(0, 1e-8)
        self.longitude_deg += way_m * math.sin(course) / 68_000 + gauss(0, 1e-8)
        if self.chance.random() < 0.02:
            self.satellites = max(12, min(22, self.satellites + self.chance.choice((-1, 1))))
        hms = f"{day_s // 3600:02.0f}{day_s % 3600 // 60:02.0f}{day_s % 60:05.2f}"
        place = f"{_minutes(self.latitude_deg, 2)},N,{_minutes(self.longitude_deg, 3)},W"
        knots, course_text = f"{self.speed_mps * 1.943844:.3f}", f"{self.course_deg:.2f}"
        hdop, age_s = 0.5 + 0.02 * (22 - self.satellites), 1.0 + day_s % 1
        told = [
            f"GNGGA,{hms},{place},4,{self.satellites:02d},{hdop:.1f},{self.altitude_m:.3f},M,47.812,M,{age_s:.1f},0121",
            f"GNVTG,{course_text},T,{(self.course_deg + 0.8) % 360:.2f},M,{knots},N,{self.speed_mps * 3.6:.3f},K,D",
        ]
        if day_s % 1 == 0:
            told.append(f"GNRMC,{hms},A,{place},{knots},{course_text},040526,0.8,W,R,V")
            told.append(f"GNZDA,{hms},04,05,2026,00,00")
        return b"".join(b"$%s*%02X\r\n" % (body.encode(), checksum(body.encode())) for body in told)


def _minutes(degrees: float, width: int) -> str:
    whole = int(degrees)
    return f"{whole:0{width}d}{(degrees - whole) * 60:011.8f}"
