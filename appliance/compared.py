"""Two watches of a history put side by side for the comparison of their faults: `linelamp compare`, and its page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from appliance.history.reader import History
from appliance.history.rows import HistoryError, Watch
from appliance.history.summaries import MINUTE_NS
from appliance.judge.circumstances import RECEIVER, Second, onsets
from appliance.judge.compare import Side, compare
from appliance.take.utc import moment


def compared(history: History, before: int, after: int) -> dict[str, Any]:
    """`before`, `after` (what watches they are), `changes` and `cautions`. HistoryError where there is none to compare.

    Whether the machine moved is taken from the mean speed of each minute.
    """
    first, second = history.watch(before), history.watch(after)
    if first.id == second.id:
        raise HistoryError("Choose two watches: one cannot be compared with itself.")
    found = compare(_side(history, first), _side(history, second))
    if first.needs_toml != second.needs_toml:
        found["cautions"].append(
            f"They were judged by different needs ({first.needs_name}, {second.needs_name}): what counts as a fault "
            "is not the same in both."
        )
    gone = [str(watch.id) for watch in (first, second) if watch.events_gone_ns is not None]
    if gone:
        found["cautions"].append(f"Some faults were dropped or erased of watch {' and '.join(gone)}.")
    return {"before": _told(first), "after": _told(second), **found}


def in_words(found: Mapping[str, Any]) -> str:
    """The same for people."""
    rows = [f"before: {found['before']}", f"after:  {found['after']}", ""]
    rows += [f"  {change['says']}" for change in found["changes"]] or ["  No fault in either."]
    rows += [f"Note: {caution}" for caution in found["cautions"]]
    return "\n".join(rows)


def _side(history: History, watch: Watch) -> Side:
    length_s = (watch.last_ns - watch.started_ns) / 1e9
    if length_s <= 0:
        raise HistoryError(f"Watch {watch.id} has no length yet: it cannot be compared.")
    summary = history.summary(watch.id, RECEIVER, watch.started_ns, watch.last_ns + 1, MINUTE_NS, only="speed_mps")
    minutes = [
        Second(at_s=60.0 * place, speed_mps=one.total / one.seconds)
        for place, one in sorted(summary.series.get("speed_mps", {}).items())
    ]
    return Side(length_s, onsets(history.faults_in_order(watch.id), watch.started_ns), minutes)


def _told(watch: Watch) -> str:
    begin = moment(watch, watch.started_ns)
    return f"watch {watch.id}, from {begin:%Y-%m-%d %H:%M} UTC, {watch.machine}"
