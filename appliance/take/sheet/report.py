"""The sheet in words: all that stands on it, ready to be laid out on paper or on a page.

A sheet is refused where the watch was clean for shorter than its needs ask, unless whoever signs it says so; then the
sheet says it too.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from appliance import __version__
from appliance.history.job import FIELDS
from appliance.history.reader import History
from appliance.history.rows import Watch
from appliance.history.schema import RECEIVER
from appliance.judge.exact import share_bounds
from appliance.judge.proof import bad_share_most, seconds_to_rule_out
from appliance.take.forms import FORMS
from appliance.take.name import file_name
from appliance.take.sheet import needed, plots
from appliance.take.sheet.drawing import Drawing
from appliance.take.sheet.events import SHOWN, Event, counted, events
from appliance.take.sheet.figures import Figures, Given, Progress, RawLog, gather, lasting, warns
from appliance.take.span import Span
from appliance.take.utc import moment

HOUR_S = 3600.0
VERDICTS = {
    "go": ("GO", "All that the needs ask was there for the whole of this span."),
    "no-go": ("NO-GO", "Something that the needs ask was missing or wrong in this span."),
    "wait": ("WAIT", "Nothing was found wrong, but not enough was heard to say go."),
}
_ANYWAY = "It was made all the same, because whoever signs it asked for it."
_CLOSED = "Take the raw log of this span away. This prints its sum:"
_OPEN = "The watch goes on. Of a raw log that is taken later, this prints the sum:"
CAUTIONS = (
    "A go says that the line carried what the needs sheet asks while this box listened. It does not say that the "
    "position is right, nor that the machine is safe or steers and applies rightly.",
    "Stop the machine, key out, and keep clear of moving parts before a connector is touched. Never open the line "
    "while a machine steers or applies by it.",
    "Follow the makers' instructions and local codes; leave work on steering, brakes and supply to those licensed "
    "for it.",
    "The track tells where a machine was: hand this sheet only to those whom that concerns.",
)


class TooShort(ValueError):
    """The watch is too short for what its needs ask of a sheet; the text says by how much and what to do."""


@dataclass(slots=True, frozen=True)
class Log:
    """The raw log of a line: what it is, its bytes, and how anybody can see that a file is this log."""

    says: str
    size: int
    sha256: str
    name: str
    how: str
    command: str


@dataclass(slots=True, frozen=True)
class Report:
    """What stands on the sheet, in its order, in English. of_kind, of_name: what it is of. Times are UTC.

    rates, track: pictures; None where nothing is known. job: name, words and text of each field. short: says that the
    watch is too short; "" where it is not.
    """

    number: int
    of_kind: str
    of_name: str
    job: list[tuple[str, str, str]]
    span: list[tuple[str, str]]
    state: str
    verdict: str
    says: str
    short: str
    rows: list[needed.Row]
    proof: list[str]
    seconds: list[tuple[str, str, str]]
    losses: list[str]
    events: list[Event]
    more: str
    logs: list[Log]
    troubles: list[str]
    rates: Drawing | None
    track: Drawing | None
    version: str
    made: str


def build(
    history: History,
    watch: Watch,
    span: Span,
    made: datetime,
    *,
    anyway: bool = False,
    progress: Progress = lambda _share: None,
    given: Given | None = None,
) -> Report:
    """The sheet of a span of a watch. anyway: also where it is too short. Raises TooShort, SheetError, HistoryError.

    given: the log that the history was made of, where no box listened.
    """
    of = gather(history, watch, span, progress, given)
    short = too_short(of)
    if short and not anyway:
        raise TooShort(short)
    verdict, says = VERDICTS[of.verdict]
    places = history.way(watch.id, span.from_ns, span.to_ns).runs
    return Report(
        number=watch.id,
        of_kind="log" if given else "watch",
        of_name=given.name if given else f"{watch.id}",
        job=[(field.name, field.words, getattr(of.job, field.name)) for field in FIELDS],
        span=_span(of),
        state=of.verdict,
        verdict=verdict,
        says=says,
        short=f"{short} {_ANYWAY}" if short else "",
        rows=needed.rows(of),
        proof=_proof(of),
        seconds=_seconds(of),
        losses=_losses(of),
        events=(found := events(of))[:SHOWN],
        more=counted(of, len(found)),
        logs=[_given(given)] if given else [_log(of, log) for log in of.logs],
        troubles=of.troubles,
        rates=plots.rates(history, of),
        track=plots.track(places, [fault.start_ns for fault in of.faults if not warns(fault.kind)]),
        version=__version__,
        made=f"{made:%Y-%m-%d %H:%M} UTC",
    )


def too_short(of: Figures) -> str:
    """What is missing to the length of proof that the needs ask; "" where nothing is."""
    least_s, clean_s = of.needs.sheet_clean_least_s, of.clean_s
    if clean_s >= least_s:
        return ""
    return (
        f"The needs sheet {of.needs.name} asks for {lasting(least_s)} without a fault up to the end before a sheet is "
        f"given; this span has {lasting(clean_s)}."
    )


def _span(of: Figures) -> list[tuple[str, str]]:
    watch, span = of.watch, of.span
    begin, end = moment(watch, span.from_ns), moment(watch, span.to_ns)
    clock = "by the box's own clock, which may be wrong: the receiver told no date"
    if of.given is not None:
        clock = "not: the log holds no date, only times of some day"
    whole = span.from_ns <= watch.started_ns and span.to_ns > watch.last_ns
    all_ = "so far" if watch.ended_ns is None else "the whole log" if of.given else "the whole watch"
    part = all_ if whole else "part of the log" if of.given else "part of the watch"
    form = "%Y-%m-%d %H:%M:%S" if of.dated else "%H:%M:%S"
    return [
        ("From", f"{begin:{form}} UTC"),
        ("To", f"{end:{form}} UTC ({part})"),
        ("Length", lasting((span.to_ns - span.from_ns) / 1e9)),
        ("Dated", "by the receiver's own time" if watch.dated else clock),
        ("Needs sheet", f"{of.needs.name}: {of.needs.title}"),
    ]


def _proof(of: Figures) -> list[str]:
    clean_s, count = of.clean_s, of.seconds.count
    told = []
    if clean_s >= 1:
        share = _percent(bad_share_most(clean_s))
        told.append(
            f"Without a fault, and in go, for the last {lasting(clean_s)} of it. With 95 % confidence, at most "
            f"{share} of the seconds of such a line are bad (rule of three)."
        )
        left_s = seconds_to_rule_out(HOUR_S) - clean_s
        told.append(
            f"To rule out, in the same sense, a fault that comes once an hour, it must stay clean for another "
            f"{lasting(left_s)}."
            if left_s > 0
            else "A fault that comes once an hour by chance is ruled out, in the same sense."
        )
    elif count:
        told.append("At its end it was not in go, or a fault was on: nothing is proved of the line as it was left.")
    no_go = of.seconds.verdicts["no-go"]
    if no_go:
        lasted, share = lasting(no_go), _percent(no_go / count)
        low, high = map(_percent, share_bounds(no_go, count))
        told.append(
            f"In no-go for {lasted} of {lasting(count)}, {share} (as independent seconds, "
            f"95 % bounds: {low} to {high}; faults come in spells, so the truth may lie wider)."
        )
    return told or ["Nothing was recorded in this span, and so nothing is proved."]


def _seconds(of: Figures) -> list[tuple[str, str, str]]:
    """Terms of ITU-T G.826, how many seconds, and their share of available time."""
    total = of.seconds.performance
    available = total.available

    def share(count: int) -> str:
        return _percent(count / available) if available else ""

    return [
        ("Available", f"{available}", ""),
        ("Errored", f"{total.errored}", share(total.errored)),
        ("Severely errored", f"{total.severe}", share(total.severe)),
        ("Unavailable", f"{total.unavailable}", ""),
        ("Not decided at its end", f"{total.pending}", ""),
        ("Damaged sentences outside severely errored seconds", f"{total.background}", ""),
    ]


def _losses(of: Figures) -> list[str]:
    told = []
    for what in ("position", "speed"):
        lost = of.losses.get(what)
        if lost is None:
            continue
        times = {1: "once", 2: "twice"}.get(lost.count, f"{lost.count} times")
        total_s, longest = lost.lasted_ns / 1e9, lasting(lost.longest_ns / 1e9)
        told.append(
            f"The controller would have lost its {what} {times}, for {lasting(total_s)} in all; the longest "
            f"{longest}, at {moment(of.watch, lost.longest_at_ns):%H:%M:%S} UTC."
        )
    if told or not of.seconds.sentences:
        return told
    return ["By these needs, the controller would have lost neither its position nor its speed."]


def _log(of: Figures, log: RawLog) -> Log:
    watch, span = of.watch, of.span
    name = file_name(watch, FORMS["raw"], log.line, span.from_ns, span.to_ns)
    if watch.ended_ns is None and span.to_ns > watch.last_ns:
        how, command = _OPEN, f"head -c {log.size} FILE | sha256sum"
    else:
        how, command = _CLOSED, f"sha256sum {name}"
    line = {RECEIVER: "From receiver"}.get(log.line, "From controller")
    return Log(f"{line}: {log.size:,} bytes.", log.size, log.sha256, name, how, command)


def _given(log: Given) -> Log:
    return Log(
        f"The log: {log.size:,} bytes.", log.size, log.sha256, log.name, "This prints the sum:", f"sha256sum {log.name}"
    )


def _percent(ratio: float) -> str:
    return "100 %" if ratio >= 1 else f"{ratio * 100:.3g} %" if ratio < 0.0995 else f"{ratio * 100:.1f} %"
