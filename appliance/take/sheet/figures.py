"""What history tells of a span, in figures: one pass over its seconds, its faults, losses and marks, its bytes.

However long the span, only sums are held, and no more faults than EVENTS_MOST.
"""

from __future__ import annotations

import hashlib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from appliance.history.job import Job
from appliance.history.reader import History
from appliance.history.rows import FaultRow, LossRow, MarkRow, SecondRow, Watch
from appliance.history.schema import LINES, RECEIVER
from appliance.judge import needs as needs_sheets
from appliance.judge.needs import Needs
from appliance.judge.words import SAYS, duration
from appliance.measure.performance import Performance, Second
from appliance.take import raw
from appliance.take.span import Span

Progress = Callable[[float], object]
"""Told from time to time what share of a sheet is made, from 0 to 1."""
_TOLD_EVERY = 1000
EVENTS_MOST = 5000
"""Faults of which each is held; beyond that they are counted only. Our choice: what a judge keeps too."""

_SECONDS_GONE = "Some measures by the second of this span were dropped or erased: what is said of them is incomplete."
_EVENTS_GONE = "Some faults, losses and marks of this span were dropped or erased: what is said of them is incomplete."


@dataclass(slots=True, frozen=True)
class RawLog:
    """The raw bytes of a line, as the take-away gives them: how many, and their SHA-256 in hexadecimal."""

    line: str
    size: int
    sha256: str


@dataclass(slots=True, frozen=True)
class Given:
    """A log that somebody gave, in the place of a watch of a box: its name, bytes and their SHA-256 in hexadecimal.

    arrival_measured: whether it tells when sentences came. dated: whether it holds a date. notes: its limits, in words.
    """

    name: str
    size: int
    sha256: str
    arrival_measured: bool
    dated: bool
    notes: tuple[str, ...]


@dataclass(slots=True)
class Seconds:
    """Sums over the seconds of the line from the receiver. go_s: those in go, up to the end, on end.

    least and most: of what a second told. qualities: seconds in each; None where none was told.
    """

    count: int = 0
    go_s: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)
    messages: Counter[str] = field(default_factory=Counter)
    qualities: Counter[int | None] = field(default_factory=Counter)
    sentences: int = 0
    damaged: int = 0
    load: float = 0.0
    most: dict[str, float] = field(default_factory=dict)
    least: dict[str, float] = field(default_factory=dict)
    performance: Performance = field(default_factory=Performance)
    _silent_s: int = 0

    def add(self, row: SecondRow, silence_most_s: float) -> None:
        """The next second. As is counted live, one without a sound sentence is a defect where silence lasts too long;
        history tells when by the second, so that the first of them may pass for sound."""
        self.count += 1
        self.go_s = self.go_s + 1 if row.verdict == "go" else 0
        self.verdicts[row.verdict] += 1
        self.messages.update(row.messages)
        self.qualities[row.quality] += 1
        self.sentences += row.sentences
        self.damaged += row.damaged
        self.load += row.load_ratio
        for name in ("load_ratio", "age_s", "hdop", "satellites"):
            value = getattr(row, name)
            if value is not None:
                self.most[name] = max(value, self.most.get(name, value))
                self.least[name] = min(value, self.least.get(name, value))
        self._silent_s = 0 if row.sentences else self._silent_s + 1
        defect = self._silent_s > 0 and self._silent_s >= silence_most_s
        self.performance.add(Second(row.sentences + row.damaged, row.damaged, defect))

    @property
    def types(self) -> Counter[str]:
        """Messages by their type, whoever the talker."""
        counted: Counter[str] = Counter()
        for name, count in self.messages.items():
            counted[name[-3:]] += count
        return counted


@dataclass(slots=True)
class Lost:
    """How often and for how long the controller would have been without a figure; the first of the longest, and when
    it began."""

    count: int = 0
    lasted_ns: int = 0
    longest_ns: int = -1
    longest_at_ns: int = 0

    def add(self, begin_ns: int, lasted_ns: int) -> None:
        """The next loss."""
        self.count += 1
        self.lasted_ns += lasted_ns
        if lasted_ns > self.longest_ns:
            self.longest_ns, self.longest_at_ns = lasted_ns, begin_ns


@dataclass(slots=True)
class Figures:
    """All that a sheet says of a span. uncounted: faults beyond those held. troubles: what of it is gone or spoilt.

    losses: by what was lost. given: the log that it speaks of, None where it is a watch of a box.
    """

    watch: Watch
    span: Span
    needs: Needs
    job: Job
    seconds: Seconds
    faults: list[FaultRow]
    uncounted: Counter[str]
    losses: dict[str, Lost]
    marks: list[MarkRow]
    logs: list[RawLog]
    setting: str
    troubles: list[str]
    given: Given | None = None

    @property
    def arrival_measured(self) -> bool:
        """Whether it is known when bytes came, and so load, pauses and lateness."""
        return self.given is None or self.given.arrival_measured

    @property
    def dated(self) -> bool:
        """Whether the day is known, if only by a box's own clock."""
        return self.given is None or self.given.dated

    @property
    def by_kind(self) -> dict[str, list[FaultRow]]:
        """The faults that are held, by their kind."""
        found: dict[str, list[FaultRow]] = defaultdict(list)
        for fault in self.faults:
            found[fault.kind].append(fault)
        return found

    @property
    def hard(self) -> int:
        """How many faults are reasons for a no-go."""
        return sum(not warns(fault.kind) for fault in self.faults) + sum(
            count for kind, count in self.uncounted.items() if not warns(kind)
        )

    @property
    def clean_s(self) -> float:
        """For how long up to the end it was in go, and without a fault."""
        ends_ns = [self.span.to_ns if one.end_ns is None else one.end_ns for one in self.faults if not warns(one.kind)]
        if any(not warns(kind) for kind in self.uncounted):
            ends_ns.append(self.span.to_ns)  # when those ended is not known
        since_s = (self.span.to_ns - max(ends_ns, default=self.span.from_ns)) / 1e9
        return max(0.0, min(self.seconds.go_s, since_s))

    @property
    def verdict(self) -> str:
        """As of a recording: no-go if any fault but a warning was on, go if none was and it went go, else wait."""
        if self.hard:
            return "no-go"
        return "go" if self.seconds.verdicts["go"] else "wait"


def warns(kind: str) -> bool:
    """Whether a kind of fault is no reason for a no-go. One that this version does not know is one."""
    return kind in SAYS and SAYS[kind].warns


def lasting(seconds: float) -> str:
    """A length of time in words, without what is none of it: "5 min", "3 h"."""
    if 0 < seconds < 0.05:
        return "under 0.1 s"
    return duration(seconds).removesuffix(" 0 s").removesuffix(" 0 min").replace(".0 s", " s")


def gather(
    history: History,
    watch: Watch,
    span: Span,
    progress: Progress = lambda _share: None,
    given: Given | None = None,
) -> Figures:
    """Reads the span. Raises SheetError where the watch's needs cannot be read, HistoryError."""
    needs = needs_sheets.from_toml(watch.needs_toml, watch.needs_name)
    seconds, all_ = Seconds(), max(1, history.sizes(watch.id, span.from_ns, span.to_ns)["bytes"])
    for row in history.seconds(watch.id, RECEIVER, span.from_ns, span.to_ns):
        seconds.add(row, needs.silence_most_s)
        if seconds.count % _TOLD_EVERY == 0:
            progress((row.second_ns - span.from_ns) / (span.to_ns - span.from_ns) / 2)
    read = 0

    def summed(line: str) -> RawLog:
        nonlocal read
        log = raw_log(history, watch, line, span, lambda size: progress(min(1.0, 0.5 + (read + size) / all_ / 2)))
        read += log.size
        return log

    faults, uncounted = _held(history.faults_in_order(watch.id, None, span.from_ns, span.to_ns))
    stored = history.job(watch.id)
    return Figures(
        watch=watch,
        span=span,
        needs=needs,
        job=stored.job if stored else Job(machine=watch.machine),
        seconds=seconds,
        faults=faults,
        uncounted=uncounted,
        losses=_lost(history.losses(watch.id, span.from_ns, span.to_ns), span),
        marks=history.marks(watch.id, span.from_ns, span.to_ns),
        logs=[] if given else [log for line in LINES if (log := summed(line)).size],
        setting=_setting(history, watch, span),
        troubles=[*(given.notes if given else ()), *_troubles(history, watch, span)],
        given=given,
    )


def raw_log(
    history: History, watch: Watch, line: str, span: Span, told: Callable[[int], object] = lambda _size: None
) -> RawLog:
    """Of the very bytes that are taken away as "raw" of this span. told: how many were read so far."""
    digest, size = hashlib.sha256(), 0
    for piece in raw.lines(history, watch, line, span.from_ns, span.to_ns):
        digest.update(piece)
        size += len(piece)
        told(size)
    return RawLog(line, size, digest.hexdigest())


def _held(faults: Iterable[FaultRow]) -> tuple[list[FaultRow], Counter[str]]:
    held: list[FaultRow] = []
    uncounted: Counter[str] = Counter()
    for fault in faults:
        if len(held) < EVENTS_MOST:
            held.append(fault)
        else:
            uncounted[fault.kind] += 1
    return held, uncounted


def _lost(losses: Iterable[LossRow], span: Span) -> dict[str, Lost]:
    lost: dict[str, Lost] = defaultdict(Lost)
    for one in losses:
        begin_ns = max(one.start_ns, span.from_ns)
        lost[one.what].add(begin_ns, min(one.end_ns or span.to_ns, span.to_ns) - begin_ns)
    return dict(lost)


def _setting(history: History, watch: Watch, span: Span) -> str:
    """How the port from the receiver listened at the end of the span; "" where it was left as set."""
    tuning = history.tuning(watch.id, RECEIVER, span.to_ns)
    return f"{tuning.setting.baud} baud, {tuning.setting.name}" if tuning else ""


def _troubles(history: History, watch: Watch, span: Span) -> list[str]:
    gone = ((_SECONDS_GONE, watch.seconds_gone_ns), (_EVENTS_GONE, watch.events_gone_ns))
    return [
        *history.troubles,
        *(says for says, before_ns in gone if before_ns is not None and before_ns > span.from_ns),
    ]
