"""The core: the one thread that owns the watch, the lamps and the live picture. It ticks in silence as well."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from typing import Any, Literal

from appliance import __version__
from appliance.history.rows import MarkRow, WatchStart
from appliance.judge.needs import Needs
from appliance.lamp import LampError, Lamps
from appliance.sentence.setting import Setting
from appliance.settings import Settings
from appliance.tap.inbox import Inbox, Item
from appliance.tap.keeper import Keeper
from appliance.tap.listening import Listening
from appliance.tap.publish import publish
from appliance.tap.shown import live_picture, weighty

TICK_S = 0.05
"""Lamps are refreshed twenty times a second, so that a wink of 0.12 s is always seen."""
PICTURE = "picture.json"
PICTURE_NS = 700_000_000
"""Where nothing of weight changed, the figures that run on are shown this often: with the look that follows, at least
once a second. Our choice: making a picture takes several times what a look takes."""


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
        self._renewals: queue.SimpleQueue[tuple[Needs, str, threading.Event]] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="core", daemon=True)
        self._listening = Listening(settings, needs, keeper, self._box_mark, started_ns=clock())
        self._lamps: Lamps | None = None
        self._lamp_says = ""
        self._dropped = 0
        self._shown: tuple[object, ...] = ()
        self._shown_ns = 0

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

    def dark(self) -> None:
        """Lamps dark, for a core that stands still; from the thread that found it so."""
        lamps, self._lamps = self._lamps, None
        if lamps is not None:
            lamps.close()

    def mark(self, source: Literal["button", "page", "box"], note: str = "") -> None:
        """Sets a mark at this moment; from any thread."""
        self._marks.put(MarkRow(self._clock(), source, note[:200]))

    def utc_ns(self) -> int:
        """The time by the line, or else by the box's own clock, in ns since 1970; from any thread."""
        return (now_ns := self._clock()) + self._listening.offset_ns(now_ns)

    def wiggle(self, on: bool) -> threading.Event:
        """Begins or ends a wiggle test; from any thread. The event is set once that is so."""
        return self._listening.wiggling.ask(on)

    @property
    def needs_name(self) -> str:
        """Of the sheet in force."""
        return self._listening.watch.needs.name

    def test_lamps(self) -> str:
        """Lights both lamps for a second; from any thread. Gives what is wrong with them, or ""."""
        if self._lamps is None:
            return self._lamp_says or "The lamps are not lit yet."
        self._lamps.test()
        return ""

    def ports(self) -> list[tuple[str, str]]:
        """Path of each port and what is wrong with it, or ""; from any thread."""
        known = dict(self._listening.ports)
        unknown = "The port has not been opened yet."
        return [(line.path, known[line.name].says if line.name in known else unknown) for line in self._settings.lines]

    def renew(self, needs: Needs, toml: str) -> threading.Event:
        """Ends this watch and begins another that is judged by needs; from any thread. The event is set once it has.

        Not the same watch with other needs: what was judged by the one sheet must not be counted by the other. The
        ports are left as they are and no byte is missed. toml: text of the sheet, kept with the new watch.
        """
        done = threading.Event()
        self._renewals.put((needs, toml, done))
        return done

    def _box_mark(self, note: str) -> None:
        self.mark("box", note)

    def _run(self) -> None:
        self._open_lamps()
        self._listening.begin()
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
        self._listening.watch.prepare()
        self.heartbeat_ns = self._clock()
        while (left_ns := tick_ends_ns - self._clock()) > 0:
            item = self._inbox.take(left_ns / 1e9)
            if item is None:
                break
            self._handle(item)
        for _ in range(self._inbox.waiting):  # a look must see all that had come before it, and not wait for more
            if (item := self._inbox.take(0)) is not None:
                self._handle(item)
        while not self._renewals.empty():
            self._renew(*self._renewals.get())
        listening = self._listening
        listening.wiggling.turn(now_ns := self._clock(), listening.offset_ns(now_ns))
        self._take_marks()
        self.heartbeat_ns = now_ns = self._clock()
        if listening.watch.due(now_ns) or listening.watch.pressing:
            self._look(now_ns)
        self._show(now_ns)

    def _handle(self, item: Item) -> None:
        self.heartbeat_ns = self._clock()  # much may have come at once: as long as it is being done, this part lives
        wanted = self._listening.handle(item)
        if wanted is not None:
            self._tune(item[0], wanted)

    def _take_marks(self) -> None:
        while not self._marks.empty():
            self._listening.mark(self._marks.get())

    def _renew(self, needs: Needs, toml: str, done: threading.Event) -> None:
        before = self._listening
        self._own_up(now_ns := self._clock())
        before.finish(now_ns)
        self._box_mark(f"Needs changed to “{needs.title}”; a new watch began.")
        self._take_marks()
        start = WatchStart(now_ns, time.time_ns(), needs.name, toml, self._settings.machine, __version__)
        self._keeper.renew(now_ns, start)
        self._listening = Listening(
            self._settings, needs, self._keeper, self._box_mark, started_ns=now_ns, before=before
        )
        self._listening.begin()
        self._box_mark(f"Began with the needs “{needs.title}”; before, “{before.watch.needs.title}”.")
        done.set()

    def _look(self, now_ns: int) -> None:
        self._own_up(now_ns)
        self._listening.look(now_ns)
        if now_ns - self._shown_ns >= PICTURE_NS or self._shown != self._weighty():
            self._publish(now_ns)

    def _weighty(self) -> tuple[object, ...]:
        return weighty(self._listening, self._keeper.watch_id, self._lamps, self._box())

    def _own_up(self, now_ns: int) -> None:
        """What the box itself lost since the last look is not the line's fault."""
        dropped = self._inbox.dropped  # once: a reader may be dropping more just now
        self._listening.watch.receiver.lost(1 if dropped > self._dropped else 0, now_ns)
        self._dropped = dropped

    def _publish(self, now_ns: int) -> None:
        shown = live_picture(
            self._listening, self._settings, self._keeper.watch_id, lamps=self._lamps, box=self._box(), now_ns=now_ns
        )
        publish(self._settings.run_folder / PICTURE, shown)
        self._shown, self._shown_ns = self._weighty(), now_ns

    def _show(self, now_ns: int) -> None:
        if self._lamps is None:
            return
        listening = self._listening
        self._lamps.show(listening.wiggling.pattern(now_ns) or listening.watch.verdict.state, now_ns)
        for event in self._lamps.tick(now_ns):
            if event == "mark":
                self.mark("button")
            elif event == "stop":
                self.mark("button", "asked for a clean stop")
                self.stop_asked.set()

    def _finish(self) -> None:
        self._own_up(now_ns := self._clock())
        self._listening.finish(now_ns)
        self._publish(now_ns)
        self._take_marks()

    def _box(self) -> dict[str, Any]:
        dropped = self._inbox.dropped
        says = [self._settings.faulty, self._lamp_says, self._keeper.says]
        if dropped:
            says.append(f"The box itself lost {dropped} bytes because it could not keep up; the line is not to blame.")
        if self._keeper.dropped:
            says.append(f"{self._keeper.dropped} entries could not be kept in history because it could not keep up.")
        return {"dropped": dropped, "history_says": self._keeper.says, "says": [one for one in says if one]}
