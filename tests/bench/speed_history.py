"""What history takes and gives: bytes kept for each sentence, writes for each byte, the pages of a month, and exports.

Days are written as the keeper writes them, but faster than they pass: the usual set, a commit every two seconds, the
seconds of both lines, a fault now and then. One day with all of it tells size and export; a month of ten-hour days,
with what the pages ask for and little raw traffic, tells how long a page takes.
"""

from __future__ import annotations

import io
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from appliance import export
from appliance.history.rows import FaultRow, SecondRow, State, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.site import create_app

if TYPE_CHECKING:
    from tests.bench.speed_row import Growth, Row
else:  # as a script it finds its neighbour only
    from speed_row import Growth, Row

S = 1_000_000_000
STEP_NS = 260_417  # ten bits at 38,400 baud
COMMIT_S = 2
DAY_GOAL_MB, EXPORT_GOAL_MB_S, PAGE_GOAL_MS = 25.0, 30.0, 50.0
BOX_UTC_NS = 1_777_885_920 * S
VERDICTS: tuple[State, ...] = ("go", "go", "go", "go", "go", "go", "go", "no-go")


def write(writer: HistoryWriter, hours: float, from_s: int = 0, raw: bool = True, every_s: int = COMMIT_S) -> int:
    """One watch of so many hours, dated; gives its sentences. raw: with the bytes of the line."""
    seconds = round(hours * 3600)
    writer.begin_watch(WatchStart(from_s * S, BOX_UTC_NS + from_s * S, "alive", "", "Larkmere tractor 3", "0"))
    writer.date_watch(BOX_UTC_NS, 0.01)
    bursts = Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, seconds) if raw else iter(())
    burst, sentences = next(bursts, None), 0
    for second in range(from_s, from_s + seconds):
        while burst is not None and burst.due_s < second - from_s + 1:
            begin_ns = from_s * S + round(burst.due_s * S)
            for at in range(0, len(burst.data), 24):  # as a port hands it over
                piece = burst.data[at : at + 24]
                writer.add_chunk("from-receiver", Chunk(piece, begin_ns + at * STEP_NS, STEP_NS))
            sentences += burst.data.count(b"\n")
            burst = next(bursts, None)
        place = second % 3000 * 1e-5
        verdict = VERDICTS[second // 600 % len(VERDICTS)]
        writer.add_second(
            SecondRow("from-receiver", second * S, 820, 12, 0, 0, 0.2, verdict, 4, 18, 0.7, 1.2, 52 + place, -1 + place,
                      2.4, {"GNGGA": 4 + second % 3, "GNVTG": 5, "GNRMC": 1, "GNZDA": 1}, 0.002)
        )  # fmt: skip
        if second % 1200 == 600:
            span = second * S, (second + 3) * S
            row = FaultRow("gap", "from-receiver", "GGA", *span, "GGA was away for 3 s.", 3.0, 0.6, "s")
            writer.open_fault(str(second), row)
            writer.close_fault(str(second), row)
        if second % every_s == 0:
            writer.commit()
    writer.end_watch((from_s + seconds) * S)
    return sentences


def size_mb(path: Path) -> float:
    return path.stat().st_size / 1e6


def day(hours: float) -> list[Row]:
    """Size and exports of a day of ten hours, from so many hours of it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "history.db"
        with HistoryWriter(path) as writer:
            sentences = write(writer, hours)
        mb = size_mb(path) * 10 / hours
        found = [
            Row("history of a day of 10 h", f"{mb:.1f} MB, {size_mb(path) * 1e6 / sentences:.0f} bytes a sentence", "",
                f"under {DAY_GOAL_MB:.0f} MB", mb < DAY_GOAL_MB)
        ]  # fmt: skip
        for form in ("raw", "text"):
            rates = []
            for _ in range(3):
                out = io.BytesIO()
                began = time.process_time()
                with export.opened(path, export.Wanted(form, None, "from-receiver", None, None)) as leaving:
                    leaving.write_to(out)
                rates.append(out.tell() / 1e6 / (time.process_time() - began))
            rate = statistics.median(rates)
            found.append(Row(f"export, {form}", f"{rate:.0f} MB/s", "", f"{EXPORT_GOAL_MB_S:.0f} MB/s",
                             rate >= EXPORT_GOAL_MB_S))  # fmt: skip
    return found


PAGES = ("/", "/day", "/day.json", "/track", "/pattern", "/messages", "/take", "/fault/1")


def asked_ms(folder: Path, history: Path) -> dict[str, float]:
    """The pages over a history, each asked several times: the median, in CPU time of the server's side."""
    app = create_app(folder / "picture.json", history, folder / "tap.sock")
    told = {}
    with app.test_client() as client:
        for address in PAGES:
            took_ms, status = [], 0
            for _ in range(5):
                began = time.process_time()
                status = client.get(address).status_code
                took_ms.append((time.process_time() - began) * 1e3)
            if status == 200:
                told[address] = statistics.median(took_ms)
    return told


def pages(days: int) -> list[Row]:
    """Each page over a history of so many days."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "history.db"
        with HistoryWriter(path) as writer:
            for number in range(days):
                write(writer, 10, number * 86_400, raw=False, every_s=600)
        return [
            Row(f"page {address}, {days} days of history", f"{ms:.0f} ms", "", f"under {PAGE_GOAL_MS:.0f} ms",
                ms < PAGE_GOAL_MS)
            for address, ms in asked_ms(Path(folder), path).items()
        ]  # fmt: skip


def growth(hours: list[float]) -> list[Growth]:
    """Size of a history, and how long its pages take, for one watch of each length, without the raw traffic."""
    found = {what: Growth(what, unit, {}) for what, unit in (("history, its seconds", "MB"), *((f"page {address}", "ms")
                                                             for address in PAGES))}  # fmt: skip
    for length_h in hours:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "history.db"
            with HistoryWriter(path) as writer:
                write(writer, length_h, raw=False, every_s=600)
            found["history, its seconds"].figures[length_h] = size_mb(path)
            for address, ms in asked_ms(Path(folder), path).items():
                found[f"page {address}"].figures[length_h] = ms
    return [one for one in found.values() if one.figures]


def wear(minutes: int = 20) -> Row:
    """Bytes written for each byte of the line, as tests/endurance counts them below SQLite."""
    program = Path(__file__).parents[1] / "endurance" / "card_wear.py"
    told = subprocess.run([sys.executable, str(program), str(minutes)], capture_output=True, text=True, check=True)
    growing = told.stdout.splitlines()[0]
    return Row("writes for each byte of the line", growing.split("for each byte ")[1].split(";")[0])


def rows(hours: float = 1.0, days: int = 30) -> list[Row]:
    """Part 6 of the table."""
    return [*day(hours), wear(), *pages(days)]
