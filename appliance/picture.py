"""What people are shown: a watch as plain values, ready for JSON. The page and `check --json` share its parts."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

from appliance.fields import fields_by_name, words
from appliance.judge.check import Check
from appliance.judge.faults import Fault
from appliance.judge.inquiry import Inquiry
from appliance.judge.needs import Needs
from appliance.judge.proof import bad_share_most, seconds_to_rule_out
from appliance.measure.fix import QUALITY_WORDS, Fix
from appliance.measure.message import Message
from appliance.measure.meter import LineMeter
from appliance.watch import CONTROLLER, RECEIVER, Watch

Json = dict[str, Any]
HOUR_S = 3600.0
_DAY_S = 86_400


def rounded(value: float | None, digits: int) -> float | None:
    """A number for JSON; None for what is not known or not finite."""
    return round(value, digits) if value is not None and math.isfinite(value) else None


def utc_text(utc_ns: int | None) -> str | None:
    """ISO 8601 in UTC with milliseconds and Z; None where the time is not known."""
    if utc_ns is None:
        return None
    instant = datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC)
    return f"{instant:%Y-%m-%dT%H:%M:%S}.{utc_ns // 1_000_000 % 1000:03d}Z"


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
    return {
        "id": one.id,
        "line": RECEIVER,
        "message": one.message,
        "state": one.state,
        "measured": rounded(one.measured, 4),
        "needed": rounded(one.needed, 4),
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


def messages(meter: LineMeter, needs: Needs, now_ns: int, *, fields: bool) -> list[Json]:
    """All messages of a line: the needed ones first, in the order of the needs. fields: the last ones by name too."""
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


def error_seconds(meter: LineMeter) -> Json:
    """Seconds in the terms of ITU-T G.826. pending: of which it is not known yet whether they were available."""
    total = meter.by_second.total
    return {
        "available": total.available,
        "errored": total.errored,
        "severely_errored": total.severe,
        "background_block_errors": total.background,
        "unavailable": total.unavailable,
        "pending": total.pending,
    }


def proof(watch: Watch, now_ns: int) -> Json:
    """How long it has been clean, the greatest share of bad seconds that this leaves open at 95 %, and how much longer
    it must stay so to rule out, in the same sense, a fault that comes once an hour."""
    clean_s = watch.verdict.clean_s(now_ns)
    return {
        "clean_s": rounded(clean_s, 1),
        "bad_share_at_most": rounded(bad_share_most(clean_s), 6),
        "hourly_ruled_out_in_s": rounded(max(0.0, seconds_to_rule_out(HOUR_S) - clean_s), 0),
    }


def motion(meter: LineMeter) -> Json:
    """How position, speed and course agree; parked, how the position scatters. null: not known."""
    of = meter.truth.motion
    return {
        "speed_ratio": rounded(of.speed_ratio, 4),
        "speed_difference_p95_mps": rounded(of.speed_difference_p95_mps, 3),
        "largest_jump_m": rounded(of.largest_jump_m, 3),
        "cep_m": rounded(of.cep_m, 3),
        "two_drms_m": rounded(of.two_drms_m, 3),
    }


def clock(meter: LineMeter, started_ns: int) -> Json:
    """The receiver's clock against that of the arrivals: theirs less UTC of day, how fast they part, and its steps.

    How late epochs came after their time is null where arrival was not measured.
    """
    pace, epochs = meter.truth.pace, meter.truth.epochs
    measured = meter.settings.arrival_measured
    steps = [
        {"at_s": rounded((at_ns - started_ns) / 1e9, 3), "step_s": rounded(step_s, 3)}
        for at_ns, step_s in meter.truth.calendar.steps
    ]
    return {
        "offset_s": rounded(pace.offset_s, 4) if measured else None,
        "slope_ppm": rounded(pace.slope_ppm, 2) if measured else None,
        "steps": steps,
        "delay_p50_s": rounded(pace.delays.quantile(0.5), 4) if measured else None,
        "delay_p95_s": rounded(pace.delays.quantile(0.95), 4) if measured else None,
        "epoch_span_p95_s": rounded(pace.spans.quantile(0.95), 4) if measured else None,
        "epochs": {
            "complete": epochs.complete,
            "incomplete": epochs.incomplete,
            "absent": epochs.absent,
            "late": pace.late if measured else None,
            "missing": dict(epochs.missing),
        },
    }


def box_ahead_s(offset_s: float | None, wall_less_mono_ns: int) -> float | None:
    """By how much the box's own time of day is ahead of the receiver's. offset_s: of `clock`."""
    if offset_s is None:
        return None
    ahead_s = offset_s + wall_less_mono_ns / 1e9
    return rounded((ahead_s + _DAY_S / 2) % _DAY_S - _DAY_S / 2, 2)


def controller_saw(watch: Watch, now_ns: int, most: int | None = None) -> Json:
    """When the connected controller would have lost its position or its speed. most: of the spans, the newest."""
    seen, started_ns = watch.controller, watch.started_ns
    spans = seen.spans[-most:] if most else seen.spans
    return {
        "asked": list(seen.asked),
        "lost_s": {what: rounded(seen.lost_s(what, now_ns), 2) for what in seen.asked},
        "spans": [
            {
                "what": one.what,
                "start_s": rounded((one.start_ns - started_ns) / 1e9, 3),
                "end_s": None if one.end_ns is None else rounded((one.end_ns - started_ns) / 1e9, 3),
            }
            for one in spans
        ],
    }


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
