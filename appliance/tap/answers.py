"""What the tap does when it is asked: one command each, answered with yes, or with no and why.

Whatever changes the box leaves a mark of the box in history, with its time.
"""

from __future__ import annotations

import math
import queue
import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from appliance.asking import Answer
from appliance.history.job import JobError, from_given
from appliance.judge.sheet import SheetError
from appliance.recent_log import RecentLog
from appliance.tap.commands import Command
from appliance.tap.core import Core
from appliance.tap.keeper import Keeper
from appliance.tap.self_test import self_test
from appliance.tap.sheets import SheetRefused, Sheets

_TURN_S = 1.0
"""What the core is asked for it does at its next turn; one that asks waits for it no longer than this."""
_CATCH_UP_S = 0.5
_JOB_S = 1.5
"""Shorter than whoever asks has patience for an answer."""
MARKS_MOST = 60
"""From the page within an hour, which asks for no PIN: more would fill history and every page that draws it."""
WIGGLES_MOST = 60
"""Tests begun within an hour, for the same reason: each leaves two marks. Our choice: one a minute."""
TRIED_MOST = 60
"""And marks that the box tried itself, within an hour; it may be asked to oftener. Our choice."""
_NUMBER_MOST = 2**63 - 1  # the greatest that history can be asked for
_BUSY = "The box is too busy just now. Look whether it did it before you ask again."

_HANDED_OVER = {
    "wifi": "Another Wi-Fi was asked for: “{}”.",
    "update": "An update of {} came in, to be checked.",
    "version-before": "The version before was asked for.",
}
_OF_MOST = 60  # characters

YES: Answer = {"ok": True}


class Answers:
    """Owned by the thread that answers. stop: asks for a clean stop of the tap. log: of this process."""

    def __init__(self, core: Core, keeper: Keeper, sheets: Sheets, *, stop: Callable[[], None], log: RecentLog) -> None:
        self._marked = _Hourly(MARKS_MOST)
        self._wiggled = _Hourly(WIGGLES_MOST)
        self._tried = _Hourly(TRIED_MOST)
        self._log = log
        self._core = core
        self._keeper = keeper
        self._sheets = sheets
        self._stop = stop

    def commands(self) -> dict[str, Command]:
        """By the word that they are asked with."""
        return {
            "mark": self._mark,
            "wiggle": self._wiggle,
            "erase": self._erase,
            "job": self._job,
            "catch-up": self._catch_up,
            "needs-keep": self._needs_keep,
            "needs-use": self._needs_use,
            "needs-delete": self._needs_delete,
            "self-test": self._self_test,
            "handed-over": self._handed_over,
            "log": self._log_rows,
            "stop": self._stop_cleanly,
        }

    def _mark(self, asked: Mapping[str, Any]) -> Answer:
        note = asked.get("note", "")
        if not isinstance(note, str):
            return _no("note must be text.")
        if self._marked.wait_s():
            return _no(f"{MARKS_MOST} marks were set from the page within the last hour. Use the button on the box.")
        self._core.mark("page", note)
        return YES

    def _wiggle(self, asked: Mapping[str, Any]) -> Answer:
        on = asked.get("on")
        if not isinstance(on, bool):
            return _no("on must be true or false.")
        if on and (wait_s := self._wiggled.wait_s()):
            return _no(
                f"The wiggle test was begun {WIGGLES_MOST} times within the last hour, and each leaves marks in "
                f"history. One that is on goes on; another can be begun in {math.ceil(wait_s / 60)} min."
            )
        return YES if self._core.wiggle(on).wait(_TURN_S) else _no(_BUSY)

    def _erase(self, asked: Mapping[str, Any]) -> Answer:
        """Begins to erase a watch, or all; a mark tells when it is done, and whether."""
        which = asked.get("watch")
        if which != "all" and not _is_number(which):
            return _no('watch must be the number of a watch, or "all".')
        what = "All watches" if which == "all" else f"Watch {which}"

        def done(says: str) -> None:
            self._core.mark("box", f"{what} could not be erased: {says}" if says else f"{what} erased.")

        self._keeper.erase(None if which == "all" else which, done)
        return YES

    def _job(self, asked: Mapping[str, Any]) -> Answer:
        """Gives a job to a watch, or to the one under way; the answer tells whether it is in history."""
        which, given = asked.get("watch"), asked.get("job")
        if which is not None and not _is_number(which):
            return _no("watch must be the number of a watch, or null for the one under way.")
        if not isinstance(given, dict):
            return _no("job must be an object of texts.")
        try:
            job = from_given(given)
        except JobError as trouble:
            return _no(str(trouble))
        told: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._keeper.job(which, job, self._core.utc_ns(), told.put)
        try:
            says = told.get(timeout=_JOB_S)
        except queue.Empty:
            return _no("History is busy. Look in a minute whether the job was kept before you give it again.")
        if says:
            return _no(says)
        self._core.mark("box", "The job was changed." if which is None else f"The job of watch {which} was changed.")
        return YES

    def _catch_up(self, _asked: Mapping[str, Any]) -> Answer:
        """Somebody is about to read history: it is to hold what has come by now."""
        return YES if self._keeper.catch_up().wait(_CATCH_UP_S) else _no("The card is slow just now.")

    def _needs_keep(self, asked: Mapping[str, Any]) -> Answer:
        """Keeps a sheet of the user's own. The one in force is taken into use anew, lest a restart do so unseen."""
        name, toml = asked.get("name"), asked.get("toml")
        if not isinstance(name, str) or not isinstance(toml, str):
            return _no("name and toml must be text.")

        def keep() -> Answer:
            self._sheets.keep(name, toml)
            if name == self._core.needs_name:
                return self._take_into_use(name)
            self._core.mark("box", f"The needs sheet “{name}” was kept.")
            return YES

        return _tried(keep)

    def _needs_use(self, asked: Mapping[str, Any]) -> Answer:
        """Takes a sheet into use, with a new watch."""
        name = asked.get("name")
        return _tried(lambda: self._take_into_use(name)) if isinstance(name, str) else _no("name must be text.")

    def _needs_delete(self, asked: Mapping[str, Any]) -> Answer:
        name = asked.get("name")
        if not isinstance(name, str):
            return _no("name must be text.")

        def delete() -> Answer:
            self._sheets.delete(name)
            self._core.mark("box", f"The needs sheet “{name}” was deleted.")
            return YES

        return _tried(delete)

    def _take_into_use(self, name: str) -> Answer:
        return YES if self._core.renew(*self._sheets.use(name)).wait(_TURN_S) else _no(_BUSY)

    def _self_test(self, _asked: Mapping[str, Any]) -> Answer:
        rows = self_test(self._core, self._keeper)
        bad = ", ".join(row["what"] for row in rows if row["ok"] is False)
        if not self._tried.wait_s():
            self._core.mark("box", f"The box tried itself: {f'not good: {bad}' if bad else 'all good'}.")
        return YES | {"rows": rows}

    def _handed_over(self, asked: Mapping[str, Any]) -> Answer:
        """Marks what the page handed over to the part of the box that may change it."""
        what, of = asked.get("what"), asked.get("of")
        if not isinstance(what, str) or what not in _HANDED_OVER or not isinstance(of, str):
            return _no(f"what must be {' or '.join(_HANDED_OVER)}, and of must be text.")
        self._core.mark("box", _HANDED_OVER[what].format(of[:_OF_MOST]))
        return YES

    def _log_rows(self, _asked: Mapping[str, Any]) -> Answer:
        return YES | {"rows": self._log.rows}

    def _stop_cleanly(self, _asked: Mapping[str, Any]) -> Answer:
        self._core.mark("page", "asked for a clean stop")
        self._stop()
        return YES


class _Hourly:
    """Lets so many through within an hour."""

    def __init__(self, most: int) -> None:
        self._at_s = deque[float](maxlen=most)

    def wait_s(self) -> float:
        """How long to wait for the next one; 0.0: none, and this one counts."""
        now_s = time.monotonic()
        wait_s = self._at_s[0] + 3600 - now_s if len(self._at_s) == self._at_s.maxlen else 0.0
        if wait_s <= 0:
            self._at_s.append(now_s)
        return max(0.0, wait_s)


def _tried(what: Callable[[], Answer]) -> Answer:
    try:
        return what()
    except (SheetRefused, SheetError) as trouble:
        return _no(str(trouble))
    except OSError as trouble:
        return _no(f"The card could not be written: {trouble.strerror or trouble}.")


def _is_number(which: object) -> bool:
    """Whether it can be the number of a watch, be there one or not."""
    return isinstance(which, int) and not isinstance(which, bool) and 0 < which <= _NUMBER_MOST


def _no(says: str) -> Answer:
    return {"ok": False, "says": says}
