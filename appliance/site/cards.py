"""Each message by itself: what is needed beside what was measured, its last intervals, and in words what is off."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from appliance.site.words import NOTHING, ago, hertz, milliseconds, percent, seconds

HEIGHT = 40
TIMES_MOST = 2.5
"""How many usual intervals high the drawing is, where no gap is allowed that is longer. Our choice."""
WORST_FIRST = ("fail", "warn", "unknown", "pass")


@dataclass(slots=True, frozen=True)
class Figure:
    """needed: "" where nothing is asked. state: "fail" where it is not as needed."""

    title: str
    measured: str
    needed: str = ""
    state: str = ""


@dataclass(slots=True, frozen=True)
class Rungs:
    """The last intervals as bars of HEIGHT at most: (height, over) from the oldest; over: longer than the drawing.

    usual, allowed: heights of the needed interval (or the usual one) and of the longest allowed; None: not asked.
    """

    bars: list[tuple[float, bool]]
    usual: float
    allowed: float | None
    says: str


@dataclass(slots=True, frozen=True)
class Card:
    """state: the worst of its checks, "" where nothing is asked of it. off: what is not as needed, in words."""

    title: str
    words: str
    state: str
    off: list[tuple[str, str]]
    figures: list[Figure]
    rungs: Rungs | None


def cards(line: dict[str, Any], checks: Iterable[dict[str, Any]]) -> list[Card]:
    """Of a line: those that never came, the needed ones, then all others."""
    asked: dict[str, list[dict[str, Any]]] = {}
    for check in checks:
        if check["message"] and check["line"] == line["name"]:
            asked.setdefault(check["message"], []).append(check)
    came = {message["type"] for message in line["messages"]}
    never = [
        Card(type_, "", worst(told), _off(told), [Figure("Heard", "never", "needed", "fail")], None)
        for type_, told in asked.items()
        if type_ not in came
    ]
    heard = sorted(line["messages"], key=lambda message: message["needed_hz"] is None)
    return [*never, *(_card(message, asked.get(message["type"], [])) for message in heard)]


def _card(message: dict[str, Any], told: list[dict[str, Any]]) -> Card:
    needed_hz = message["needed_hz"]
    told = told if needed_hz is not None else []
    gap = _one(told, "gap")
    states = {check["id"]: check["state"] for check in told}
    sent = message["count"] + message["bad"]
    damaged = message["bad"] / sent if sent else None
    least, most = _needed(told, "rate-low"), _needed(told, "rate-high")
    slow = "fail" if "fail" in (states.get("rate-low"), states.get("rate-high")) else ""
    between = f"{hertz(least)} to {hertz(most)} Hz" if least and most else f"at least {hertz(least)} Hz"
    figures = [
        Figure("Rate, last 10 s", _unit(hertz(message["rate_hz"]), "Hz"), between if least else "", slow),
        Figure("Rate, last minute", _unit(hertz(message["rate_60_hz"]), "Hz")),
        Figure("Rate, this watch", _unit(hertz(message["rate_watch_hz"]), "Hz")),
        Figure(
            "Longest gap, this watch", seconds(message["longest_gap_s"]),
            f"at most {seconds(gap['needed'])}" if gap and gap["needed"] else "",
            "fail" if gap and gap["state"] == "fail" else "",
        ),
        Figure("Jitter", _unit(milliseconds(message["jitter_s"]), "ms")),
        Figure("Damaged", _unit(percent(damaged), "%")),
        Figure("Last one", f"{ago(message['last_s'])} ago"),
    ]  # fmt: skip
    return Card(
        f"{message['type']} {message['talker']}".strip(), message["words"], worst(told), _off(told), figures,
        _rungs(message.get("intervals_ms", []), needed_hz, gap["needed"] if gap else None),
    )  # fmt: skip


def _rungs(intervals_ms: Sequence[float], needed_hz: float | None, allowed_s: float | None) -> Rungs | None:
    if not intervals_ms:
        return None
    inner = sorted(intervals_ms)
    usual_ms = 1000 / needed_hz if needed_hz else inner[len(inner) // 2]
    if not usual_ms:
        return None
    most_ms = max(TIMES_MOST * usual_ms, (allowed_s or 0) * 1250)
    bars = [(round(min(each, most_ms) / most_ms * HEIGHT, 1), each > most_ms) for each in intervals_ms]
    says = (
        f"The last {len(bars)} intervals, from {inner[0] / 1000:.2f} to {inner[-1] / 1000:.2f} s, "
        f"{'needed' if needed_hz else 'usual'} {usual_ms / 1000:.2f} s"
        + (f", at most {allowed_s:.2f} s allowed." if allowed_s else ".")
    )
    allowed = round(allowed_s * 1000 / most_ms * HEIGHT, 1) if allowed_s else None
    return Rungs(bars, round(usual_ms / most_ms * HEIGHT, 1), allowed, says)


def _off(told: list[dict[str, Any]]) -> list[tuple[str, str]]:
    """State and words of each check that does not pass, the worst first, and none twice."""
    off = dict.fromkeys((check["state"], check["says"]) for check in told if check["state"] != "pass")
    return sorted(off, key=lambda one: WORST_FIRST.index(one[0]))


def worst(told: Iterable[dict[str, Any]]) -> str:
    """The worst state of these checks; "" of none."""
    found = {check["state"] for check in told}
    return next((state for state in WORST_FIRST if state in found), "")


def _one(told: list[dict[str, Any]], id_: str) -> dict[str, Any] | None:
    return next((check for check in told if check["id"] == id_), None)


def _needed(told: list[dict[str, Any]], id_: str) -> float | None:
    check = _one(told, id_)
    return None if check is None else check["needed"]


def _unit(figure: str, unit: str) -> str:
    return figure if figure == NOTHING else f"{figure} {unit}"
