"""The lines side by side, figure by figure: how each is set beside what is needed, and what its port can tell."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from appliance.site.words import NOTHING, ago, percent, seconds, size

Line = Mapping[str, Any]
CANNOT_TELL = "this port cannot tell"
PORTS = {"open": "open", "missing": "not there", "lost": "lost", "stopped": "stopped"}
CARRIES = {
    "text": "",
    "inverted": "of inverted polarity",
    "two-talkers": "two talkers at once",
    "binary": "no text, but binary",
    "noise": "text drowned in noise",
}


@dataclass(slots=True, frozen=True)
class Cell:
    """text: the figure. more: what goes with it, smaller. state: "fail" where it is not as needed, else ""."""

    text: str
    more: str = ""
    state: str = ""


@dataclass(slots=True, frozen=True)
class Row:
    """One figure of each line, in the order of the lines."""

    title: str
    cells: list[Cell]


def rows(lines: list[dict[str, Any]]) -> list[Row]:
    """The table; none where there is no line."""
    return [Row(title, [cell(line) for line in lines]) for title, cell in FIGURES.items()] if lines else []


def floor_says(floor_s: float | None) -> str:
    """How fine a jitter can be told at all, in a sentence."""
    if floor_s is None:
        return "For how long this port may hold bytes back is not known, so neither is how fine its jitter can be told."
    if floor_s == 0:
        return "This port holds no byte back, so jitter is as fine as it is shown."
    return f"This port may hold bytes back for {_held(floor_s)}, and no jitter can be told finer than that."


def _held(floor_s: float) -> str:
    return f"{floor_s * 1000:.1f} ms" if floor_s < 0.00995 else f"{floor_s * 1000:.0f} ms"


def _port(line: Line) -> Cell:
    state = line["port_state"]
    return Cell(PORTS.get(state, str(state)), str(line["port"]), "" if state == "open" else "fail")


def _set(line: Line) -> Cell:
    """As far as is known: what the line was found to be, else how it is listened to."""
    setting = line["setting"]
    sure, carries = setting["confidence"], setting["carries"] or "text"
    told = [CARRIES.get(carries, carries)]
    told.append("as listened to" if sure is None else f"sure to {'over 99' if sure > 0.99 else percent(sure)} %")
    off = setting["baud"] != setting["needed_baud"]
    told += ["not as needed"] if off else []
    more = ", ".join(one for one in told if one)
    return Cell(f"{setting['baud']:,} {setting['format']}", more, "fail" if off else "")


def _counted(line: Line) -> Cell:
    counted = line["counters"]
    if counted is None:
        return Cell(CANNOT_TELL)
    names = {"framing": "framing", "parity": "parity", "breaks": "breaks", "lost_here": "lost by this box"}
    return Cell(
        f"{sum(counted.values()) or 'none'}",
        ", ".join(f"{said} {counted[name]}" for name, said in names.items()),
        "fail" if counted["lost_here"] else "",
    )


def _floor(line: Line) -> Cell:
    floor_s = line["floor_s"]
    return Cell("not known" if floor_s is None else "no byte" if floor_s == 0 else f"up to {_held(floor_s)}")


def _whole(value: float | None) -> str:
    return NOTHING if value is None else f"{value:.0f}"


FIGURES: dict[str, Callable[[Line], Cell]] = {
    "Port": _port,
    "Set to, baud": _set,
    "Controller needs, baud": lambda line: Cell(f"{line['setting']['needed_baud']:,}"),
    "Listened to at": lambda line: Cell(f"{line['baud']:,} {line['format']}"),
    "Load, mean": lambda line: Cell(f"{percent(line['load_mean'])} %"),
    "Load, fullest second": lambda line: Cell(f"{percent(line['load_worst'])} %"),
    "Bytes a second": lambda line: Cell(_whole(line["bytes_per_s"])),
    "Heard in all": lambda line: Cell(size(line["bytes"]["total"])),
    "Silent for": lambda line: Cell(ago(line["silence_s"])),
    "Longest silence": lambda line: Cell(seconds(line["longest_silence_s"])),
    "Damaged sentences": lambda line: Cell(str(sum(line["damaged"].values()))),
    "Stray bytes": lambda line: Cell(size(line["bytes"]["junk"])),
    "Errors that the port counts": _counted,
    "Bytes held back by the port": _floor,
}
"""The figures in their order, and how each is told."""
