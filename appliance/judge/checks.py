"""The rules: each looks at the meter of the line from the receiver and gives checks. One table, in order of importance.

A rule about what is over by now (a gap that closed, a damaged sentence) fails for that look and says when it ended; a
rule about the fix is asked for every sample since the last look, so that nothing slips between two looks. Where the
line is silent or its port is gone, nothing else can be known: one event is not counted twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from appliance.judge.check import Check
from appliance.judge.needs import Needs
from appliance.measure.errors import NO_START, RECENT_NS
from appliance.measure.fix import QUALITY_WORDS, FixSample
from appliance.measure.meter import LineMeter, MeterSettings

SETTLE_NS = 2_000_000_000
"""Listening time before something that never came counts as missing: a stream joined in the middle may sync on a
wrong bit until its next pause, and one burst of the slowest usual message must have had its turn. Our choice."""
DATE_NS = 10_000_000_000
"""How long a date may stay away before it counts as missing. Our choice."""
UNMEASURED = "this recording has no times of arrival"

Rule = Callable[["Look"], Iterator[Check]]


@dataclass(slots=True)
class Look:
    """All that a rule may look at. samples: of the fix, since the last look."""

    needs: Needs
    meter: LineMeter
    started_ns: int
    now_ns: int
    samples: list[FixSample] = field(default_factory=list)

    @property
    def waited_ns(self) -> int:
        return self.now_ns - max(self.started_ns, self.meter.load.resumed_ns)


def meter_settings(needs: Needs, baud: int, arrival_measured: bool = True) -> MeterSettings:
    """What a meter must know so that these needs can be judged by it."""
    return MeterSettings(
        baud=baud,
        arrival_measured=arrival_measured,
        checksum_required=needs.checksum_required,
        talkers=needs.talkers,
        gap_most_ns={type_: int(message.gap_most_s * 1e9) for type_, message in needs.messages.items()},
        silence_most_ns=int(needs.silence_most_s * 1e9),
    )


def silent(look: Look) -> Iterator[Check]:
    """Bytes must keep coming."""
    load, needed = look.meter.load, look.needs.silence_most_s
    limit_ns = int(needed * 1e9)
    ended = load.take_silence()
    if not look.meter.settings.arrival_measured:
        yield Check("silent", "", "unknown", None, needed, note=UNMEASURED)
    elif load.last_ns is None:
        waited = look.now_ns - look.started_ns
        state = "fail" if waited > max(SETTLE_NS, limit_ns) else "unknown"
        note = "has come" if state == "fail" else "not enough was heard"
        yield Check("silent", "", state, waited / 1e9, needed, look.started_ns, note=note)  # type: ignore[arg-type]
    elif look.now_ns - load.last_ns > limit_ns:
        yield Check("silent", "", "fail", (look.now_ns - load.last_ns) / 1e9, needed, load.last_ns, note="has come")
    elif ended is not None:
        yield Check("silent", "", "fail", (ended[1] - ended[0]) / 1e9, needed, ended[0], ended[1], "came")
    else:
        yield Check("silent", "", "pass", 0.0, needed, max(load.resumed_ns, load.first_ns or 0))


def message_missing(look: Look) -> Iterator[Check]:
    """Each needed message must have come at all, from a talker that is accepted."""
    for type_, need in look.needs.messages.items():
        rate, waited = look.meter.needed[type_], look.now_ns - look.started_ns
        if rate.count:
            yield Check("message-missing", type_, "pass", None, None, rate.first_ns)
        elif waited <= max(SETTLE_NS, int(need.gap_most_s * 1e9)):
            yield Check("message-missing", type_, "unknown", waited / 1e9)
        elif _strangers(look, type_):
            yield Check("message-missing", type_, "unknown", waited / 1e9)  # talker-not-accepted tells it
        else:
            damaged = sum(sum(m.bad.values()) for (_, t), m in look.meter.messages.items() if t == type_)
            note = " It comes, but damaged." if damaged else ""
            yield Check("message-missing", type_, "fail", waited / 1e9, None, look.started_ns, note=note)


def talker(look: Look) -> Iterator[Check]:
    """Each needed message must come from a talker that the controller accepts."""
    for type_ in look.needs.messages if look.needs.talkers else ():
        rate = look.meter.needed[type_]
        strangers = _strangers(look, type_)
        if rate.count and (not strangers or look.now_ns - rate.last_ns < RECENT_NS):
            yield Check("talker-not-accepted", type_, "pass")
        elif strangers:
            first_ns = min(look.meter.messages[name, type_].rate.first_ns for name in strangers)
            yield Check("talker-not-accepted", type_, "fail", at_ns=first_ns, note=" and ".join(strangers))
        else:
            yield Check("talker-not-accepted", type_, "unknown")


def _strangers(look: Look, type_: str) -> list[str]:
    """Talkers that send this type of late and are not accepted."""
    return sorted(
        name
        for (name, other), message in look.meter.messages.items()
        if other == type_ and name not in look.needs.talkers and look.now_ns - message.rate.last_ns < RECENT_NS
        if look.needs.talkers
    )


def gap(look: Look) -> Iterator[Check]:
    """No needed message may stay away longer than allowed."""
    for type_, need in look.needs.messages.items():
        rate = look.meter.needed[type_]
        ended = rate.take_gap()
        since = max(rate.last_ns, look.meter.load.resumed_ns)
        open_s = (look.now_ns - since) / 1e9
        if not rate.count:
            yield Check("gap", type_, "unknown", None, need.gap_most_s)
        elif open_s * 1e9 > (rate.limit_ns or 0):
            yield Check("gap", type_, "fail", open_s, need.gap_most_s, since, note="has been")
        elif ended is not None:
            yield Check("gap", type_, "fail", (ended[1] - ended[0]) / 1e9, need.gap_most_s, ended[0], ended[1], "was")
        else:
            yield Check("gap", type_, "pass", open_s, need.gap_most_s, rate.last_ns)


def _damage(id_: str, reasons: tuple[str, ...], look: Look) -> Check:
    times = look.meter.errors.recent(reasons, look.now_ns)
    most = look.needs.damaged_most
    if len(times) > most:
        found = [reason for reason in reasons if look.meter.errors.reasons[reason]]
        return Check(id_, "", "fail", len(times), most, times[0], times[-1], ", ".join(found))
    heard = look.meter.sentences or look.meter.errors.total
    return Check(id_, "", "pass" if heard else "unknown", len(times), most, look.now_ns)


_GARBLED = (
    "cut-short", "overlong", "alphabet-wrong", "address-wrong", "field-count-wrong", "field-wrong", NO_START,
)  # fmt: skip


def damage(look: Look) -> Iterator[Check]:
    """Sentences must arrive whole."""
    yield _damage("checksum-bad", ("checksum-bad",), look)
    if look.needs.checksum_required:
        yield _damage("checksum-missing", ("checksum-missing",), look)
    yield _damage("sentence-damaged", _GARBLED, look)


def rates(look: Look) -> Iterator[Check]:
    """Each needed message must come as often as asked, and not much oftener."""
    for type_, need in look.needs.messages.items():
        rate = look.meter.needed[type_]
        measured = rate.short_hz(look.now_ns)
        overdue = look.now_ns - rate.last_ns > (rate.limit_ns or 0)
        known = rate.short_span_ns() >= max(SETTLE_NS, 3e9 / need.rate_hz) and not overdue
        if measured is None or not known:
            yield Check("rate-low", type_, "unknown", None, need.rate_least_hz)
            yield Check("rate-high", type_, "unknown", None, need.rate_most_hz)
            continue
        low, high = measured < need.rate_least_hz, measured > need.rate_most_hz
        yield Check("rate-low", type_, "fail" if low else "pass", measured, need.rate_least_hz, look.now_ns)
        yield Check("rate-high", type_, "fail" if high else "pass", measured, need.rate_most_hz, look.now_ns)


def no_fix(look: Look) -> Iterator[Check]:
    """There must be a fix."""
    if not look.needs.fix_required:
        return
    for sample in look.samples:
        told = "" if sample.quality is None else f" (quality {sample.quality})"
        yield Check("no-fix", "", "pass" if sample.fixed else "fail", None, None, sample.at_ns, note=told)
    if look.meter.fix.sample is None:
        late = look.waited_ns > DATE_NS
        note = ", as far as can be told: neither GGA nor RMC comes"
        yield Check("no-fix", "", "fail" if late else "unknown", None, None, look.started_ns, note=note)


def fix_figures(look: Look) -> Iterator[Check]:
    """Quality, age of corrections, satellites, HDOP and decimals must be as asked, in every sample with a fix."""
    for sample in look.samples:
        for id_, measured, needed, right, note in _figures(look.needs, sample):
            if needed is None and id_ != "quality-not-accepted":
                continue
            if not sample.fixed or measured is None:
                yield Check(id_, "", "unknown", None, needed, sample.at_ns)
            else:
                yield Check(id_, "", "pass" if right else "fail", measured, needed, sample.at_ns, note=note)


Figure = tuple[str, float | None, float | None, bool, str]


def _figures(needs: Needs, sample: FixSample) -> Iterator[Figure]:
    if needs.qualities:
        quality = sample.quality
        word = QUALITY_WORDS.get(quality, "") if quality is not None else ""
        yield "quality-not-accepted", quality, None, quality in needs.qualities, word
    yield "age-high", sample.age_s, needs.age_most_s, (sample.age_s or 0) <= (needs.age_most_s or 0), ""
    least = needs.satellites_least
    yield "satellites-few", sample.satellites, least, (sample.satellites or 0) >= (least or 0), ""
    yield "hdop-high", sample.hdop, needs.hdop_most, (sample.hdop or 0) <= (needs.hdop_most or 0), ""
    few = needs.decimals_least
    yield "decimals-few", sample.decimals, few, (sample.decimals or 0) >= (few or 0), ""


def sentence_long(look: Look) -> Iterator[Check]:
    """No needed sentence may be longer than the controller reads; where none is named, no sentence at all."""
    most, named = look.needs.sentence_length_most, look.needs.messages
    messages = look.meter.messages.values()
    recent = [m for m in messages if (m.type in named or not named) and look.now_ns - m.longest_ns <= RECENT_NS]
    if not recent:
        yield Check("sentence-long", "", "unknown", None, most)
        return
    longest = max(recent, key=lambda message: message.longest)
    if longest.longest > most:
        yield Check("sentence-long", longest.type, "fail", longest.longest, most, longest.longest_ns)
    else:
        yield Check("sentence-long", "", "pass", longest.longest, most, look.now_ns)


def load_high(look: Look) -> Iterator[Check]:
    """The line must not be too full."""
    most = look.needs.load_most
    measured = look.meter.settings.arrival_measured
    if not measured or look.waited_ns < SETTLE_NS or look.meter.load.last_ns is None:
        note = "not enough was heard" if measured else UNMEASURED
        yield Check("load-high", "", "unknown", None, most, note=note)
        return
    ratio = look.meter.load.recent_worst_ratio(look.now_ns)
    yield Check("load-high", "", "fail" if ratio > most else "pass", ratio, most, look.now_ns)


def date_missing(look: Look) -> Iterator[Check]:
    """A date must come."""
    if not look.needs.date_required:
        return
    last = look.meter.fix.date_ns
    since = max(last or 0, look.meter.load.resumed_ns, look.started_ns)
    if look.now_ns - since > DATE_NS:
        yield Check("date-missing", "", "fail", None, None, since)
    elif last is None:
        yield Check("date-missing", "", "unknown")
    else:
        yield Check("date-missing", "", "pass", None, None, last)


RULES: tuple[Rule, ...] = (
    message_missing, gap, talker, damage, rates, no_fix, fix_figures, sentence_long, load_high, date_missing,
)  # fmt: skip
"""What is asked of a line that speaks; `silent` is asked first."""
