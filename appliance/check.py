"""Judges a recorded log by the same code as the live line: `linelamp check`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from operator import attrgetter

from appliance import picture, picture_truth
from appliance.judge.check import Check
from appliance.judge.controller import Span
from appliance.judge.faults import Fault
from appliance.judge.gathered import MOST_S, Gathered
from appliance.judge.goes_with import goes_with
from appliance.judge.inquiry import Inquiry
from appliance.judge.judge import rank
from appliance.judge.needs import Needs
from appliance.judge.verdict import OPTIONAL
from appliance.judge.wire import WIRE_IDS
from appliance.judge.words import duration
from appliance.plain import Json, utc_text
from appliance.recording import Recorded, RecordingError
from appliance.sentence.chunk import Chunk
from appliance.source import Source
from appliance.watch import CONTROLLER, LOOK_NS, RECEIVER, Watch

_SETTLED_NS = 30_000_000_000
"""After this long without a byte nothing that a look could find changes any more: the looks in between are left out."""

_NEVER_NS = 2**127
"""Later than any time that a log can tell: what is dated by its own rows alone may pass the 64 bits of history."""

CANNOT_JUDGE = 2
EXIT = {"go": 0, "no-go": 1, "wait": CANNOT_JUDGE}

Progress = Callable[[int], None]
"""Told the number of bytes judged since it was last told."""


class Recording:
    """A recording judged from its start to its end. `result()` is what `check --json` prints."""

    def __init__(self, source: Source, needs: Needs) -> None:
        self.source = source
        self.needs = needs
        self.faults: list[Fault] = []
        self._losses: dict[int, Span] = {}
        self.watch: Watch | None = None
        self.went_go = False
        self._inquiry = Inquiry(lately=False)
        self._note_tuning()

    def run(self, progress: Progress | None = None) -> None:
        """Judges every piece. Raises RecordingError where there is nothing to judge."""
        for piece in self.source.pieces:
            if self.watch is None:
                self.watch = self._begin(piece.chunk.start_ns)
            self._feed(self.watch, piece)
            if progress is not None:
                progress(len(piece.chunk.data))
        if self.watch is None:
            raise RecordingError(f"{self.source.name} holds no bytes of a line: there is nothing to judge.")
        self._until(self.watch, self.watch.last_ns)
        self._look(self.watch, self.watch.last_ns)
        meter = self.watch.receiver
        meter.flush()  # after the last look: a recording that ends within a sentence is no fault of the line
        named = any(fault.kind in WIRE_IDS for fault in self.faults)
        if not meter.sentences and not meter.errors.total and not named:
            raise RecordingError(
                f"There is not one sentence from the receiver in {self.source.name}. "
                "Is it a log of NMEA 0183 text, and complete?"
            )

    def _begin(self, start_ns: int) -> Watch:
        bauds = {RECEIVER: self.needs.baud, CONTROLLER: self.needs.baud}
        source = self.source
        self.gathered = Gathered(start_ns, source.utc_offset_ns, arrival_measured=source.arrival_measured)
        return Watch(
            self.needs, bauds, start_ns,
            arrival_measured=source.arrival_measured, earliest=source.earliest, keeps_evidence=False,
        )  # fmt: skip

    def _feed(self, watch: Watch, piece: Recorded) -> None:
        """As live, a look sees the bytes that had come by then and no others: the chunk is cut at each."""
        chunk = piece.chunk
        if watch.next_look_ns >= chunk.end_ns < self._tuning_ns:  # nothing is due in it, mostly
            watch.feed(piece.line, chunk)
            return
        self._until(watch, chunk.start_ns)
        while (last_ns := min(watch.next_look_ns, self._tuning_ns - 1)) < chunk.end_ns:
            count = (last_ns - chunk.start_ns) // chunk.step_ns + 1
            watch.feed(piece.line, Chunk(chunk.data[:count], chunk.start_ns, chunk.step_ns))
            chunk = Chunk(chunk.data[count:], chunk.start_ns + count * chunk.step_ns, chunk.step_ns)
            self._until(watch, chunk.start_ns)
        watch.feed(piece.line, chunk)

    def _note_tuning(self) -> None:
        """When a port was next tuned; never, once all has been told."""
        tunings = self.source.tunings
        self._tuning_ns = tunings[0].at_ns if tunings else _NEVER_NS

    def _until(self, watch: Watch, until_ns: int) -> None:
        """Looks due before until_ns and tunings up to it, in their order."""
        while self._tuning_ns <= until_ns:
            tuning = self.source.tunings.popleft()
            self._note_tuning()
            self._look_until(watch, tuning.at_ns)
            watch.meters[tuning.line].tuned(tuning.setting, tuning.at_ns)
        self._look_until(watch, until_ns)

    def _look_until(self, watch: Watch, until_ns: int) -> None:
        """Looks at every instant due before until_ns; in a long silence, only while something may still change."""
        settled_ns = watch.last_ns + _SETTLED_NS
        while watch.next_look_ns < until_ns:
            at_ns = watch.next_look_ns
            if at_ns > settled_ns:
                at_ns = max(at_ns, until_ns - LOOK_NS)
                settled_ns = until_ns
            self._look(watch, at_ns)

    def _look(self, watch: Watch, at_ns: int) -> None:
        seen = watch.look(at_ns)
        self.faults.extend(seen.opened)
        self._losses |= {id(loss): loss for loss in watch.controller.take_changed()}  # begun, and again as it ended
        self._inquiry.take(seen.checks, seen.opened, at_ns)
        self.went_go = self.went_go or watch.verdict.state == "go"
        self.gathered.look(watch.receiver, at_ns)

    @property
    def verdict(self) -> str:
        """No-go if any fault but a warning occurred; go if none did and it went go; wait if it was too short to say."""
        if any(not fault.warning for fault in self.faults):
            return "no-go"
        return "go" if self.went_go else "wait"

    def result(self) -> Json:
        """Verdict, span, bytes, messages, fix, checks and faults, as documented for `check --json`."""
        watch = self.watch
        if watch is None:
            raise RecordingError("The recording has not been judged yet.")
        meter, offset, end_ns = watch.receiver, self.source.utc_offset_ns, watch.last_ns
        start_utc = None if offset is None else utc_text(watch.started_ns + offset)
        end_utc = None if offset is None else utc_text(end_ns + offset)
        seconds = round((end_ns - watch.started_ns) / 1e9, 3)
        fix = picture.fix(meter.fix)
        return {
            "verdict": self.verdict,
            "needs": self.needs.name,
            "span": {"start_utc": start_utc, "end_utc": end_utc, "seconds": seconds},
            "arrival_measured": self.source.arrival_measured,
            "notes": self._notes(),
            "bytes": {"total": meter.load.total, "framed": meter.framer.framed, "junk": meter.framer.junk},
            "load": picture.load(meter, end_ns),
            "setting": picture.setting(meter, RECEIVER) if self.source.arrival_measured else None,
            "damaged": dict(meter.errors.reasons),
            "messages": [self._message(row) for row in picture.messages(meter, self.needs, end_ns, fields=False)],
            "fix": fix,
            "motion": picture_truth.motion(meter),
            "clock": picture_truth.clock(meter, watch.started_ns),
            "controller_saw": picture_truth.losses(
                sorted(self._losses.values(), key=attrgetter("start_ns")), watch.started_ns
            ),
            "error_seconds": picture_truth.error_seconds(meter),
            "proof": picture_truth.proof(watch, end_ns),
            "causes": picture.causes(self._inquiry, watch, end_ns),
            "goes_with": self._goes_with(),
            "checks": [picture.check(one) for one in self._checks(watch)],
            "faults": [picture.fault(one, watch.started_ns, offset) for one in sorted(self.faults, key=_order)],
        }

    def _goes_with(self) -> list[Json]:
        """What the faults go with, as far as the recording is long enough to tell."""
        return goes_with(self.gathered.seconds, self.gathered.onsets(self.faults))

    def _notes(self) -> list[str]:
        notes, undated = list(self.source.notes), self.source.undated.total()
        if undated:
            rows = "1 row has" if undated == 1 else f"{undated} rows have"
            notes.append(f"{rows} no right time in a TAG block; taken as come with the row before.")
        if self.gathered.dropped:
            hours = MOST_S // 3600
            notes.append(f"What the faults go with was asked of the last {hours} hours; cut the log to ask of others.")
        return notes

    def _checks(self, watch: Watch) -> list[Check]:
        """The last word of each check, or, where it ever failed, its worst."""
        checks = {(one.id, one.message): one for one in watch.checks}
        for fault in self.faults:
            key = (fault.kind, fault.message)
            worst = checks.get(key)
            if worst is None or worst.state not in ("fail", "warn") or fault.worse_than(worst.measured):
                checks[key] = fault.as_check()
        return sorted(checks.values(), key=rank)

    def _message(self, row: Json) -> Json:
        """Over the whole recording: the rate from its first arrival to its last."""
        return row | {"rate_hz": row["rate_watch_hz"], "jitter_floor_s": self.source.jitter_floor_s}


def why_wait(result: Json) -> str:
    """Why a recording in which nothing failed is no go all the same."""
    if not result["span"]["seconds"]:
        return "It cannot be judged: nothing in it tells how much time passed."
    pending = next(
        (one["says"] for one in result["checks"] if one["state"] == "unknown" and one["id"] not in OPTIONAL), ""
    )
    return f"It cannot be judged: nothing failed, but a go needs a longer clean run. {pending}".rstrip()


def _order(fault: Fault) -> tuple[int, str, str]:
    return fault.start_ns, fault.kind, fault.message


def in_words(result: Json) -> str:
    """The same result for people: verdict, what is wrong, and what was heard."""
    span, heard = result["span"], result["bytes"]
    rows = [f"{result['verdict'].upper()} by the needs sheet {result['needs']}"]
    rows += [f"  {note}" for note in result["notes"]]
    since = f" from {span['start_utc']}" if span["start_utc"] else ""
    rows.append(f"{duration(span['seconds'])}{since}, {heard['total']} bytes, {heard['junk']} of them junk")
    failing = [one for one in result["checks"] if one["state"] in ("fail", "warn")]
    counted = Counter((one["kind"], one["message"]) for one in result["faults"])
    for one in failing:
        times = counted[one["id"], one["message"]]
        rows.append(f"  {one['id']}: {one['says']}" + (f" ({times} times; the worst is told)" if times > 1 else ""))
    rows += _first_cause(result["causes"]) if failing else []
    rows.append("")
    rows.append(f"{'message':10}{'count':>9}{'damaged':>9}{'rate':>10}{'longest gap':>14}{'jitter 95 %':>14}")
    for one in result["messages"]:
        gap = "-" if one["longest_gap_s"] is None else duration(one["longest_gap_s"])
        jitter = "-" if one["jitter_p95_s"] is None else f"{one['jitter_p95_s'] * 1000:.1f} ms"
        rate = "-" if one["rate_hz"] is None else f"{one['rate_hz']:.2f} Hz"
        name = one["talker"] + one["type"]
        rows.append(f"{name:10}{one['count']:>9}{one['bad']:>9}{rate:>10}{gap:>14}{jitter:>14}")
    rows += sorted({_floor_says(one["jitter_floor_s"]) for one in result["messages"] if one["jitter_s"] is not None})
    qualities = ", ".join(f"{duration(s)} in quality {q}" for q, s in result["fix"]["seconds_by_quality"].items())
    if qualities:
        rows += ["", f"Fix: {qualities}"]
    return "\n".join(rows)


def _first_cause(causes: list[Json]) -> list[str]:
    """What it most likely is, and what to try."""
    return [f"Likely cause: {one['says']} {one['because']} Try first: {one['try']}" for one in causes[:1]]


def _floor_says(floor_s: float | None) -> str:
    """How fine the figures of jitter are."""
    if floor_s is None:
        return "For how long the port held bytes back is not known, and so not how finely jitter can be told."
    return f"By the times in the log no jitter can be told finer than {floor_s * 1000:.0f} ms."
