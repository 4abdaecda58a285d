"""The rules: each looks at the meter of the line from the receiver and gives checks. One table, in order of importance.

A rule about what is over by now (a gap that closed, a damaged sentence) fails for that look and says when it ended; a
rule about the fix is asked for every sample since the last look, so that nothing slips between two looks. Where the
line is silent or its port is gone, nothing else can be known: one event is not counted twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from appliance.judge.check import Check, State
from appliance.judge.needs import Needs
from appliance.judge.words import DAMAGE_WORDS
from appliance.measure.errors import NO_START, RECENT_NS
from appliance.measure.fix import QUALITY_WORDS, FixSample
from appliance.measure.message import Message
from appliance.measure.meter import LineMeter
from appliance.measure.rate import LONG_NS, SHORT_NS

SETTLE_NS = 2_000_000_000
"""Listening time before something that never came counts as missing: a stream joined in the middle may sync on a
wrong bit until its next pause, and one burst of the slowest usual message must have had its turn. Our choice."""
DATE_NS = 10_000_000_000
"""How long a date may stay away before it counts as missing. Our choice."""
_INTERVALS_LEAST = 4
"""A rate is taken over the short window if so many intervals fit in, else over the long one. Our choice."""
_ON_SCHEDULE = 0.98
"""Share of the rate asked from which a message is on schedule. Our choice: receivers keep far closer to theirs."""
UNMEASURED = "this recording has no times of arrival"

Rule = Callable[["Look"], Iterator[Check]]


@dataclass(slots=True)
class Look:
    """All that a rule may look at. samples: of the fix, since the last look.

    heard_since_ns: since when the line has been speaking without a silence; since the port was opened, if it never
    spoke. waited_ns: how long ago that was.
    """

    needs: Needs
    meter: LineMeter
    started_ns: int
    now_ns: int
    samples: list[FixSample] = field(default_factory=list)
    heard_since_ns: int = field(init=False)
    waited_ns: int = field(init=False)

    def __post_init__(self) -> None:
        load = self.meter.load
        self.heard_since_ns = max(self.started_ns, load.resumed_ns, load.first_ns or 0)
        self.waited_ns = self.now_ns - self.heard_since_ns

    def away_ns(self, last_ns: int, to_ns: int, most_ns: int) -> int | None:
        """Since when something was away, if until to_ns that is longer than allowed.

        Not while the port was gone: then it counts from its return, and the line is given time to settle.
        """
        since_ns = max(last_ns, self.started_ns)
        limit_ns = most_ns if since_ns == last_ns else max(most_ns, SETTLE_NS)
        return since_ns if to_ns - since_ns > limit_ns else None


def silent(look: Look) -> Iterator[Check]:
    """Bytes must keep coming."""
    load, needed, now_ns = look.meter.load, look.needs.silence_most_s, look.now_ns
    last_ns, limit_ns = load.last_ns, int(needed * 1e9)
    ended = load.take_silence()
    if not look.meter.settings.arrival_measured:
        yield Check("silent", "", "unknown", None, needed, note=UNMEASURED)
    elif (since_ns := look.away_ns(last_ns or 0, now_ns, limit_ns)) is not None:
        yield Check("silent", "", "fail", (now_ns - since_ns) / 1e9, needed, since_ns, note="has come")
    elif last_ns is None:
        yield Check("silent", "", "unknown", None, needed, look.started_ns, note="not enough was heard")
    elif ended is not None and (since_ns := look.away_ns(*ended, limit_ns)) is not None:
        yield Check("silent", "", "fail", (ended[1] - since_ns) / 1e9, needed, since_ns, ended[1], "came")
    else:
        yield Check("silent", "", "pass", 0.0, needed, max(load.resumed_ns, load.first_ns or 0))


def message_missing(look: Look) -> Iterator[Check]:
    """Each needed message must have come at all, from a talker that is accepted."""
    for type_, need in look.needs.messages.items():
        rate, waited = look.meter.needed[type_], look.waited_ns
        if rate.count:
            yield Check("message-missing", type_, "pass", None, None, rate.first_ns)
        elif waited <= max(SETTLE_NS, int(need.gap_most_s * 1e9)):
            yield Check("message-missing", type_, "unknown", waited / 1e9)
        elif _strangers(look, type_, look.now_ns - RECENT_NS):
            yield Check("message-missing", type_, "unknown", waited / 1e9)  # talker-not-accepted tells it
        else:
            damaged = sum(sum(m.bad.values()) for (_, t), m in look.meter.messages.items() if t == type_)
            note = " It comes, but damaged." if damaged else ""
            yield Check("message-missing", type_, "fail", waited / 1e9, None, look.heard_since_ns, note=note)


def absence(look: Look) -> Iterator[Check]:
    """No needed message may stay away longer than allowed, nor come from a talker that is not accepted instead."""
    for type_, need in look.needs.messages.items():
        rate = look.meter.needed[type_]
        ended = rate.take_gap()
        last_ns = max(rate.last_ns, look.meter.load.resumed_ns)
        if not rate.count:
            yield Check("gap", type_, "unknown", None, need.gap_most_s)
            yield from _never_accepted(look, type_)
        elif (since_ns := look.away_ns(last_ns, look.now_ns, rate.limit_ns or 0)) is not None:
            yield from _away(look, type_, since_ns, None)
        elif ended is not None and (since_ns := look.away_ns(*ended, 0)) is not None:
            yield from _away(look, type_, since_ns, ended[1])
        else:
            yield Check("gap", type_, "pass", (look.now_ns - last_ns) / 1e9, need.gap_most_s, rate.last_ns)
            yield from _talker(look, type_, "pass", (rate.last_ns, None))


def _away(look: Look, type_: str, from_ns: int, to_ns: int | None) -> Iterator[Check]:
    """A message was away. Where a talker that is not accepted sent it meanwhile, that is told and not the gap."""
    most_s = look.needs.messages[type_].gap_most_s
    strangers = _strangers(look, type_, from_ns)
    if strangers:
        yield Check("gap", type_, "unknown", None, most_s)
        yield from _talker(look, type_, "fail", (from_ns, to_ns), strangers)
        return
    away_s = ((look.now_ns if to_ns is None else to_ns) - from_ns) / 1e9
    yield Check("gap", type_, "fail", away_s, most_s, from_ns, to_ns, "has been" if to_ns is None else "was")
    yield from _talker(look, type_, "unknown")


def _never_accepted(look: Look, type_: str) -> Iterator[Check]:
    strangers = _strangers(look, type_, look.now_ns - RECENT_NS)
    if not strangers:
        yield from _talker(look, type_, "unknown")
        return
    first_ns = min(look.meter.messages[name, type_].rate.first_ns for name in strangers)
    yield from _talker(look, type_, "fail", (first_ns, None), strangers)


def _talker(
    look: Look, type_: str, state: State, span: tuple[int, int | None] = (0, None), strangers: Iterable[str] = ()
) -> tuple[Check, ...]:
    if not look.needs.talkers:
        return ()
    return (Check("talker-not-accepted", type_, state, None, None, *span, note=" and ".join(strangers)),)


def _strangers(look: Look, type_: str, since_ns: int) -> list[str]:
    """Talkers that have sent this type since and are not accepted."""
    if not look.needs.talkers:
        return []
    return sorted(
        name
        for (name, other), message in look.meter.messages.items()
        if other == type_ and name not in look.needs.talkers and message.rate.last_ns > since_ns
    )


def _damage(id_: str, reasons: tuple[str, ...], look: Look) -> Check:
    times = look.meter.errors.recent(reasons, look.now_ns)
    most = look.needs.damaged_most
    if len(times) > most:
        lately = [DAMAGE_WORDS[reason] for reason in reasons if look.meter.errors.recent((reason,), look.now_ns)]
        return Check(id_, "", "fail", len(times), most, times[0], times[-1], ", ".join(lately))
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
    """Each needed message must come as often as asked, and not much oftener.

    Judged up to its last arrival: what is overdue since then is for the gap to tell, when it is one. A low rate that
    one more arrival would put right is one lost sentence, which the longest allowed gap allows, and no low rate.
    """
    for type_, need in look.needs.messages.items():
        rate = look.meter.needed[type_]
        fast = need.rate_hz * SHORT_NS >= _INTERVALS_LEAST * 1e9
        measured = rate.short_hz(rate.last_ns) if fast else rate.long_hz(rate.last_ns)
        least, most = need.rate_least_hz, need.rate_most_hz
        overdue = look.now_ns - rate.last_ns > (rate.limit_ns or 0)
        span_ns = rate.short_span_ns() if fast else LONG_NS
        known = not overdue and (not fast or span_ns >= max(SETTLE_NS, 3e9 / need.rate_hz))
        if measured is None or not known:
            yield Check("rate-low", type_, "unknown", None, least)
            yield Check("rate-high", type_, "unknown", None, most)
            continue
        low = measured < least and measured + 1e9 / span_ns < _ON_SCHEDULE * need.rate_hz  # not by one lost
        yield Check("rate-low", type_, "fail" if low else "pass", measured, least, look.now_ns)
        yield Check("rate-high", type_, "fail" if measured > most else "pass", measured, most, look.now_ns)


def no_fix(look: Look) -> Iterator[Check]:
    """There must be a fix. One claimed without a position is for position-null to tell, where the needs ask that."""
    if not look.needs.fix_required:
        return
    for sample in look.samples:
        told = "" if sample.quality is None else f" (quality {sample.quality})"
        fixed = sample.fixed and (sample.located or look.needs.truth_fix)
        yield Check("no-fix", "", "pass" if fixed else "fail", None, None, sample.at_ns, note=told)
    if look.meter.fix.sample is None:
        late = look.waited_ns > DATE_NS
        note = ", as far as can be told: neither GGA nor RMC comes"
        yield Check("no-fix", "", "fail" if late else "unknown", None, None, look.heard_since_ns, note=note)


def fix_figures(look: Look) -> Iterator[Check]:
    """Quality, age of corrections, satellites, HDOP and decimals must be as asked, in every sample with a fix."""
    for sample in look.samples:
        for id_, measured, needed, right, note in _figures(look.needs, sample):
            if not sample.fixed or measured is None:
                yield Check(id_, "", "unknown", None, needed, sample.at_ns)
            else:
                yield Check(id_, "", "pass" if right else "fail", measured, needed, sample.at_ns, note=note)


Figure = tuple[str, float | None, float | None, bool, str]  # id, measured, needed, whether it is right, note


def _figures(needs: Needs, sample: FixSample) -> Iterable[Figure]:
    found: list[Figure] = []
    if needs.qualities:
        quality = sample.quality
        word = QUALITY_WORDS.get(quality, "") if quality is not None else ""
        found.append(("quality-not-accepted", quality, None, quality in needs.qualities, word))
    if (most := needs.age_most_s) is not None:
        found.append(("age-high", sample.age_s, most, (sample.age_s or 0) <= most, ""))
    if (least := needs.satellites_least) is not None:
        found.append(("satellites-few", sample.satellites, least, (sample.satellites or 0) >= least, ""))
    if (most := needs.hdop_most) is not None:
        found.append(("hdop-high", sample.hdop, most, (sample.hdop or 0) <= most, ""))
    if (least := needs.decimals_least) is not None:
        found.append(("decimals-few", sample.decimals, least, (sample.decimals or 0) >= least, ""))
    return found


def sentence_long(look: Look) -> Iterator[Check]:
    """No needed sentence may be longer than the controller reads; where none is named, no sentence at all."""
    most, named = look.needs.sentence_length_most, look.needs.messages
    messages = [m for m in look.meter.messages.values() if m.type in named or not named]
    heard = [m.longest for m in messages if look.now_ns - m.rate.last_ns < RECENT_NS]
    last_ns = {m.type: at_ns for m in messages if m.longest > most and (at_ns := _last_long_ns(m, most)) is not None}
    long = sorted(type_ for type_, at_ns in last_ns.items() if look.now_ns - at_ns < RECENT_NS) if last_ns else []
    if long:
        longest, times = max(m.longest for m in messages if m.type in long), [last_ns[type_] for type_ in long]
        yield Check("sentence-long", "", "fail", longest, most, min(times), max(times), " and ".join(long))
    elif heard:
        yield Check("sentence-long", "", "pass", max(heard), most, look.now_ns)
    else:
        yield Check("sentence-long", "", "unknown", None, most)


def _last_long_ns(message: Message, most: int) -> int | None:
    """When this message was last longer than most characters, as far as it is remembered."""
    if message.last is not None and len(message.last.frame.raw) > most:
        return message.last.frame.end_ns
    return message.longest_ns if message.longest > most else None


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
    since = max(last or 0, look.heard_since_ns)
    if look.now_ns - since > DATE_NS:
        yield Check("date-missing", "", "fail", None, None, since)
    elif last is None:
        yield Check("date-missing", "", "unknown")
    else:
        yield Check("date-missing", "", "pass", None, None, last)


RULES: tuple[Rule, ...] = (
    message_missing, absence, damage, rates, no_fix, fix_figures, sentence_long, load_high, date_missing,
)  # fmt: skip
"""What is asked of a line that speaks; `silent` is asked first."""
