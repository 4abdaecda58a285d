"""Which watch a page shows, and which others it offers: never more than a phone can list, whatever history holds."""

from __future__ import annotations

from flask import abort, request

from appliance.history.reader import History
from appliance.history.rows import HistoryDamaged, HistoryError, Watch

WATCHES_MOST = 50
"""The newest that a page offers; the page of all watches leads to what is older. Our choice."""
NOT_HERE = "That watch is not in the history of this box."


def number(name: str) -> int | None:
    """A whole number of the address; None where it is left out. 400 for what is none."""
    asked = request.args.get(name, "")
    if not asked:
        return None
    if not (asked.isascii() and asked.isdigit() and len(asked) < 10):
        abort(400, "Choose a watch by its number.")
    return int(asked)


def of(history: History, watch_id: int) -> Watch:
    """The watch of that number. 404 where there is none."""
    try:
        return history.watch(watch_id)
    except HistoryDamaged:
        raise  # whether it is in there, nobody can say
    except HistoryError:
        abort(404, NOT_HERE)


def chosen(history: History) -> Watch | None:
    """The watch that the address names; the newest where it names none, None where there is none. 404 else."""
    named = request.args.get("watch", "")
    if not named:
        return history.latest()
    if not (named.isascii() and named.isdigit() and len(named) < 10):
        abort(404, NOT_HERE)
    return of(history, int(named))


def needed(history: History) -> Watch:
    """As chosen; 404 where there is none."""
    return chosen(history) or abort(404, NOT_HERE)


def offered(history: History, *shown: Watch | None) -> list[Watch]:
    """The newest watches, and those that are shown where they are older; newest first."""
    newest = history.watches(WATCHES_MOST)
    there = {watch.id for watch in newest}
    older = {watch.id: watch for watch in shown if watch and watch.id not in there}
    return newest + sorted(older.values(), key=lambda watch: -watch.id)
