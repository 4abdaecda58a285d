"""Speed of judging a recording, against parsers of general use over the same sentences in the same run.

The whole chain is `check` over a log with TAG blocks: reading, framing, checksum, fields, measures, epochs, motion,
clock, every rule at every look, faults, causes and what goes with them. The rivals split a sentence, check its sum and
name its fields; they find no fault. Times are CPU times, the median of rounds that alternate.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pynmea2
from pynmeagps import NMEAReader

from appliance.check import Recording
from appliance.judge import needs
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Sentence, parse
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.source import open_source

if TYPE_CHECKING:
    from tests.bench.speed_row import Growth, Row
else:  # as a script it finds its neighbour only
    from speed_row import Growth, Row

ROUNDS = 3
READ_BYTES = 4096
SEED = 7
UTC_MS = 1_777_885_920_000  # of the simulated receiver's start
CHAIN_GOAL = 0.5


def log(path: Path, seconds: float) -> Path:
    """A drive with the usual set as a log with TAG blocks."""
    settings = ReceiverSettings(rates_hz={"GGA": 5, "VTG": 5, "RMC": 1, "ZDA": 1, "GSA": 1}, restless=True)
    with path.open("wb") as file:
        for burst in Receiver(settings, Drive(SEED), SEED).epochs(0, seconds):
            for row in burst.data.splitlines(keepends=True):
                block = b"s:receiver,c:%d" % (UTC_MS + round(burst.due_s * 1000))
                file.write(b"\\%s*%02X\\%s" % (block, checksum(block), row))
    return path


def sentences(path: Path) -> Iterator[str]:
    """The rows of a log without their blocks."""
    with path.open("rb") as file:
        for row in file:
            yield row.rsplit(b"\\", 1)[1].decode("ascii")


def cpu_s(job: Callable[[], object]) -> float:
    began = time.process_time()
    job()
    return time.process_time() - began


def judged(path: Path) -> None:
    """What `check --json` does, but for printing."""
    sheet = needs.load("rate-section")
    recording = Recording(open_source(path, sheet), sheet)
    recording.run()
    recording.result()


def framed(data: bytes) -> int:
    framer, good = Framer(), 0
    for begin in range(0, len(data), READ_BYTES):
        for frame in framer.feed(Chunk(data[begin : begin + READ_BYTES], begin, 1)):
            raw = frame.raw
            good += checksum(raw[1:-5]) == int(raw[-4:-2], 16)
    return good


def sound(data: bytes) -> int:
    framer, good = Framer(), 0
    for begin in range(0, len(data), READ_BYTES):
        for frame in framer.feed(Chunk(data[begin : begin + READ_BYTES], begin, 1)):
            good += isinstance(parse(frame), Sentence)
    return good


def rows(seconds: float = 1800.0) -> list[Row]:
    """Parts 1 and 2 of the table."""
    with tempfile.TemporaryDirectory() as folder:
        path = log(Path(folder) / "drive.nmea", seconds)
        text = list(sentences(path))
        data = "".join(text).encode()
        jobs: dict[str, Callable[[], object]] = {
            "chain": lambda: judged(path),
            "pynmea2": lambda: [pynmea2.parse(row, check=True) for row in text],
            "pynmeagps": lambda: [NMEAReader.parse(row) for row in text],
            "framed": lambda: framed(data),
            "sound": lambda: sound(data),
            "split": lambda: data.split(b"\r\n"),
        }
        took = {name: [cpu_s(job) for _ in range(1)] for name, job in jobs.items()}  # once to warm up
        took = {name: [] for name in jobs}
        for _ in range(ROUNDS):
            for name, job in jobs.items():
                took[name].append(cpu_s(job))
    middle = {name: statistics.median(times) for name, times in took.items()}
    count = len(text)

    def each_us(name: str) -> str:
        return f"{middle[name] / count * 1e6:.1f} µs a sentence"

    def ratio(one: str, other: str) -> float:
        return statistics.median(a / b for a, b in zip(took[one], took[other], strict=True))

    chain = ratio("chain", "pynmea2")
    mb_s = {name: len(data) / middle[name] / 1e6 for name in ("framed", "split")}
    return [
        Row(
            f"whole chain offline, {count:,} sentences", f"{each_us('chain')}; {seconds / middle['chain']:,.0f} times "
            f"real time", f"pynmea2 {each_us('pynmea2')}: {chain:.1f}", f"{CHAIN_GOAL} of pynmea2", chain <= CHAIN_GOAL,
        ),
        Row("", "", f"pynmeagps {each_us('pynmeagps')}: {ratio('chain', 'pynmeagps'):.1f}"),
        Row("framer, sum, alphabet and every field", each_us("sound"), f"pynmea2: {ratio('sound', 'pynmea2'):.2f}; "
            f"pynmeagps: {ratio('sound', 'pynmeagps'):.2f}"),
        Row("framer and sum alone", f"{mb_s['framed']:.0f} MB/s", f"bytes.split {mb_s['split']:.0f} MB/s"),
    ]  # fmt: skip


_ALONE = "import sys; sys.path[:0] = sys.argv[2:]; import speed_chain; speed_chain.tell(sys.argv[1])"


def tell(path: str) -> None:
    """Judges in a process of its own; prints CPU seconds and the most memory it took, in MB."""
    took_s = cpu_s(lambda: judged(Path(path)))
    print(took_s, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def growth(hours: list[float]) -> list[Growth]:
    """CPU time and most memory of judging each length, each in a process of its own."""
    took, most = {}, {}
    for length_h in hours:
        with tempfile.TemporaryDirectory() as folder:
            path = log(Path(folder) / "drive.nmea", length_h * 3600)
            took[length_h], most[length_h] = judged_alone(path)
    return [Growth("check, CPU time", "s", took), Growth("check, most memory", "MB", most)]


def judged_alone(path: Path) -> tuple[float, float]:
    """CPU seconds and the most memory, in MB, of a process that judges a log."""
    command = [sys.executable, "-c", _ALONE, str(path), str(Path(__file__).parent), *sys.path]
    told = subprocess.run(command, capture_output=True, check=True, text=True).stdout.split()
    return float(told[0]), float(told[1])
