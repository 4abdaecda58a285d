"""The core: the one thread that owns the watch, the lamps and the live picture. It ticks in silence as well."""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable
from datetime import date
from typing import Any, Literal

from appliance import __version__, picture
from appliance.history.rows import Clip, FaultRow, LossRow, MarkRow, TuningRow
from appliance.judge.faults import Fault
from appliance.judge.inquiry import Inquiry
from appliance.judge.needs import Needs
from appliance.lamp import LampError, Lamps
from appliance.line.port import Counted, PortState, Tuned
from appliance.sentence.setting import Setting
from appliance.settings import Settings
from appliance.tap.inbox import Inbox, Item
from appliance.tap.keeper import Keeper
from appliance.tap.publish import publish
from appliance.tap.said import Said
from appliance.tap.second import second_row
from appliance.tap.wiggling import Wiggling
from appliance.watch import CONTROLLER, Watch

TICK_S = 0.05
"""Lamps are refreshed twenty times a second, so that a wink of 0.12 s is always seen."""
PICTURE = "picture.json"
_SHOWN = 10
_DATE_AGAIN_NS = 60_000_000_000
_DATE_MOVED_NS = 50_000_000


class Core:
    """Takes what the readers hand over, drives the watch, shows the verdict and orders what is to be kept."""

    def __init__(
        self,
        settings: Settings,
        needs: Needs,
        inbox: Inbox,
        keeper: Keeper,
        tune: Callable[[str, Setting], None] = lambda _line, _setting: None,
        *,
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        """tune: asks the reader of a line to listen at another setting; it answers with a Tuned."""
        self.heartbeat_ns = clock()
        self._tune = tune
        self.stop_asked = threading.Event()
        self._settings = settings
        self._inbox = inbox
        self._keeper = keeper
        self._clock = clock
        self._marks: queue.SimpleQueue[MarkRow] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="core", daemon=True)
        bauds, earliest = {line.name: line.baud for line in settings.lines}, date.fromisoformat(settings.earliest)
        self._watch = Watch(needs, bauds, clock(), earliest=earliest, box_says=settings.faulty)
        self._wiggling = Wiggling(self._watch, settings.run_folder, lambda note: self.mark("box", note))
        self._ports: dict[str, PortState] = {}
        self._floors_s: dict[str, float | None] = {}
        self._said = Said()
        self._recent: deque[Fault] = deque(maxlen=_SHOWN)
        self._marked: deque[MarkRow] = deque(maxlen=_SHOWN)
        self._ended: dict[str, Fault] = {}
        self._lamps: Lamps | None = None
        self._lamp_says = ""
        self._second = clock() // 1_000_000_000
        self._inquiry = Inquiry()
        self._dropped = 0
        self._dated_ns: int | None = None
        self._date_told_ns = 0

    def start(self) -> None:
        """Lights the lamps and begins."""
        self._thread.start()

    def stop(self, timeout_s: float) -> bool:
        """Judges what is still in the inbox, hands over the evidence, lamps dark; whether it ended in time."""
        self._stopping.set()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def is_alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def mark(self, source: Literal["button", "page", "box"], note: str = "") -> None:
        """Sets a mark at this moment; from any thread."""
        self._marks.put(MarkRow(self._clock(), source, note[:200]))

    def wiggle(self, on: bool) -> threading.Event:
        """Begins or ends a wiggle test; from any thread. The event is set once that is so."""
        return self._wiggling.ask(on)

    def _run(self) -> None:
        self._open_lamps()
        for line in self._settings.lines:
            self._keeper.tuned(TuningRow(line.name, self._watch.started_ns, line.setting))
        try:
            while not self._stopping.is_set():
                self._turn()
            while (item := self._inbox.take(0)) is not None:
                self._handle(item)
            self._finish()
        finally:
            if self._lamps is not None:
                self._lamps.close()

    def _open_lamps(self) -> None:
        settings = self._settings
        try:
            self._lamps = Lamps(settings.pins, settings.green, settings.red, settings.button)
        except LampError as trouble:
            self._lamp_says = f"The lamps do not work, so they are dark whatever the verdict: {trouble}"

    def _turn(self) -> None:
        """One tick: everything that came, then a look if one is due, then the lamps."""
        self.heartbeat_ns = started_ns = self._clock()
        tick_ends_ns = started_ns + int(TICK_S * 1e9)
        self._watch.prepare()
        while (left_ns := tick_ends_ns - self._clock()) > 0:
            item = self._inbox.take(left_ns / 1e9)
            if item is None:
                break
            self._handle(item)
        for _ in range(self._inbox.waiting):  # a look must see all that had come before it, and not wait for more
            if (item := self._inbox.take(0)) is not None:
                self._handle(item)
        self._wiggling.turn(now_ns := self._clock(), self._offset_ns(now_ns))
        while not self._marks.empty():
            mark = self._marks.get()
            self._marked.appendleft(mark)
            self._keeper.mark(mark)
        now_ns = self._clock()
        if self._watch.due(now_ns):
            self._look(now_ns)
        self._show(now_ns)

    def _handle(self, item: Item) -> None:
        self.heartbeat_ns = self._clock()  # much may have come at once: as long as it is being done, this part lives
        line, what = item
        if isinstance(what, PortState):
            self._ports[line] = what
            self._floors_s[line] = what.floor_s
            if what.state != "stopped":
                self._watch.port(line, what.says if what.state != "open" else "", what.at_ns)
        elif isinstance(what, Tuned):
            if what.says:
                self._watch.meters[line].hunt.refused()
            self._watch.meters[line].tuned(what.setting, what.at_ns)
            self._floors_s[line] = what.floor_s
            self._keeper.tuned(TuningRow(line, what.at_ns, what.setting))
        elif isinstance(what, Counted):
            self._watch.meters[line].counted(what.counters, what.at_ns)
        else:
            self._keeper.chunk(line, what)
            if line == CONTROLLER:
                self._said.feed(what)
            wanted = self._watch.feed(line, what)
            if wanted is not None:
                self._tune(line, wanted)

    def _look(self, now_ns: int, stopping: bool = False) -> None:
        dropped, self._dropped = self._inbox.dropped - self._dropped, self._inbox.dropped
        self._watch.receiver.lost(1 if dropped else 0, now_ns)
        seen = self._watch.look(now_ns)
        self._inquiry.take(seen.checks, seen.opened, now_ns)
        for fault in seen.opened:
            self._keeper.fault(fault.key, _row(fault))
        for fault in seen.closed:
            self._ended[fault.key] = fault
            self._recent.appendleft(fault)
            self._keeper.fault(fault.key, _row(fault))
        lasting = {fault.key: fault for fault in self._watch.faults.open}
        for key, excerpts in self._watch.evidence_ready(now_ns, stopping):
            clips = tuple(Clip(e.label, e.line, e.chunks) for e in excerpts)
            ended = self._ended.pop(key, None) or lasting[key]
            self._keeper.fault(key, _row(ended, clips), whole=True)
        for lost in self._watch.controller.take_changed():
            self._keeper.loss(f"{lost.what} {lost.start_ns}", LossRow(lost.what, lost.start_ns, lost.end_ns))
        self._date(now_ns)
        self._seconds(now_ns, stopping)
        publish(self._settings.run_folder / PICTURE, self._picture(now_ns))

    def _date(self, now_ns: int) -> None:
        utc = self._watch.receiver.utc
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
        for line, meter in self._watch.meters.items():
            row = second_row(line, meter, self._second * 1_000_000_000, now_ns, self._watch.verdict.state)
            self._keeper.second(row)
        self._second = now_ns // 1_000_000_000

    def _show(self, now_ns: int) -> None:
        if self._lamps is None:
            return
        self._lamps.show(self._wiggling.pattern(now_ns) or self._watch.verdict.state, now_ns)
        for event in self._lamps.tick(now_ns):
            if event == "mark":
                self.mark("button")
            elif event == "stop":
                self.mark("button", "asked for a clean stop")
                self.stop_asked.set()

    def _finish(self) -> None:
        """The sentence under way is not judged: that it is cut short is the box's doing."""
        self._wiggling.stop(now_ns := self._clock(), self._offset_ns(now_ns))
        self._look(now_ns, stopping=True)
        while not self._marks.empty():
            self._keeper.mark(self._marks.get())

    def _offset_ns(self, now_ns: int) -> int:
        """UTC less monotonic time: as the line told it, else by the box's own clock."""
        return self._dated_ns if self._dated_ns is not None else time.time_ns() - now_ns

    def _picture(self, now_ns: int) -> picture.Json:
        watch, offset = self._watch, self._offset_ns(now_ns)
        started, needs, utc = watch.started_ns, watch.needs, watch.receiver.utc
        return {
            "format": 1,
            "version": __version__,
            "at_utc": picture.utc_text(now_ns + offset),
            "machine": self._settings.machine,
            "verdict": picture.verdict(watch, now_ns),
            "needs": {"name": needs.name, "title": needs.title},
            "checks": [picture.check(one) for one in watch.checks],
            "lines": [self._line(line.name, line.path, now_ns, offset) for line in self._settings.lines],
            "watch": {
                "id": self._keeper.watch_id,
                "seconds": picture.rounded((now_ns - started) / 1e9, 1),
                "started_utc": picture.utc_text(started + offset),
            },
            "clock": {
                "source": "box" if self._dated_ns is None else "line",
                "uncertainty_s": picture.rounded(utc.uncertainty_s, 3),
            },
            "lamps": self._lamp_picture(),
            "wiggle": self._wiggling.on,
            "box": self._box(),
            "controller_saw": picture.controller_saw(watch, now_ns, most=_SHOWN),
            "proof": picture.proof(watch, now_ns),
            "causes": picture.causes(self._inquiry, watch, now_ns),
            "faults_open": [picture.fault(one, started, offset) for one in watch.faults.open],
            "faults_recent": [picture.fault(one, started, offset) for one in self._recent],
            "marks": [
                {
                    "at_s": picture.rounded((mark.at_ns - started) / 1e9, 1),
                    "at_utc": picture.utc_text(mark.at_ns + offset),
                    "source": mark.source,
                    "note": mark.note,
                }
                for mark in self._marked
            ],
        }

    def _line(self, name: str, path: str, now_ns: int, offset: int) -> picture.Json:
        port = self._ports.get(name)
        state = port.state if port else "missing"
        says = port.says if port else "The port has not been opened yet."
        meter, floor_s = self._watch.meters[name], self._floors_s.get(name)
        clock = picture.clock(meter, self._watch.started_ns)
        wall_less_mono_ns = time.time_ns() - now_ns
        return {
            "name": name,
            "port": path,
            "port_state": state,
            "port_says": says,
            "floor_s": picture.rounded(floor_s, 6),
            "setting": picture.setting(meter, name),
            "counters": picture.counters(meter),
            "said": self._said.shown(self._watch.started_ns, offset) if name == CONTROLLER else [],
            **picture.line(meter, self._watch.needs, now_ns),
            "clock": clock | {"box_ahead_s": picture.box_ahead_s(clock["offset_s"], wall_less_mono_ns)},
        }

    def _lamp_picture(self) -> dict[str, Any]:
        lamps = self._lamps
        if lamps is None:
            return {"pins": "none", "green": False, "red": False, "pattern": "dark"}
        return {"pins": lamps.pins, "green": lamps.green, "red": lamps.red, "pattern": lamps.pattern}

    def _box(self) -> dict[str, Any]:
        dropped = self._inbox.dropped
        says = [self._settings.faulty, self._lamp_says, self._keeper.says]
        if dropped:
            says.append(f"The box itself lost {dropped} bytes because it could not keep up; the line is not to blame.")
        if self._keeper.dropped:
            says.append(f"{self._keeper.dropped} entries could not be kept in history because it could not keep up.")
        return {"dropped": dropped, "history_says": self._keeper.says, "says": [one for one in says if one]}


def _row(fault: Fault, clips: tuple[Clip, ...] = ()) -> FaultRow:
    return FaultRow(
        fault.kind, fault.line, fault.message, fault.start_ns, fault.end_ns, fault.says,
        fault.measured, fault.needed, fault.unit, clips,
    )  # fmt: skip
