"""One watch: the meters of its lines, the judge, the verdict and the faults, composed. Pure: time is an argument.

The daemon and the judging of a recording both drive this: feed it chunks in order of time, and let it look whenever
LOOK_NS has passed, also in silence.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from appliance.judge.check import Checks
from appliance.judge.controller import Controller
from appliance.judge.evidence import Evidence, Excerpt
from appliance.judge.faults import Fault, Faults
from appliance.judge.judge import Judge
from appliance.judge.meter_settings import meter_settings
from appliance.judge.needs import Needs
from appliance.judge.verdict import Verdict
from appliance.measure.meter import LineMeter, MeterSettings
from appliance.measure.wiggle import Wiggle
from appliance.sentence.chunk import Chunk
from appliance.sentence.setting import Setting

LOOK_NS = 200_000_000
"""The judge looks five times a second: every epoch of the usual 5 Hz set has its look."""
_PREPARED_AT_ONCE = 2
RECEIVER = "from-receiver"
CONTROLLER = "from-controller"


@dataclass(slots=True)
class Seen:
    """What one look found."""

    at_ns: int
    checks: Checks
    turned: bool = False
    opened: list[Fault] = field(default_factory=list)
    closed: list[Fault] = field(default_factory=list)


class Watch:
    """bauds: for each line that is listened to, its baud; "from-receiver" must be among them and is the one judged.

    earliest: no receiver can truly tell a date before it; None where that is not known. controller: what the
    connected controller would have lost. box_says: why this box must not say go, whatever it hears; "" if it may.
    keeps_evidence: not of a recording, which is evidence itself.
    """

    def __init__(
        self,
        needs: Needs,
        bauds: Mapping[str, int],
        started_ns: int,
        *,
        arrival_measured: bool = True,
        earliest: date | None = None,
        box_says: str = "",
        keeps_evidence: bool = True,
    ) -> None:
        self.needs = needs
        self.started_ns = started_ns
        self.last_ns = started_ns
        unjudged = {line: MeterSettings(baud=baud, needed=Setting(needs.baud)) for line, baud in bauds.items()}
        judged = {RECEIVER: meter_settings(needs, bauds[RECEIVER], arrival_measured, earliest)}
        self.meters = {line: LineMeter(settings) for line, settings in (unjudged | judged).items()}
        self.judge = Judge(needs, started_ns, box_says)
        self.controller = Controller(needs, started_ns)
        self.receiver.hear = self.controller.take
        for meter in self.meters.values():
            meter.by_second.begin(started_ns)
        self.verdict = Verdict(needs.clean_run_s, started_ns)
        self.faults = Faults(RECEIVER)
        self.evidence = Evidence() if keeps_evidence else None
        self.checks = Checks([], list)
        self.next_look_ns = started_ns + LOOK_NS
        """When the next look is due."""
        self._damaged = 0

    @property
    def receiver(self) -> LineMeter:
        """The meter of the line that is judged."""
        return self.meters[RECEIVER]

    def feed(self, line: str, chunk: Chunk) -> Setting | None:
        """The next bytes of a line. Gives the setting that its port should be tuned to, None to leave it alone."""
        if self.evidence is not None:
            self.evidence.add(line, chunk)
        wanted = self.meters[line].feed(chunk)
        self.last_ns = max(self.last_ns, chunk.end_ns)
        return wanted

    def begin_wiggle(self, now_ns: int) -> None:
        """Begins a wiggle test on the line that is judged; one under way is begun anew."""
        intervals = {type_: int(1e9 / need.rate_hz) for type_, need in self.needs.messages.items()}
        self.receiver.wiggle = Wiggle(intervals, now_ns)

    def end_wiggle(self) -> Wiggle | None:
        """Ends the wiggle test and gives it; None where none was under way."""
        wiggle, self.receiver.wiggle = self.receiver.wiggle, None
        return wiggle

    def prepare(self) -> None:
        """For idle moments: makes ready a little of what a line's setting will be told by, should it be doubted."""
        for meter in self.meters.values():
            meter.hunt.prepare(_PREPARED_AT_ONCE)

    def port(self, line: str, says: str, at_ns: int) -> None:
        """A port was opened (says is "") or lost (says is why)."""
        by_second = self.meters[line].by_second
        (by_second.pause if says else by_second.begin)(at_ns)
        if line == RECEIVER:
            self.judge.port(says, at_ns)
            self.controller.port(says, at_ns)

    def due(self, now_ns: int) -> bool:
        """Whether a look is due by now."""
        return now_ns >= self.next_look_ns

    @property
    def pressing(self) -> bool:
        """Whether something was damaged since the last look, and there is a go to end: worth a look at once."""
        return self.verdict.state != "no-go" and self.receiver.errors.total > self._damaged

    def look(self, now_ns: int) -> Seen:
        """Judges what stands now, and moves verdict and faults on."""
        self.next_look_ns = now_ns + LOOK_NS
        self._damaged = self.receiver.errors.total
        self.last_ns = max(self.last_ns, now_ns)
        self.receiver.truth.tick(now_ns)
        for meter in self.meters.values():
            meter.by_second.until(now_ns)
        self.controller.look(now_ns)
        self.checks = self.judge.look(self.receiver, now_ns, self.meters.get(CONTROLLER))
        turned = self.verdict.take(self.checks, now_ns)
        opened, closed = self.faults.take(self.checks, now_ns)
        if self.evidence is not None:
            for fault in opened:
                self.evidence.opened(fault.key, fault.start_ns)
            for fault in closed:
                self.evidence.closed(fault.key, fault.end_ns if fault.end_ns is not None else now_ns)
        return Seen(now_ns, self.checks, turned, opened, closed)

    def evidence_ready(self, now_ns: int, stopping: bool = False) -> list[tuple[str, tuple[Excerpt, ...]]]:
        """Keys of the faults whose evidence is whole by now, with it."""
        return [] if self.evidence is None else self.evidence.ready(now_ns, stopping)
