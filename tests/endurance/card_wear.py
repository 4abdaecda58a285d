"""How many bytes go to the card for each byte of the line: the usual set, written as the keeper writes it.

    python tests/endurance/card_wear.py [minutes that it grows; 240]

Counted below SQLite (disk.py): bytes as SQLite hands them to the system, and blocks of 4 KiB as a file system must
then send to the card, each block once for each flush that it was touched before. What the file system writes for
itself (its journal) and what the card moves inside of itself is not in it. Two states: a file that grows, and one that
is at its cap, where the oldest traffic is dropped for what comes.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from appliance.history.rows import SecondRow, WatchStart
from appliance.history.schema import WAL_BYTES_KEPT
from appliance.history.space import Space
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.tap.keeper import COMMIT_S

if TYPE_CHECKING:
    from tests.endurance.disk import Disk, Op, between
else:
    from disk import Disk, Op, between

S = 1_000_000_000
BLOCK = 4096
STEP_NS = 260_417  # ten bits at 38,400 baud
RECEIVER, CONTROLLER = "from-receiver", "from-controller"


@dataclass(slots=True)
class Worn:
    """Bytes of the line, bytes handed to the system, bytes in whole blocks, and flushes."""

    line: int = 0
    handed: int = 0
    blocks: int = 0
    syncs: int = 0
    touched: dict[str, set[int]] = field(default_factory=dict)

    def take(self, ops: list[Op]) -> None:
        for op in ops:
            touched = self.touched.setdefault(op.name, set())
            if op.what == "write":
                self.handed += len(op.data)
                touched.update(range(op.at // BLOCK, (op.at + len(op.data) - 1) // BLOCK + 1))
            elif op.what == "sync":
                self.syncs += 1
                self.blocks += len(touched) * BLOCK
                touched.clear()
        ops.clear()

    def says(self, seconds: int) -> str:
        return (
            f"{self.line / seconds:.0f} bytes/s of traffic; for each byte {self.handed / self.line:.2f} bytes from "
            f"SQLite, {self.blocks / self.line:.2f} in blocks of 4 KiB; {self.syncs / seconds:.2f} flushes a second"
        )


def worn(writer: HistoryWriter, disk: Disk, begin_s: int, seconds: int) -> Worn:
    """Write so many seconds of the usual set."""
    told, disk.ops[:] = Worn(), []
    commit_s = begin_s + COMMIT_S
    bursts = Receiver(ReceiverSettings(), Drive(1), 1).epochs(begin_s, begin_s + seconds)
    second = begin_s
    for burst in bursts:
        at_ns = round(burst.due_s * S)
        told.line += len(burst.data)
        for at in range(0, len(burst.data), 24):  # as a port hands it over
            writer.add_chunk(RECEIVER, Chunk(burst.data[at : at + 24], at_ns + at * STEP_NS, STEP_NS))
        while burst.due_s >= second + 1:
            place = second * 1e-5
            writer.add_second(
                SecondRow(RECEIVER, second * S, 820, 12, 0, 0, 0.2, "go", 4, 18, 0.7, 1.2, 52 + place, -1 + place, 2.4,
                          {"GNGGA": 4 + second % 3, "GNVTG": 5, "GNRMC": 1, "GNZDA": 1})
            )  # fmt: skip
            writer.add_second(SecondRow(CONTROLLER, second * S, 0, 0, 0, 0, 0.0, "go"))
            second += 1
        if burst.due_s >= commit_s:
            commit_s += COMMIT_S
            writer.commit()
            writer.make_room()
            told.take(disk.ops)
    return told


def main(minutes: int) -> None:
    seconds = minutes * 60
    start = WatchStart(0, S, "usual", "x" * 1500, "Tractor 3", "0")
    with tempfile.TemporaryDirectory() as name, between(Disk("history.db")) as disk:
        path = Path(name) / "history.db"
        with HistoryWriter(path, Space(free_least_bytes=0)) as writer:
            writer.begin_watch(start)
            told = worn(writer, disk, 0, seconds)
        print(f"growing:    {told.says(seconds)}; the file {path.stat().st_size / told.line:.2f}")
        with HistoryWriter(path, Space(path.stat().st_size + WAL_BYTES_KEPT, 0)) as writer:
            writer.begin_watch(start)
            told = worn(writer, disk, seconds, seconds // 4)
        print(f"at its cap: {told.says(seconds // 4)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 240)
