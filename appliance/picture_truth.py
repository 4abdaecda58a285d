"""What people are shown of whether it is true, what it did to the controller, and what it proves, as plain values."""

from __future__ import annotations

from collections.abc import Iterable

from appliance.judge.controller import Span
from appliance.judge.proof import bad_share_most, seconds_to_rule_out
from appliance.measure.meter import LineMeter
from appliance.plain import Json, rounded
from appliance.watch import Watch

HOUR_S = 3600.0
_DAY_S = 86_400


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


def controller_saw(watch: Watch, now_ns: int, most: int) -> Json:
    """When the connected controller would have lost its position or its speed. most: of the spans, the newest."""
    seen = watch.controller
    return {
        "asked": list(seen.asked),
        "lost_s": {what: rounded(seen.lost_s(what, now_ns), 2) for what in seen.asked},
        "spans": losses(seen.spans[-most:], watch.started_ns),
    }


def losses(spans: Iterable[Span], started_ns: int) -> list[Json]:
    """Each in seconds from the start of the watch; end_s None while it lasts."""
    return [
        {
            "what": one.what,
            "start_s": rounded((one.start_ns - started_ns) / 1e9, 3),
            "end_s": None if one.end_ns is None else rounded((one.end_ns - started_ns) / 1e9, 3),
        }
        for one in spans
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
