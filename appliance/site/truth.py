"""Motion and clock of the line from the receiver, figure by figure, as a technician looks for them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from appliance.site.words import brief, from_iso, span, stamp

UNKNOWN = "not known yet"
Line = Mapping[str, Any]


@dataclass(slots=True, frozen=True)
class Figure:
    """title: what it is. text: the figure with its unit. more: what goes with it, smaller."""

    title: str
    text: str
    more: str = ""


def figures(line: Line, started_utc: str | None) -> dict[str, list[Figure]]:
    """The figures by heading. started_utc: of the watch, from which the clock's steps are dated."""
    told = line["motion"] | line["clock"] | {"started_utc": started_utc}
    return {
        heading: [Figure(title, *tell(told)) for title, tell in figures.items()]
        for heading, figures in (("Motion", MOTION), ("Clock", CLOCK))
    }


def metres(value_m: float | None) -> str:
    """A distance: "0.012 m", "3.1 m", "48 m", "1.2 km"."""
    if value_m is None:
        return UNKNOWN
    if value_m >= 999.5:
        return f"{value_m / 1000:.1f} km"
    return f"{value_m:.{3 if value_m < 0.0995 else 2 if value_m < 0.995 else 1 if value_m < 9.95 else 0}f} m"


def _speed(of: Line) -> tuple[str, str]:
    ratio, apart_mps = of["speed_ratio"], of["speed_difference_p95_mps"]
    if ratio is None or apart_mps is None:
        return UNKNOWN, "it has not moved for long enough"
    within = f"{apart_mps * 3.6:.1f} km/h ({apart_mps:.2f} m/s)"
    return f"{ratio * 100:.1f} %", f"of the speed by the positions; 19 of 20 within {within} of it"


def _jump(of: Line) -> tuple[str, str]:
    if of["largest_jump_m"] is not None:
        return metres(of["largest_jump_m"]), ""
    return ("none", "beyond what moving and the fix explain") if _epochs(of) else (UNKNOWN, "")


def _scatter(of: Line) -> tuple[str, str]:
    if of["cep_m"] is None:
        return UNKNOWN, "it has not stood still for long enough"
    return f"half within {metres(of['cep_m'])}", f"98 of 100 within {metres(of['two_drms_m'])}"


def _ahead(of: Line) -> tuple[str, str]:
    ahead_s = of["box_ahead_s"]
    if ahead_s is None:
        return UNKNOWN, ""
    if ahead_s == 0:
        return "the same", "as of the receiver, by the time of day, to 10 ms"
    return f"{brief(abs(ahead_s))} {'ahead' if ahead_s > 0 else 'behind'}", "of the receiver, by the time of day"


def _drift(of: Line) -> tuple[str, str]:
    ppm = of["slope_ppm"]
    if ppm is None:
        return UNKNOWN, "a minute tells it"
    gains = "gains" if ppm >= 0 else "loses"
    return f"{ppm:+.1f} ppm".replace("-", "\N{MINUS SIGN}"), f"this box {gains} {brief(abs(ppm) * 0.0036)} an hour"


def _steps(of: Line) -> tuple[str, str]:
    if not of["steps"]:
        return "none", ""
    last = of["steps"][-1]
    way = "forward" if last["step_s"] >= 0 else "back"
    started = from_iso(of["started_utc"])
    when = f" {span(last['at_s'])} into the watch"
    if started is not None:
        when = f" at {stamp(started + timedelta(seconds=last['at_s']))}"
    return str(len(of["steps"])), f"the last {way} by {brief(abs(last['step_s']))},{when}"


def _late(of: Line) -> tuple[str, str]:
    late, p50_s, p95_s = of["epochs"]["late"], of["delay_p50_s"], of["delay_p95_s"]
    if late is None or p50_s is None or p95_s is None:
        return UNKNOWN, ""
    return _count(late, of), f"half within {brief(p50_s)} of their time, 19 of 20 within {brief(p95_s)}"


def _absent(of: Line) -> tuple[str, str]:
    return (_count(of["epochs"]["absent"], of) if _epochs(of) else UNKNOWN), ""


def _incomplete(of: Line) -> tuple[str, str]:
    epochs = of["epochs"]
    if not _epochs(of):
        return UNKNOWN, ""
    more = ", ".join(f"{type_} {count}" for type_, count in epochs["missing"].items() if count)
    return _count(epochs["incomplete"], of), f"missing: {more}" if more else ""


def _length(of: Line) -> tuple[str, str]:
    span_s = of["epoch_span_p95_s"]
    return (UNKNOWN if span_s is None else brief(span_s)), "" if span_s is None else "19 of 20 at most"


def _count(number: int, of: Line) -> str:
    return f"{number or 'none'} of {_epochs(of) + of['epochs']['absent']:,}"


def _epochs(of: Line) -> int:
    """Epochs that came."""
    return int(of["epochs"]["complete"] + of["epochs"]["incomplete"])


MOTION: dict[str, Callable[[Line], tuple[str, str]]] = {
    "Speed told": _speed,
    "Largest jump between positions": _jump,
    "Scatter when parked": _scatter,
}
CLOCK: dict[str, Callable[[Line], tuple[str, str]]] = {
    "Own clock of this box": _ahead,
    "Drift between the two": _drift,
    "Steps of the receiver clock": _steps,
    "Epochs that came late": _late,
    "Epochs that never came": _absent,
    "Epochs not whole": _incomplete,
    "From first to last sentence": _length,
}
"""The figures in their order, and how each is told. An epoch: all sentences of one moment."""
