"""What is drawn of a stretch: of each quantity its mean, least and most by equal steps, its unit, and the need."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from appliance.history.schema import VERDICTS
from appliance.history.summaries import COLUMNS, Sum, Summary
from appliance.judge.needs import Needs
from appliance.measure.message import MAKER

MESSAGES_MOST = 12
"""Messages that are drawn: the needed ones, then those that come most. Our choice."""
STATES = {"go": "g", "wait": "w", "no-go": "n", None: "."}
Values = list[float | None]


@dataclass(slots=True, frozen=True)
class Plot:
    """One quantity. needed: (value, "at least" or "at most" or ""); digits: after the point. None: nothing is known."""

    key: str
    title: str
    unit: str
    digits: int
    needed: tuple[tuple[float, str], ...]
    mean: Values
    least: Values
    most: Values

    @property
    def told(self) -> bool:
        """Whether anything is known of it, or it is needed and never came."""
        return any(value is not None for value in self.mean)

    @property
    def needed_says(self) -> str:
        """What is needed, in words."""
        return ", ".join(f"{says} {value:g}".strip() for value, says in self.needed)

    def drawn(self, *, bare: bool) -> dict[str, Any]:
        """For the page that draws it. bare: least and most are the mean."""
        told: dict[str, Any] = {"key": self.key, "needed": [value for value, _ in self.needed], "digits": self.digits}
        for name in ("mean",) if bare else ("mean", "least", "most"):
            values: Sequence[float | None] = getattr(self, name)
            told[name] = [_short(value, self.digits) for value in values]
        return told


@dataclass(slots=True, frozen=True)
class _Quantity:
    """scale: units of the plot in one of the summary. needed: of the needs."""

    title: str
    unit: str
    digits: int
    scale: float
    needed: Callable[[Needs], tuple[float | None, str]]


NOT_ASKED = (None, "")
QUANTITIES: dict[str, _Quantity] = {
    "load_ratio": _Quantity("Load", "% of the line", 1, 100, lambda needs: (needs.load_most * 100, "at most")),
    "jitter_s": _Quantity("Jitter", "ms off the schedule, needed messages", 1, 1000, lambda _: NOT_ASKED),
    "quality": _Quantity("Quality", "number of the fix", 1, 1, lambda _: NOT_ASKED),
    "satellites": _Quantity("Satellites", "in use", 1, 1, lambda needs: (needs.satellites_least, "at least")),
    "hdop": _Quantity("HDOP", "no unit", 2, 1, lambda needs: (needs.hdop_most, "at most")),
    "age_s": _Quantity("Age of corrections", "s", 1, 1, lambda needs: (needs.age_most_s, "at most")),
    "speed_mps": _Quantity("Speed", "km/h", 1, 3.6, lambda _: NOT_ASKED),
    "damaged": _Quantity("Damaged sentences", "a second", 2, 1, lambda _: NOT_ASKED),
}


def plots(summary: Summary, needs: Needs | None, count: int) -> list[Plot]:
    """All that is drawn, messages first. needs: None where the sheet of the watch cannot be read any more."""
    return [*_messages(summary, needs, count), *_quantities(summary, needs, count)]


def states(summary: Summary, count: int) -> str:
    """The worst verdict of each step as a letter of STATES."""
    worst = summary.series.get("verdict", {})
    told = (VERDICTS[int(worst[place].most)] if place in worst else None for place in range(count))
    return "".join(STATES[state] for state in told)


def _messages(summary: Summary, needs: Needs | None, count: int) -> Iterator[Plot]:
    told = summary.series.get("sentences", {})
    wanted = needs.messages if needs else {}
    heard = {name: series for name, series in summary.series.items() if name not in COLUMNS}
    order = {type_: number for number, type_ in enumerate(wanted)}

    def rank(name: str) -> tuple[int, float]:
        return order.get(_type(name), len(order)), -sum(one.total for one in heard[name].values())

    names = sorted(heard, key=rank)[:MESSAGES_MOST]
    for type_ in wanted:
        if type_ not in {_type(name) for name in names}:
            yield _message(type_, needs, {}, told, count)
    for name in names:
        yield _message(name, needs, heard[name], told, count)


def _message(name: str, needs: Needs | None, series: Mapping[int, Sum], told: Mapping[int, Sum], count: int) -> Plot:
    """A second that was listened to, and in which the message did not come, counts as none."""
    mean: Values = [None] * count
    least, most = list(mean), list(mean)
    for place, line in told.items():
        if not 0 <= place < count:
            continue
        one = series.get(place)
        mean[place] = one.total / line.seconds if one else 0.0
        most[place] = one.most if one else 0.0
        least[place] = one.least if one and one.seconds == line.seconds else 0.0
    type_ = _type(name)
    title = f"{type_} {name.removesuffix(type_)}".strip()
    need = needs.messages.get(type_) if needs else None
    return Plot(name, title, "a second", 2, ((need.rate_hz, ""),) if need else (), mean, least, most)


def _type(name: str) -> str:
    """Of a message as the tallies name it: talker and type; a maker's own is all type."""
    return name if name.startswith(MAKER) or len(name) <= 3 else name[2:]


def _quantities(summary: Summary, needs: Needs | None, count: int) -> Iterator[Plot]:
    for key, of in QUANTITIES.items():
        mean: Values = [None] * count
        least, most = list(mean), list(mean)
        for place, one in summary.series.get(key, {}).items():
            if 0 <= place < count:
                mean[place] = one.total / one.seconds * of.scale
                least[place], most[place] = one.least * of.scale, one.most * of.scale
        value, says = of.needed(needs) if needs else NOT_ASKED
        yield Plot(key, of.title, of.unit, of.digits, ((value, says),) if value is not None else (), mean, least, most)


def _short(value: float | None, digits: int) -> float | int | None:
    if value is None:
        return None
    rounded = round(value, digits)
    return int(rounded) if rounded == int(rounded) else rounded
