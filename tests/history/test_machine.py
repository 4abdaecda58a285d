"""History through whatever may befall a box: any wall clock, dates and steps, cuts of power, a cap, erasing.

A machine of rules drives the real writer, and after each step the real reader is held against a plain model of what
must be there. Time: order and spans of a watch are those of the monotonic clock, whatever the wall clock said; a watch
is dated, from its first byte on, by the last date that the line told, and only else by the box's own clock.
"""

from __future__ import annotations

import random
import shutil
import tempfile
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from appliance.history.reader import History
from appliance.history.rows import MarkRow, SecondRow, WatchStart
from appliance.history.schema import WAL_BYTES_KEPT
from appliance.history.space import Space
from appliance.history.tail import TAIL_BYTES
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk

S = 1_000_000_000
RECEIVER = "from-receiver"
CAP = Space(WAL_BYTES_KEPT + TAIL_BYTES + 1_000_000, 0)
WALL_CLOCKS = st.sampled_from([0, S, 951_782_400 * S, 1_777_886_000 * S, 1_483_228_799 * S, 4_102_444_800 * S])
"""1970, a second later, 2000-02-29, 2026, the second before a leap second was told, 2100."""
OFFSETS = st.integers(-10 * S, 10 * S)


@dataclass
class Known:
    """A watch as it must be. safe: how many of its seconds a cut of power cannot take."""

    started_ns: int
    box_utc_ns: int
    seconds: list[int] = field(default_factory=list)
    marks: list[int] = field(default_factory=list)
    safe: int = 0
    marks_safe: int = 0
    offset_ns: int | None = None
    offset_safe: int | None = None
    how: str = ""


class Box(RuleBasedStateMachine):
    """The box's life. now_ns: the monotonic clock, which begins anew with each start."""

    def __init__(self) -> None:
        super().__init__()
        self.place = Path(tempfile.mkdtemp(prefix="box-"))
        self.path = self.place / "history.db"
        self.watches: dict[int, Known] = {}
        self.current = 0
        self.now_ns = 0
        self.noise = random.Random(1)

    @initialize(wall_ns=WALL_CLOCKS)
    def first_start(self, wall_ns: int) -> None:
        self._start(wall_ns)

    def teardown(self) -> None:
        self.writer.close()
        shutil.rmtree(self.place)

    def _start(self, wall_ns: int) -> None:
        self.now_ns = 5 * S
        self.writer = HistoryWriter(self.path, CAP)
        self.writer._db.execute("PRAGMA synchronous = OFF")  # the files are copied, the power is not really cut
        self.current = self.writer.begin_watch(WatchStart(self.now_ns, wall_ns, "any", "", "Tractor 3", "0"))
        self.watches[self.current] = Known(self.now_ns, wall_ns)

    @property
    def known(self) -> Known:
        return self.watches[self.current]

    def _all_safe(self) -> None:
        known = self.known
        known.safe, known.marks_safe, known.offset_safe = len(known.seconds), len(known.marks), known.offset_ns

    @rule(seconds=st.integers(1, 6), bytes_=st.sampled_from([20, 900, 20_000]))
    def listen(self, seconds: int, bytes_: int) -> None:
        for _ in range(seconds):
            number = self.now_ns // S
            self.writer.add_chunk(
                RECEIVER, Chunk(b"%08d" % number + number.to_bytes(4, "big") * (bytes_ // 4), self.now_ns, 10)
            )
            self.writer.add_second(SecondRow(RECEIVER, self.now_ns, bytes_, 12, 0, 0, 0.2, "go"))
            self.known.seconds.append(number)
            self.now_ns += S

    @rule()
    def press(self) -> None:
        self.writer.add_mark(MarkRow(self.now_ns, "button", "here"))
        self.known.marks.append(self.now_ns)

    @rule(wall_ns=WALL_CLOCKS, step_ns=OFFSETS)
    def the_line_tells_the_time(self, wall_ns: int, step_ns: int) -> None:
        """It becomes known within a watch, and may step both ways, by a leap second too."""
        self.known.offset_ns = wall_ns + step_ns - self.known.started_ns
        self.writer.date_watch(self.known.offset_ns, 0.5)

    @rule()
    def secure(self) -> None:
        if self.writer.secure():
            known = self.known
            known.safe = len(known.seconds)
        else:
            self.commit()

    @rule()
    def commit(self) -> None:
        self.writer.commit()
        self._all_safe()
        self.writer.make_room()

    @rule(wall_ns=WALL_CLOCKS)
    def cut_power(self, wall_ns: int) -> None:
        known = self.known
        with tempfile.TemporaryDirectory() as name:
            for file in self.place.iterdir():
                if not file.name.endswith("-shm"):
                    shutil.copy(file, name)
            self.writer.release()
            for file in self.place.iterdir():
                file.unlink()
            for file in Path(name).iterdir():
                shutil.copy(file, self.place)
        del known.seconds[known.safe :]
        del known.marks[known.marks_safe :]
        known.offset_ns, known.how = known.offset_safe, "cut off"
        self._start(wall_ns)

    @rule(wall_ns=WALL_CLOCKS)
    def stop_and_start(self, wall_ns: int) -> None:
        self.writer.end_watch(self.now_ns)
        self.known.how = "stopped"
        self.writer.close()
        self._start(wall_ns)

    @precondition(lambda self: len(self.watches) > 1)
    @rule(data=st.data())
    def erase(self, data: st.DataObject) -> None:
        gone = data.draw(st.sampled_from([one for one in self.watches if one != self.current]))
        self.writer.erase(gone)
        self._all_safe()
        del self.watches[gone]

    @invariant()
    def history_holds_what_it_must(self) -> None:
        with History(self.path) as history:
            assert {watch.id for watch in history.watches()} <= set(self.watches)
            for watch in history.watches():
                known = self.watches[watch.id]
                over = watch.id != self.current
                told = [row.second_ns // S for row in history.seconds(watch.id)]
                raw = [int(chunk.data[:8]) for chunk in history.chunks(watch.id, RECEIVER)]
                first_raw = (watch.raw_gone_ns or 0) // S
                assert told == sorted(set(told))
                assert set(told) <= set(known.seconds)
                assert all(one < two for one, two in pairwise(raw))
                if over:
                    gone_ns = watch.seconds_gone_ns or 0
                    assert told == [number for number in known.seconds if number * S >= gone_ns]
                    whole = [number for number in known.seconds if number > first_raw]
                    assert [number for number in raw if number > first_raw] == whole
                    marks = [mark.at_ns for mark in history.marks(watch.id)]
                    assert marks == [at for at in known.marks if at >= (watch.events_gone_ns or 0)]
                    assert watch.ended_how == known.how
                    assert watch.ended_ns is not None
                    assert watch.started_ns <= watch.ended_ns
                    if known.seconds and not watch.seconds_gone_ns:
                        assert watch.last_ns >= known.seconds[-1] * S
                    offset = known.offset_ns
                    assert watch.dated == (offset is not None)
                    by_box = known.box_utc_ns - known.started_ns
                    assert watch.utc_offset_ns == (by_box if offset is None else offset)
                assert watch.utc_ns(watch.started_ns) <= watch.utc_ns(watch.last_ns)
            ids = [watch.id for watch in history.watches()]
            assert ids == sorted(ids, reverse=True)  # whatever the wall clock said
            assert not [one for one in history.troubles if "spoilt" in one]


TestBox = Box.TestCase
TestBox.settings = settings(
    max_examples=25, stateful_step_count=25, deadline=None, suppress_health_check=list(HealthCheck)
)
