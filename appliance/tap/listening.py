"""One watch as the tap runs it: what is heard is judged, and what is to be kept is handed to the keeper."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from datetime import date

from appliance.history.rows import Clip, FaultRow, LossRow, MarkRow, TuningRow
from appliance.judge.faults import Fault
from appliance.judge.inquiry import Inquiry
from appliance.judge.needs import Needs
from appliance.line.port import PortState, Tuned
from appliance.sentence.chunk import Chunk
from appliance.sentence.setting import Setting
from appliance.settings import Settings
from appliance.tap.inbox import Item
from appliance.tap.keeper import Keeper
from appliance.tap.said import Said
from appliance.tap.second import second_row
from appliance.tap.wiggling import Wiggling
from appliance.watch import CONTROLLER, Watch

SHOWN = 10
"""Faults, losses and marks in the live picture, at most. Our choice."""
_DATE_AGAIN_NS = 60_000_000_000
_DATE_MOVED_NS = 50_000_000


class Listening:
    """Owned by the core. mark: sets a mark of the box. before: the watch that this one follows, on the same ports."""

    def __init__(
        self,
        settings: Settings,
        needs: Needs,
        keeper: Keeper,
        mark: Callable[[str], None],
        *,
        started_ns: int,
        before: Listening | None = None,
        arrival_measured: bool = True,
    ) -> None:
        """arrival_measured: False where times are not those of the bytes' coming."""
        self._settings = settings
        self._keeper = keeper
        at: dict[str, Setting] = {line.name: line.setting for line in settings.lines}
        if before is not None:
            at = {name: before.watch.meters[name].listening for name in at}
        bauds = {name: setting.baud for name, setting in at.items()}
        earliest = date.fromisoformat(settings.earliest)
        self.watch: Watch = Watch(
            needs, bauds, started_ns, arrival_measured=arrival_measured, earliest=earliest, box_says=settings.faulty
        )
        self.wiggling = Wiggling(self.watch, settings.run_folder, mark)
        self.inquiry = Inquiry()
        self.said = Said()
        self.recent: deque[Fault] = deque(maxlen=SHOWN)
        self.marked: deque[MarkRow] = deque(maxlen=SHOWN)
        self.ports: dict[str, PortState] = {}
        self.floors_s: dict[str, float | None] = {}
        self._ended: dict[str, Fault] = {}
        self._second = started_ns // 1_000_000_000
        self._dated_ns: int | None = None
        self._date_told_ns = 0
        for name, setting in at.items():
            self.watch.meters[name].tuned(setting, started_ns)
        if before is not None:
            self.floors_s = before.floors_s
            for name, meter in before.watch.meters.items():
                self.watch.meters[name].counters = meter.counters  # since the port was opened, which it stays
            for name, port in before.ports.items():
                self._port(name, port, started_ns)

    def begin(self) -> None:
        """Tells history how each port listens."""
        for name, meter in self.watch.meters.items():
            self._keeper.tuned(TuningRow(name, self.watch.started_ns, meter.listening))

    @property
    def dated(self) -> bool:
        """Whether the line has told the time."""
        return self._dated_ns is not None

    def offset_ns(self, now_ns: int) -> int:
        """UTC less monotonic time: as the line told it, else by the box's own clock."""
        return self._dated_ns if self._dated_ns is not None else time.time_ns() - now_ns

    def handle(self, item: Item) -> Setting | None:
        """Takes what a reader handed over. Gives the setting that its port should be tuned to, None to leave it."""
        line, what = item
        if isinstance(what, Chunk):
            self._keeper.chunk(line, what)
            if line == CONTROLLER:
                self.said.feed(what)
            return self.watch.feed(line, what)
        if isinstance(what, PortState):
            self.floors_s[line] = what.floor_s
            self._port(line, what, what.at_ns)
        elif isinstance(what, Tuned):
            if what.says:
                self.watch.meters[line].hunt.refused()
            self.watch.meters[line].tuned(what.setting, what.at_ns)
            self.floors_s[line] = what.floor_s
            self._keeper.tuned(TuningRow(line, what.at_ns, what.setting))
        else:
            self.watch.meters[line].counted(what.counters, what.at_ns)
        return None

    def _port(self, line: str, port: PortState, at_ns: int) -> None:
        self.ports[line] = port
        if port.state != "stopped":
            self.watch.port(line, port.says if port.state != "open" else "", at_ns)

    def mark(self, mark: MarkRow) -> None:
        """A moment that somebody marked."""
        self.marked.appendleft(mark)
        self._keeper.mark(mark)

    def look(self, now_ns: int, stopping: bool = False) -> None:
        """Judges what stands now, and hands over what changed."""
        seen = self.watch.look(now_ns)
        self.inquiry.take(seen.checks, seen.opened, now_ns)
        for fault in seen.opened:
            self._keeper.fault(fault.key, _row(fault))
        for fault in seen.closed:
            self._ended[fault.key] = fault
            self.recent.appendleft(fault)
            self._keeper.fault(fault.key, _row(fault))
        lasting = {fault.key: fault for fault in self.watch.faults.open}
        for key, excerpts in self.watch.evidence_ready(now_ns, stopping):
            clips = tuple(Clip(e.label, e.line, e.chunks) for e in excerpts)
            ended = self._ended.pop(key, None) or lasting[key]
            self._keeper.fault(key, _row(ended, clips), whole=True)
        for lost in self.watch.controller.take_changed():
            self._keeper.loss(f"{lost.what} {lost.start_ns}", LossRow(lost.what, lost.start_ns, lost.end_ns))
        self._date(now_ns)
        self._seconds(now_ns, stopping)

    def finish(self, now_ns: int) -> None:
        """The last look. The sentence under way is not judged: that it is cut short is the box's doing."""
        self.wiggling.stop(now_ns, self.offset_ns(now_ns))
        self.look(now_ns, stopping=True)

    def _date(self, now_ns: int) -> None:
        utc = self.watch.receiver.utc
        if utc.offset_ns is None or utc.uncertainty_s is None:
            return
        moved = self._dated_ns is None or abs(utc.offset_ns - self._dated_ns) > _DATE_MOVED_NS
        if moved or now_ns - self._date_told_ns > _DATE_AGAIN_NS:
            self._dated_ns, self._date_told_ns = utc.offset_ns, now_ns
            self._keeper.date(utc.offset_ns, utc.uncertainty_s)

    def _seconds(self, now_ns: int, stopping: bool) -> None:
        """Hands over the measures of the second that has ended; stopping: of the one under way as well."""
        if now_ns // 1_000_000_000 == self._second and not stopping:
            return
        for line, meter in self.watch.meters.items():
            row = second_row(line, meter, self._second * 1_000_000_000, now_ns, self.watch.verdict.state)
            self._keeper.second(row)
        self._second = now_ns // 1_000_000_000


def _row(fault: Fault, clips: tuple[Clip, ...] = ()) -> FaultRow:
    return FaultRow(
        fault.kind, fault.line, fault.message, fault.start_ns, fault.end_ns, fault.says,
        fault.measured, fault.needed, fault.unit, clips,
    )  # fmt: skip
