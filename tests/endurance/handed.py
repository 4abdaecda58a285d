"""What is handed to a keeper before the power is cut, each piece with its number, and which of it history still has."""

from __future__ import annotations

import functools
import random
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from appliance.history.job import FIELDS, Job, StoredJob
from appliance.history.reader import History
from appliance.history.rows import FaultRow, LossRow, MarkRow, SecondRow
from appliance.sentence.chunk import Chunk
from appliance.tap.keeper import Keeper

if TYPE_CHECKING:
    from tests.endurance.disk import Disk
else:
    from disk import Disk

S = 1_000_000_000
STEP_NS = S // 10
JOB_EACH = 40
"""A job is given, or changed, each 4 s; it is committed at once, so one whose giving was answered must be there."""
EVENTS_EACH = {2: 700}
"""A mark, fault and loss come each 7 s, but in the second job each 70 s: in between, all stands in the tail alone."""
RECEIVER = "from-receiver"
KINDS = ("chunk", "second", "job", "mark", "fault", "loss")


@dataclass(slots=True, frozen=True)
class Handed:
    """What was handed to the keeper: in which job, when, what, and its number there."""

    job: int
    at_ns: int
    what: str
    number: int


@functools.cache
def payload(seed: int, job: int, number: int) -> bytes:
    """A chunk that cannot be packed, and tells its number."""
    return b"%06d" % number + random.Random(f"{seed} {job} {number}").randbytes(5000)


def hand_over(keeper: Keeper, disk: Disk, seed: int, job: int, step: int) -> None:
    now_ns = step * STEP_NS
    disk.tell(Handed(job, now_ns, "time", step))
    if step % 10 == 5:
        number = step // 10
        keeper.chunk(RECEIVER, Chunk(payload(seed, job, number), now_ns, 1000))
        disk.tell(Handed(job, now_ns, "chunk", number))
    if step % 10 == 0:
        number = step // 10
        keeper.second(SecondRow(RECEIVER, now_ns, 820, 12, 0, 0, 0.2, "go", 4, 18, messages={"GNGGA": number % 7}))
        disk.tell(Handed(job, now_ns, "second", number))
    if step % JOB_EACH == 15 and keeper.watch_id is not None:
        number = step // JOB_EACH
        answered: list[str] = []
        keeper.job(None, work(number), now_ns, answered.append)
        wait(lambda: answered)
        assert answered == [""]
        disk.tell(Handed(job, now_ns, "job", number))
    if step % EVENTS_EACH.get(job, 70) == 0:
        number = step // 70
        keeper.mark(MarkRow(now_ns, "page", f"{number}"))
        disk.tell(Handed(job, now_ns, "mark", number))
        keeper.fault(f"{number}", FaultRow("gap", RECEIVER, "GGA", now_ns, None, f"{number}", 1.0, 0.6, "s"))
        disk.tell(Handed(job, now_ns, "fault", number))
        keeper.loss(f"{number}", LossRow("speed", now_ns, None))
        disk.tell(Handed(job, now_ns, "loss", number))


def work(number: int) -> Job:
    """A job that tells its number in every field."""
    return Job(*(f"{field.name} {number}" for field in FIELDS))


def wait(done: Callable[[], object]) -> None:
    end_s = time.monotonic() + 60.0
    while not done():
        assert time.monotonic() < end_s, "the keeper stands still"
        time.sleep(0.0002)


def there(history: History, watch: int, what: str, seed: int, job: int) -> tuple[set[int], int | None]:
    """The numbers that are in history, and before when some are gone on purpose."""
    told = history.watch(watch)
    if what == "chunk":
        numbers = set()
        for data in _pieces(history, watch):
            number = int(data[:6])
            assert data == payload(seed, job, number), f"chunk {number} is not what it was"
            numbers.add(number)
        return numbers, told.raw_gone_ns
    if what == "job":
        return _jobs(history.job(watch)), None
    if what == "second":
        return {row.second_ns // S for row in history.seconds(watch)}, told.seconds_gone_ns
    events = {
        "mark": lambda: {int(row.note) for row in history.marks(watch)},
        "fault": lambda: {int(row.says) for row in history.faults(watch)},
        "loss": lambda: {row.start_ns // (70 * STEP_NS) for row in history.losses(watch)},
    }
    return events[what](), told.events_gone_ns


def _jobs(given: StoredJob | None) -> set[int]:
    """The newest holds; that it is there tells of those before it."""
    if given is None:
        return set()
    number = int(given.job.machine.split()[-1])
    assert given.job == work(number), f"job {number} is not what it was"
    return set(range(number + 1))


def _pieces(history: History, watch: int) -> Iterator[bytes]:
    for chunk in history.chunks(watch, RECEIVER):
        yield chunk.data
