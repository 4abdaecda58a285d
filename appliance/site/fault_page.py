"""The page of a fault: its evidence, what was measured about it, what it may come of, and the same as a file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path
from urllib.parse import urlencode

from flask import Flask, Response, abort, render_template

from appliance.history.reader import History
from appliance.history.rows import Clip, HistoryDamaged, HistoryError, StoredFault, Watch
from appliance.history.schema import RECEIVER
from appliance.judge.causes import Suspect
from appliance.judge.faults import Fault
from appliance.judge.needs import Needs, from_toml
from appliance.judge.sheet import SheetError
from appliance.site import around, evidence, languages
from appliance.site.evidence import EvidenceRow
from appliance.site.fault_text import text
from appliance.site.losses import WHAT_WORDS, Loss, kept
from appliance.site.stretch import about
from appliance.site.words import LINE_WORDS, NS, from_ns

BEFORE_NS = 600 * NS
"""So much of the watch before a fault is summed up to tell what came and what did not. Our choice."""
LOSSES_MOST = 10
"""Losses that are shown; a long fault may have hundreds. Our choice."""
FAULTS_MOST = 200
"""Faults of the same minutes that are weighed. Our choice."""
SUMMED_MOST_NS = 300 * NS
"""And no more than this after its start."""


@dataclass(slots=True, frozen=True)
class Seen:
    """All that a fault's page tells. gone: why there are no bytes of it, "" where there are.

    before, after: the faults beside it in the same watch. stretch: around it, as an address tells it. take: where its
    minutes can be taken away, "" if nowhere. losses: the oldest; losses_more: how many others there are.
    """

    fault: StoredFault
    watch: Watch
    start: datetime
    end: datetime | None
    lasted_s: float | None
    clips: list[tuple[Clip, list[EvidenceRow]]]
    gone: str
    around: list[around.Around]
    losses: list[Loss]
    losses_more: int
    suspects: list[Suspect]
    before: StoredFault | None
    after: StoredFault | None
    stretch: str
    take: str


def install(app: Flask, history_path: Path) -> None:
    """Adds the page and the file."""

    @app.get("/fault/<int:id_>")
    def fault(id_: int) -> str:
        return render_template(
            "fault.html", seen=_seen(history_path, id_, LOSSES_MOST), what_words=WHAT_WORDS, line_words=LINE_WORDS,
            from_ns=from_ns, width=around.WIDTH, height=around.HEIGHT,
        )  # fmt: skip

    @app.get("/fault/<int:id_>/text")
    def fault_text(id_: int) -> Response:
        seen = _seen(history_path, id_)
        response = Response(text(seen, languages.asked()), content_type="text/plain; charset=utf-8")
        languages.vary(response)
        name = f"linelamp-fault-{id_}-{seen.start:%Y-%m-%d-%H%M%S}-{seen.fault.kind}.txt"
        response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
        return response


def _seen(history_path: Path, id_: int, losses_most: int | None = None) -> Seen:
    with History(history_path) as history:
        try:
            found = history.fault(id_)
        except HistoryDamaged:
            raise  # whether it is in there, nobody can say
        except HistoryError:
            abort(404, "That fault is not in the history of this box. The oldest are dropped when room is short.")
        return see(history, found, losses_most)


def see(history: History, found: StoredFault, losses_most: int | None = None) -> Seen:
    """A fault with all that is known about it; of its losses at most so many, None: all."""
    watch = history.watch(found.watch)
    losses = kept(islice(history.losses(watch.id, found.start_ns, found.end_ns), losses_most), watch)
    more = history.sizes(watch.id, found.start_ns, found.end_ns)["losses"] - len(losses) if losses else 0
    windows = around.windows(found.start_ns, found.end_ns)
    before, after = history.beside(found)
    return Seen(
        fault=found,
        watch=watch,
        start=from_ns(watch.utc_ns(found.start_ns)),
        end=None if found.end_ns is None else from_ns(watch.utc_ns(found.end_ns)),
        lasted_s=None if found.end_ns is None else (found.end_ns - found.start_ns) / NS,
        clips=[(clip, list(evidence.rows(clip, found.start_ns))) for clip in found.evidence],
        gone=_gone(found, watch),
        around=[
            around.around(
                one,
                list(history.seconds(watch.id, RECEIVER, one.from_ns, one.to_ns)),
                found.start_ns,
                found.end_ns,
            )
            for one in windows
        ],
        losses=losses,
        losses_more=max(0, more),
        suspects=_suspects(history, found, watch),
        before=before,
        after=after,
        stretch=about(watch, found.start_ns, watch.last_ns if found.end_ns is None else found.end_ns).query(),
        take=_take(watch, windows),
    )


def _gone(found: StoredFault, watch: Watch) -> str:
    if found.evidence:
        return ""
    if found.end_ns is None and watch.ended_ns is None:
        return "The bytes around it are kept when it is over for some seconds."
    if watch.events_gone_ns is not None and found.start_ns < watch.events_gone_ns:
        return "The bytes around it were dropped to make room; what is told here is all that is left of it."
    return "No bytes were kept around it: the box stopped, or its supply failed, before they could be."


def _take(watch: Watch, windows: Sequence[around.Window]) -> str:
    """The raw sentences of the same minutes, while they are kept."""
    from_ns_, to_ns = windows[0].from_ns, windows[-1].to_ns
    if watch.raw_gone_ns is not None and from_ns_ < watch.raw_gone_ns:
        return ""
    times = {
        name: from_ns(watch.utc_ns(at_ns)).strftime("%Y-%m-%dT%H:%M:%S")
        for name, at_ns in (("from", max(from_ns_, watch.started_ns)), ("to", min(to_ns, watch.last_ns) + NS))
    }
    return "/take/text?" + urlencode({"watch": watch.id, "span": "between", **times})


def _suspects(history: History, found: StoredFault, watch: Watch) -> list[Suspect]:
    """None where the needs that the watch was judged by cannot be read any more."""
    from appliance.judge import hindsight  # noqa: PLC0415 (loaded once somebody asks)

    needs = _needs(watch)
    if needs is None:
        return []
    fault = _as_judged(found)
    beside_ns = hindsight.BESIDE_NS
    until_ns = None if found.end_ns is None else found.end_ns + beside_ns
    near = islice(history.faults_in_order(watch.id, None, found.start_ns - beside_ns, until_ns), FAULTS_MOST)
    sums = hindsight.Sums()
    to_ns = min(watch.last_ns if found.end_ns is None else found.end_ns, found.start_ns + SUMMED_MOST_NS) + NS
    for row in history.seconds(watch.id, RECEIVER, found.start_ns - BEFORE_NS, to_ns):
        sums.add(row.bytes, row.damaged, row.quality, row.messages)
    tuning = history.tuning(watch.id, RECEIVER, found.start_ns + 1)
    baud = tuning.setting.baud if tuning else needs.baud
    chunks = [chunk for clip in found.evidence if clip.line == RECEIVER for chunk in clip.chunks]
    return hindsight.suspects(needs, fault, [_as_judged(one) for one in near], chunks=chunks, baud=baud, sums=sums)


def _needs(watch: Watch) -> Needs | None:
    try:
        return from_toml(watch.needs_toml, watch.needs_name)
    except SheetError:
        return None


def _as_judged(one: StoredFault) -> Fault:
    return Fault(
        one.kind, one.line, one.message, one.start_ns, one.end_ns, one.says, one.measured, one.needed, one.unit
    )
