"""The live picture: all that the page is shown of this moment, as plain values."""

from __future__ import annotations

import time
from typing import Any

from appliance import __version__, picture, picture_truth
from appliance.lamp import Lamps
from appliance.plain import Json, rounded, utc_text
from appliance.settings import Settings
from appliance.tap.listening import SHOWN, Listening
from appliance.watch import CONTROLLER


def live_picture(
    listening: Listening,
    settings: Settings,
    watch_id: int | None,
    *,
    lamps: Lamps | None,
    box: dict[str, Any],
    now_ns: int,
) -> Json:
    """watch_id: of the watch in history, None until it has begun there. box: how the box itself is."""
    watch, offset = listening.watch, listening.offset_ns(now_ns)
    started, needs, utc = watch.started_ns, watch.needs, watch.receiver.utc
    return {
        "format": 1,
        "version": __version__,
        "at_utc": utc_text(now_ns + offset),
        "machine": settings.machine,
        "verdict": picture.verdict(watch, now_ns),
        "needs": {"name": needs.name, "title": needs.title},
        "checks": [picture.check(one) for one in watch.checks],
        "lines": [_line(listening, line.name, line.path, now_ns, offset) for line in settings.lines],
        "watch": {
            "id": watch_id,
            "seconds": rounded((now_ns - started) / 1e9, 1),
            "started_utc": utc_text(started + offset),
        },
        "clock": {
            "source": "line" if listening.dated else "box",
            "uncertainty_s": rounded(utc.uncertainty_s, 3),
        },
        "lamps": _lamps(lamps),
        "wiggle": listening.wiggling.on,
        "box": box,
        "controller_saw": picture_truth.controller_saw(watch, now_ns, most=SHOWN),
        "proof": picture_truth.proof(watch, now_ns),
        "causes": picture.causes(listening.inquiry, watch, now_ns),
        "faults_open": [picture.fault(one, started, offset) for one in watch.faults.open],
        "faults_recent": [picture.fault(one, started, offset) for one in listening.recent],
        "marks": [
            {
                "at_s": rounded((mark.at_ns - started) / 1e9, 1),
                "at_utc": utc_text(mark.at_ns + offset),
                "source": mark.source,
                "note": mark.note,
            }
            for mark in listening.marked
        ],
    }


def weighty(listening: Listening, watch_id: int | None, lamps: Lamps | None, box: dict[str, Any]) -> tuple[object, ...]:
    """What of the picture is worth a new one at once. The rest are figures that run on: they have time."""
    watch = listening.watch
    meters = watch.meters.values()
    return (
        watch_id,
        watch.verdict.state,
        [(one.id, one.message, one.state) for one in watch.checks.odd],
        watch.faults.closed_count,
        [port.says for port in listening.ports.values()],
        [(meter.sentences > 0, meter.errors.total, meter.hunt.belief, meter.listening) for meter in meters],
        next(iter(listening.marked), None),
        (listening.dated, listening.wiggling.on, lamps and lamps.pattern, box),
    )


def _line(listening: Listening, name: str, path: str, now_ns: int, offset: int) -> Json:
    port, watch = listening.ports.get(name), listening.watch
    meter, floor_s = watch.meters[name], listening.floors_s.get(name)
    clock = picture_truth.clock(meter, watch.started_ns)
    wall_less_mono_ns = time.time_ns() - now_ns
    return {
        "name": name,
        "port": path,
        "port_state": port.state if port else "missing",
        "port_says": port.says if port else "The port has not been opened yet.",
        "floor_s": rounded(floor_s, 6),
        "setting": picture.setting(meter, name),
        "counters": picture.counters(meter),
        "said": listening.said.shown(watch.started_ns, offset) if name == CONTROLLER else [],
        **picture.line(meter, watch.needs, now_ns),
        "clock": clock | {"box_ahead_s": picture_truth.box_ahead_s(clock["offset_s"], wall_less_mono_ns)},
    }


def _lamps(lamps: Lamps | None) -> dict[str, Any]:
    if lamps is None:
        return {"pins": "none", "green": False, "red": False, "pattern": "dark"}
    return {"pins": lamps.pins, "green": lamps.green, "red": lamps.red, "pattern": lamps.pattern}
