"""What people are shown: a watch as plain values, ready for JSON. The page and `check --json` share its parts."""

from __future__ import annotations

from functools import lru_cache

from appliance.fields import fields_by_name, words
from appliance.judge.check import Check, State
from appliance.judge.faults import Fault
from appliance.judge.inquiry import Inquiry
from appliance.judge.needs import Needs
from appliance.measure.fix import QUALITY_WORDS, Fix
from appliance.measure.message import Message
from appliance.measure.meter import LineMeter
from appliance.picture_truth import error_seconds, motion
from appliance.plain import Json, rounded, utc_text
from appliance.watch import CONTROLLER, RECEIVER, Watch


def verdict(watch: Watch, now_ns: int) -> Json:
    """State, since when, why, and how long it has been clean."""
    return {
        "state": watch.verdict.state,
        "since_s": rounded((now_ns - watch.verdict.since_ns) / 1e9, 1),
        "says": watch.verdict.says(watch.checks, now_ns),
        "clean_s": rounded(watch.verdict.clean_s(now_ns), 1),
        "clean_run_s": watch.needs.clean_run_s,
    }


def check(one: Check) -> Json:
    """One check."""
    told = one.says if one.told or one.figures else ""
    return _check(
        id_=one.id, message=one.message, state=one.state, measured=one.measured, needed=one.needed, note=one.note,
        told=told,
    )  # fmt: skip


@lru_cache(maxsize=512, typed=True)
def _check(
    *, id_: str, message: str, state: State, measured: float | None, needed: float | None, note: str, told: str
) -> Json:
    """Made once while it stays the same, as most do from look to look."""
    one = Check(id_, message, state, measured, needed, note=note, told=told)
    return {
        "id": id_,
        "line": RECEIVER,
        "message": message,
        "state": state,
        "measured": rounded(measured, 4),
        "needed": rounded(needed, 4),
        "unit": one.unit,
        "says": one.says,
    }


def fault(one: Fault, started_ns: int, utc_offset_ns: int | None) -> Json:
    """One fault; start_s and end_s count from the start of the watch or recording."""

    def utc(at_ns: int | None) -> str | None:
        return None if at_ns is None or utc_offset_ns is None else utc_text(at_ns + utc_offset_ns)

    return {
        "kind": one.kind,
        "line": one.line,
        "message": one.message,
        "start_s": rounded((one.start_ns - started_ns) / 1e9, 3),
        "end_s": None if one.end_ns is None else rounded((one.end_ns - started_ns) / 1e9, 3),
        "start_utc": utc(one.start_ns),
        "end_utc": utc(one.end_ns),
        "says": one.says,
    }


def message(one: Message, needs: Needs, now_ns: int, scheduled: bool) -> Json:
    """One talker and type: how often it comes, how evenly, and how much of it is damaged."""
    needed = needs.messages.get(one.type)
    rate, residuals = one.rate, one.schedule.residuals
    return {
        "talker": one.talker,
        "type": one.type,
        "words": words(one.talker, one.type),
        "count": rate.count,
        "bad": one.bad.total(),
        "bad_by_reason": dict(one.bad),
        "rate_hz": rounded(rate.short_hz(now_ns), 3),
        "rate_60_hz": rounded(rate.long_hz(now_ns), 3),
        "rate_watch_hz": rounded(rate.whole_hz(), 3),
        "median_interval_s": rounded(rate.intervals.quantile(0.5), 4),
        "longest_gap_s": rounded(rate.longest_gap_ns / 1e9, 4) if rate.count > 1 else None,
        "jitter_s": rounded(residuals.rms(), 5) if scheduled else None,
        "jitter_p95_s": rounded(residuals.quantile(0.95), 5) if scheduled else None,
        "last_s": rounded((now_ns - rate.last_ns) / 1e9, 2),
        "needed_hz": needed.rate_hz if needed else None,
    }


INTERVALS_SHOWN = 60
"""How many of its last intervals are shown of a message: as many as a phone is wide. Our choice."""


def messages(meter: LineMeter, needs: Needs, now_ns: int, *, fields: bool) -> list[Json]:
    """All messages of a line: the needed ones first, in the order of the needs. fields: the last ones by name
    too, and the last intervals."""
    order = list(needs.messages)
    found = sorted(
        meter.messages.values(),
        key=lambda m: (order.index(m.type) if m.type in order else len(order), m.type, m.talker),
    )
    rows = []
    for one in found:
        row = message(one, needs, now_ns, meter.settings.arrival_measured)
        if fields:
            row["fields"] = fields_by_name(one.last) if one.last else []
            row["intervals_ms"] = [round(each * 1000, 1) for each in one.rate.last_intervals_s(INTERVALS_SHOWN)]
        rows.append(row)
    return rows


def fix(of: Fix) -> Json:
    """The fix as it stands, and the seconds spent in each quality."""
    sample = of.sample
    quality = sample.quality if sample else None
    return {
        "quality": quality,
        "quality_words": QUALITY_WORDS.get(quality, "") if quality is not None else "",
        "seconds_by_quality": {str(q): rounded(s, 2) for q, s in sorted(of.seconds_by_quality.items())},
        "satellites": sample.satellites if sample else None,
        "hdop": sample.hdop if sample else None,
        "age_s": sample.age_s if sample else None,
        "age_max_s": of.age_most_s,
        "decimals": sample.decimals if sample else None,
        "latitude_deg": rounded(of.latitude_deg, 10),
        "longitude_deg": rounded(of.longitude_deg, 10),
        "speed_mps": rounded(of.speed_mps, 3),
        "course_deg": rounded(of.course_deg, 2),
        "time_utc": _time_of_day(of.time_s),
        "date_utc": "{:04d}-{:02d}-{:02d}".format(*of.date) if of.date else None,
    }


def _time_of_day(time_s: float | None) -> str | None:
    if time_s is None:
        return None
    minutes, seconds = divmod(time_s, 60)
    return f"{int(minutes) // 60:02d}:{int(minutes) % 60:02d}:{seconds:04.1f}"


def causes(inquiry: Inquiry, watch: Watch, now_ns: int) -> list[Json]:
    """The likely causes of what was found, the likeliest first, at most three. weight: its share of belief, 0 to 1."""
    clean_s, other = watch.verdict.clean_s(now_ns), watch.meters.get(CONTROLLER)
    return [
        {
            "id": one.cause.id,
            "says": one.cause.says,
            "weight": rounded(one.weight, 3),
            "because": one.because_says,
            "try": one.first,
            "minutes": one.cause.minutes,
            "proof": one.cause.proof,
        }
        for one in inquiry.suspects(watch.needs, watch.receiver, clean_s, now_ns, other)
    ]


def load(meter: LineMeter, now_ns: int) -> Json:
    """Share of the line's capacity in use: mean, and the fullest second. None where arrival was not measured."""
    if not meter.settings.arrival_measured:
        return {"mean": None, "worst": None}
    return {"mean": rounded(meter.load.mean_ratio(now_ns), 4), "worst": rounded(meter.load.worst_ratio(), 4)}


def setting(meter: LineMeter, name: str) -> Json:
    """How the line is set, as far as it is known, beside how the controller is. confidence: 0 to 1, null: not asked."""
    belief = meter.hunt.belief
    found = belief.candidate.setting if belief else meter.listening
    return {
        "line": name,
        "baud": found.baud,
        "format": found.name,
        "carries": belief.candidate.kind if belief else None,
        "needed_baud": meter.hunt.needed.baud,
        "confidence": rounded(belief.confidence, 3) if belief else None,
    }


def counters(meter: LineMeter) -> dict[str, int] | None:
    """What the port's driver counts since it was opened; None where it cannot. lost_here: times this box lost bytes."""
    counted = meter.counters
    if counted is None:
        return None
    return {
        "framing": counted.framing,
        "parity": counted.parity,
        "breaks": counted.breaks,
        "lost_here": counted.lost_here,
    }


def line(meter: LineMeter, needs: Needs, now_ns: int) -> Json:
    """One line: its bytes, load, silences, damage, messages and fix."""
    carried, framer, share = meter.load, meter.framer, load(meter, now_ns)
    measured = meter.settings.arrival_measured
    return {
        "baud": meter.listening.baud,
        "format": meter.listening.name,
        "bytes": {"total": carried.total, "framed": framer.framed, "junk": framer.junk},
        "bytes_per_s": rounded(carried.recent_bytes_hz(now_ns), 1),
        "load_mean": share["mean"],
        "load_worst": share["worst"],
        "silence_s": None if carried.last_ns is None else rounded((now_ns - carried.last_ns) / 1e9, 2),
        "longest_silence_s": rounded(carried.longest_silence_ns / 1e9, 3) if measured else None,
        "damaged": dict(meter.errors.reasons),
        "messages": messages(meter, needs, now_ns, fields=True),
        "fix": fix(meter.fix),
        "motion": motion(meter),
        "error_seconds": error_seconds(meter),
    }
