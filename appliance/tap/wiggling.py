"""The wiggle test as the tap runs it: begun and ended when somebody asks, shown at every turn, never left on.

Somebody bends the cable with one hand and hears, feels or sees each loss in the other. So what is counted goes out
with the next turn, within 50 ms, and not with the judge's next look. The core's thread owns it all but `ask`.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from appliance.judge.words import duration
from appliance.measure.wiggle import Wiggle
from appliance.plain import rounded, utc_text
from appliance.tap.publish import publish
from appliance.watch import RECEIVER, Watch

NAME = "wiggle.json"
MOST_S = 900.0
"""A test ends by itself after this: with one on, the lamps no longer tell go from no-go. Our choice."""
RED_NS = 150_000_000
"""For so long red is alone after a loss: three turns, so it is seen. Our choice."""


class Wiggling:
    """folder: where NAME is kept. mark: keeps a note with this moment, as the box's own."""

    def __init__(self, watch: Watch, folder: Path, mark: Callable[[str], None]) -> None:
        self._watch = watch
        self._path = folder / NAME
        self._mark = mark
        self._asked: queue.SimpleQueue[tuple[bool, threading.Event]] = queue.SimpleQueue()
        self._told = 0
        self._red_until_ns = 0
        self._silent = False

    def ask(self, on: bool) -> threading.Event:
        """Begins a test, anew if one is on, or ends it; from any thread. The event is set once that is so and shown."""
        done = threading.Event()
        self._asked.put((on, done))
        return done

    @property
    def on(self) -> bool:
        """Whether a test is on."""
        return self._watch.receiver.wiggle is not None

    def pattern(self, now_ns: int) -> str | None:
        """What the lamps show during a test; None while none is on."""
        if not self.on:
            return None
        return "hit" if self._silent or now_ns < self._red_until_ns else "wiggle"

    def turn(self, now_ns: int, utc_offset_ns: int) -> None:
        """Does what was asked, counts what is overdue and shows how it stands. utc_offset_ns: UTC less monotonic."""
        done = []
        while not self._asked.empty():
            on, event = self._asked.get()
            self._end(now_ns, utc_offset_ns, "ended")
            if on:
                self._begin(now_ns)
            done.append(event)
        wiggle = self._watch.receiver.wiggle
        if wiggle is not None:
            self._count(wiggle, now_ns)
            if now_ns - wiggle.started_ns >= MOST_S * 1e9:
                self._end(now_ns, utc_offset_ns, f"ended by itself after {MOST_S / 60:.0f} min")
            else:
                publish(self._path, self._shown(wiggle, now_ns, utc_offset_ns))
        for event in done:
            event.set()

    def stop(self, now_ns: int, utc_offset_ns: int) -> None:
        """The watch ends, as the box stops or with other needs: a test that is on ends with it."""
        self._end(now_ns, utc_offset_ns, "ended with its watch")

    def _begin(self, now_ns: int) -> None:
        self._watch.begin_wiggle(now_ns)
        self._told = self._red_until_ns = 0
        self._mark("Wiggle test began")

    def _count(self, wiggle: Wiggle, now_ns: int) -> None:
        wiggle.tick(now_ns)
        if wiggle.count != self._told:
            self._told, self._red_until_ns = wiggle.count, now_ns + RED_NS
        # Where no message is named, none can be missing; a dead line must not look like a sound one even so.
        self._silent = self._silence_s(wiggle, now_ns) > self._watch.needs.silence_most_s

    def _silence_s(self, wiggle: Wiggle, now_ns: int) -> float:
        last_ns = self._watch.receiver.load.last_ns
        return (now_ns - (wiggle.started_ns if last_ns is None else last_ns)) / 1e9

    def _end(self, now_ns: int, utc_offset_ns: int, how: str) -> None:
        wiggle = self._watch.receiver.wiggle
        if wiggle is None:
            return
        wiggle.tick(now_ns)
        shown = self._shown(wiggle, now_ns, utc_offset_ns)
        self._watch.end_wiggle()
        publish(self._path, shown | {"on": False})
        self._mark(f"Wiggle test {how}: {losses(wiggle, now_ns)}")

    def _shown(self, wiggle: Wiggle, now_ns: int, utc_offset_ns: int) -> dict[str, Any]:
        last_ns = wiggle.last_hit_ns
        return {
            "format": 1,
            "on": True,
            "line": RECEIVER,
            "started_utc": utc_text(wiggle.started_ns + utc_offset_ns),
            "seconds": rounded((now_ns - wiggle.started_ns) / 1e9, 2),
            "count": wiggle.count,
            "damaged": wiggle.damaged_count,
            "missing": wiggle.missing_count,
            "last_hit_s": None if last_ns is None else rounded((now_ns - last_ns) / 1e9, 2),
            "silent": self._silent,
            "silence_s": rounded(self._silence_s(wiggle, now_ns), 2),
            "strip": wiggle.strip(now_ns),
        }


def losses(wiggle: Wiggle, now_ns: int) -> str:
    """What a test found, in words: "7 losses in 48 s: 3 damaged, 4 missing"."""
    lasted = duration((now_ns - wiggle.started_ns) / 1e9)
    if not wiggle.count:
        return f"no loss in {lasted}"
    lost = "1 loss" if wiggle.count == 1 else f"{wiggle.count} losses"
    return f"{lost} in {lasted}: {wiggle.damaged_count} damaged, {wiggle.missing_count} missing"
