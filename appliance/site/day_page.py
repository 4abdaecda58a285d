"""The page of a day: a whole watch or a stretch of it, drawn from what history has summed up, never from raw rows."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import Flask, Response, abort, render_template, request

from appliance.history.loss_steps import NEWEST, LossSteps
from appliance.history.reader import History
from appliance.history.rows import Cell, CellState, StoredFault, Watch
from appliance.history.schema import RECEIVER
from appliance.history.summaries import MINUTE_NS, Summary
from appliance.judge.needs import Needs, from_toml
from appliance.judge.sheet import SheetError
from appliance.site import day, stretch
from appliance.site.languages import said
from appliance.site.losses import WHAT_WORDS
from appliance.site.plots import Plot, plots, states
from appliance.site.spans import watch_words
from appliance.site.stretch import Stretch
from appliance.site.which_watch import chosen, needed, offered
from appliance.site.words import LINE_WORDS, NS, from_ns
from appliance.take.span import SpanError

FAULTS_MOST = 2000
"""Faults that are drawn, the newest. More than fit side by side on a phone. Our choice."""
LISTED_MOST = NEWEST
ROWS_MOST = 24
STATE_WORDS: dict[str, CellState] = {"g": "go", "w": "wait", "n": "no-go", ".": "none"}


@dataclass(slots=True, frozen=True)
class Seen:
    """A stretch as it is drawn: its steps, plots and states; what happened in it, faults oldest first; older:
    how many faults came before those."""

    stretch: Stretch
    summary: Summary
    count: int
    plots: list[Plot]
    states: str
    faults: list[StoredFault]
    older: int
    losses: LossSteps
    marks: list[tuple[int, str]]


def install(app: Flask, history_path: Path) -> None:
    """Adds the page and what it draws from."""

    @app.get("/day")
    def day_page() -> str:
        with History(history_path) as history:
            watch = chosen(history)
            if watch is None:
                return render_template("day.html", watch=None)
            watches = offered(history, watch)
            asked = wanted(watch)
            seen = see(history, asked)
            rows = _rows(history, asked)
            told, silent = _told(history, asked)
            lines = lines_of(history, watch)
        return render_template(
            "day.html", watch=watch, watches=watches, watch_words=watch_words, stretch=asked,
            seen=seen, strip=day.strip(_cells(seen), "This stretch"), rows=rows, listed=_listed(seen),
            told=told, silent=silent, lines=lines,
        )  # fmt: skip

    @app.get("/day.json")
    def day_json() -> Response:
        with History(history_path) as history:
            return packed(drawn(see(history, wanted(needed(history)))))


def wanted(watch: Watch) -> Stretch:
    """The stretch of the address. 400 where it cannot be."""
    try:
        return stretch.asked(watch, request.args)
    except SpanError as error:
        abort(400, str(error))


def packed(told: dict[str, Any]) -> Response:
    """As JSON, packed where the phone takes that: five times as quick over the air."""
    response = Response(json.dumps(said(told), separators=(",", ":")), mimetype="application/json")
    if request.accept_encodings["gzip"]:
        response.set_data(gzip.compress(response.get_data(), 5))
        response.headers["Content-Encoding"] = "gzip"
    response.headers["Vary"] = "Accept-Encoding"
    return response


def see(history: History, asked: Stretch) -> Seen:
    """What there is to be drawn of a stretch."""
    watch = asked.watch
    summary = history.summary(watch.id, asked.line, asked.from_ns, asked.to_ns, asked.step_ns)
    count = -(-(asked.to_ns - summary.zero_ns) // summary.step_ns)
    return Seen(
        asked, summary, count, plots(summary, needs_of(asked), count), states(summary, count),
        *history.newest_faults(watch.id, asked.from_ns, asked.to_ns, FAULTS_MOST),
        history.loss_steps(watch, asked.from_ns, asked.to_ns, summary.zero_ns, summary.step_ns),
        [(mark.at_ns, mark.note) for mark in history.marks(watch.id, asked.from_ns, asked.to_ns)],
    )  # fmt: skip


def lines_of(history: History, watch: Watch) -> dict[str, str]:
    """The lines to choose from, with their words: those that carried sentences, that from the receiver always."""
    carried = history.lines(watch.id)
    return {name: words for name, words in LINE_WORDS.items() if name == RECEIVER or name in carried}


def needs_of(asked: Stretch) -> Needs | None:
    """The needs that the line was judged by; they say nothing of what the controller tells the receiver."""
    if asked.line != RECEIVER:
        return None
    watch = asked.watch
    try:
        return from_toml(watch.needs_toml, watch.needs_name)
    except SheetError:
        return None


def drawn(seen: Seen) -> dict[str, Any]:
    """For the page that draws it. Times in ms since 1970 UTC, steps in ms, counted from zero."""
    watch, summary = seen.stretch.watch, seen.summary
    bare = summary.step_ns == NS

    def ms(at_ns: int) -> int:
        return watch.utc_ns(at_ns) // 1_000_000

    return {
        "watch": watch.id,
        "line": seen.stretch.line,
        "whole": [ms(watch.started_ns), ms(watch.last_ns) + 1],
        "from": ms(seen.stretch.from_ns),
        "to": ms(seen.stretch.to_ns),
        "zero": ms(summary.zero_ns),
        "step": summary.step_ns // 1_000_000,
        "states": seen.states,
        "plots": [plot.drawn(bare=bare) for plot in seen.plots if plot.told],
        "faults": _spans(((ms(one.start_ns), ms(_end(one, watch))) for one in seen.faults), summary.step_ns),
        "losses": _spans(((ms(start), ms(end)) for start, end in seen.losses.spans()), summary.step_ns),
        "marks": [[ms(at_ns), note] for at_ns, note in seen.marks],
        "listed": _listed(seen),
    }


def _told(history: History, asked: Stretch) -> tuple[list[Plot], list[str]]:
    """What there is to draw of the line anywhere in the watch, and the titles of what there is not."""
    watch = asked.watch
    length_ns = watch.last_ns + 1 - watch.started_ns
    whole = history.summary(watch.id, asked.line, watch.started_ns, watch.last_ns + 1, length_ns + MINUTE_NS)
    drawn = plots(whole, needs_of(asked), 1)
    return [plot for plot in drawn if plot.told], [plot.title for plot in drawn if not plot.told]


def _end(fault: StoredFault, watch: Watch) -> int:
    return watch.last_ns if fault.end_ns is None else fault.end_ns


def _spans(spans: Iterable[tuple[int, int]], apart_ns: int) -> list[list[int]]:
    """In order; those less than a step apart made one."""
    merged: list[list[int]] = []
    for start, end in sorted(spans):
        if merged and start - merged[-1][1] < apart_ns // 1_000_000:
            merged[-1][1] = max(merged[-1][1], end)
        else:
            merged.append([start, end])
    return merged


def _listed(seen: Seen) -> dict[str, Any]:
    """What happened, in words: faults and losses, the newest first. more: how many are not told."""
    watch = seen.stretch.watch
    rows: list[dict[str, Any]] = [
        {"at": one.start_ns, "id": one.id, "says": one.says, "lasted_s": (_end(one, watch) - one.start_ns) / NS}
        for one in seen.faults
    ]
    for loss in seen.losses.newest:
        says = f"{WHAT_WORDS.get(loss.what, loss.what)} lost to the controller."
        lasted_s = None if loss.end_ns is None else (loss.end_ns - loss.start_ns) / NS
        rows.append({"at": loss.start_ns, "id": None, "says": says, "lasted_s": lasted_s})
    rows += [{"at": at, "id": None, "says": f"Mark: {note or 'no note'}", "lasted_s": None} for at, note in seen.marks]
    rows.sort(key=lambda row: row["at"], reverse=True)
    for row in rows:
        row["at"] = watch.utc_ns(row["at"]) // 1_000_000
    untold = seen.older + seen.losses.count - len(seen.losses.newest)
    return {"rows": rows[:LISTED_MOST], "more": max(0, len(rows) - LISTED_MOST) + untold}


def _cells(seen: Seen) -> list[Cell]:
    """The strip of who has no JavaScript."""
    watch, zero, step = seen.stretch.watch, seen.summary.zero_ns, seen.summary.step_ns
    cells = []
    losses = seen.losses.cells(zero, step, len(seen.states))
    for place, (letter, (count, lost_ns)) in enumerate(zip(seen.states, losses, strict=True)):
        begin, end = zero + place * step, zero + (place + 1) * step
        cells.append(
            Cell(
                watch.utc_ns(begin),
                STATE_WORDS[letter],
                sum(begin <= one.start_ns < end for one in seen.faults),
                count,
                lost_ns / NS,
            )
        )
    return cells


def _rows(history: History, asked: Stretch) -> list[dict[str, Any]]:
    """The same as a table, in ROWS_MOST rows at most."""
    watch = asked.watch
    step = stretch.step_ns(asked.to_ns - asked.from_ns, ROWS_MOST)
    summary = history.summary(watch.id, asked.line, asked.from_ns, asked.to_ns, step)
    count = -(-(asked.to_ns - summary.zero_ns) // summary.step_ns)
    told, letters = plots(summary, needs_of(asked), count), states(summary, count)
    return [
        {
            "at": from_ns(watch.utc_ns(summary.zero_ns + place * summary.step_ns)),
            "state": STATE_WORDS[letters[place]],
            "figures": {plot.key: (plot.mean[place], plot.least[place], plot.most[place]) for plot in told},
        }
        for place in range(count)
    ]
