"""How many bytes go to the card for each byte of the line: the usual set, written as the keeper writes it.

    python tests/endurance/card_wear.py [minutes that it grows; 240] [live]

Counted above the system (disk.py): bytes as SQLite and the tail hand them over. And, for root, at the card itself: an
ext4 file system as on a box (noatime, commit=30) on a loop device, by the sectors that the kernel counts as written to
it, the file system's own journal and all included (Documentation/admin-guide/iostats.rst). What a card moves inside of
itself is not in it. Two states: a file that grows, and one that is at its cap, where the oldest traffic is dropped for
what comes. The clock is that of the traffic, hours in minutes, so what the system writes by its own clock is left out;
`live` goes by the real one.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from appliance.history.rows import SecondRow, WatchStart
from appliance.history.schema import WAL_BYTES_KEPT
from appliance.history.space import Space
from appliance.history.tail import TAIL_BYTES
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.tap.keeper import COMMIT_S, SECURE_S

if TYPE_CHECKING:
    from tests.endurance.disk import Disk, Op, between
else:
    from disk import Disk, Op, between

S = 1_000_000_000
STEP_NS = 260_417  # ten bits at 38,400 baud
RECEIVER, CONTROLLER = "from-receiver", "from-controller"


@dataclass(slots=True)
class Worn:
    """Bytes of the line, bytes handed to the system by SQLite and by the tail, flushes, and bytes at the card."""

    line: int = 0
    database: int = 0
    tail: int = 0
    syncs: int = 0
    card: int | None = None

    def take(self, ops: list[Op]) -> None:
        for op in ops:
            self.syncs += op.what == "sync"
            if op.name.endswith("-tail"):
                self.tail += len(op.data)
            else:
                self.database += len(op.data)
        ops.clear()

    def says(self, seconds: int) -> str:
        card = "" if self.card is None else f"; at the card {self.card / self.line:.2f}"
        return (
            f"{self.line / seconds:.0f} bytes/s of traffic; for each byte {self.database / self.line:.2f} bytes from "
            f"SQLite and {self.tail / self.line:.2f} from the tail{card}; {self.syncs / seconds:.2f} flushes a second"
        )


@dataclass(slots=True)
class Card:
    """Where history is written. device: name of its block device; "" where that cannot be seen."""

    folder: Path
    device: str

    def written(self) -> int:
        """Bytes written to it so far."""
        os.sync()
        return int(Path(f"/sys/block/{self.device}/stat").read_text().split()[6]) * 512 if self.device else 0


@contextmanager
def card(megabytes: int = 600) -> Iterator[Card]:
    """A card of so many MB with a file system as on a box; a plain folder where only root could have one."""
    with tempfile.TemporaryDirectory() as name:
        folder, image = Path(name) / "card", Path(name) / "image"
        folder.mkdir()
        if os.geteuid() != 0 or not Path("/dev/loop-control").exists():
            yield Card(folder, "")
            return
        with image.open("wb") as file:
            file.truncate(megabytes * 1_000_000)
        subprocess.run(["mkfs.ext4", "-q", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image)], check=True)
        told = subprocess.run(["losetup", "-f", "--show", str(image)], check=True, capture_output=True, text=True)
        device = told.stdout.strip()
        try:
            subprocess.run(["mount", "-o", "noatime,commit=30", device, str(folder)], check=True)
            try:
                yield Card(folder, Path(device).name)
            finally:
                subprocess.run(["umount", str(folder)], check=True)
        finally:
            subprocess.run(["losetup", "-d", device], check=True)


def worn(writer: HistoryWriter, disk: Disk, card: Card, begin_s: int, seconds: int, *, live: bool = False) -> Worn:
    """Write so many seconds of the usual set."""
    began_s = time.monotonic()
    told, before = Worn(), card.written()
    disk.ops[:] = []
    secure_s, commit_s = begin_s + SECURE_S, begin_s + COMMIT_S
    second = begin_s
    for burst in Receiver(ReceiverSettings(), Drive(1), 1).epochs(begin_s, begin_s + seconds):
        at_ns = round(burst.due_s * S)
        if live:
            time.sleep(max(0.0, began_s + burst.due_s - begin_s - time.monotonic()))
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
        if burst.due_s >= secure_s:  # as the keeper does
            secure_s += SECURE_S
            if burst.due_s >= commit_s or not writer.secure():
                commit_s = burst.due_s + COMMIT_S
                writer.date_watch(S, 0.01)  # as the core does each minute
                writer.commit()
                writer.make_room()
            told.take(disk.ops)
    if card.device:
        told.card = card.written() - before
    return told


def main(minutes: int, live: bool) -> None:
    seconds = minutes * 60
    start = WatchStart(0, S, "usual", "x" * 1500, "Tractor 3", "0")
    with card() as place, between(Disk("history.db")) as disk:
        path = place.folder / "history.db"
        with HistoryWriter(path, Space(free_least_bytes=0)) as writer:
            writer.begin_watch(start)
            told = worn(writer, disk, place, 0, seconds, live=live)
        print(f"growing:    {told.says(seconds)}; the file {path.stat().st_size / told.line:.2f}")
        most = path.stat().st_size + WAL_BYTES_KEPT + TAIL_BYTES
        with HistoryWriter(path, Space(most, 0)) as writer:
            writer.begin_watch(start)
            told = worn(writer, disk, place, seconds, seconds // 4, live=live)
        print(f"at its cap: {told.says(seconds // 4)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 240, "live" in sys.argv)
